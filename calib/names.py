"""Public names of a package, imported when they are first asked for (PEP 562)."""

import sys
from collections.abc import Callable, Mapping
from importlib import import_module


def later(package: str, homes: Mapping[str, str]
          ) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """``__getattr__`` and ``__dir__`` of a package.

    Parameters
    ----------
    package : str
        Its ``__name__``.
    homes : mapping of str to str
        Name to its module; with ``module:name`` if it is called otherwise there, and the module
        itself if that is called so.
    """

    def attribute(name: str) -> object:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        home, _, there = homes[name].partition(":")
        module = import_module(home)
        return module if home == f"{package}.{name}" else getattr(module, there or name)

    def names() -> list[str]:
        return sorted({*vars(sys.modules[package]), *homes})

    return attribute, names
