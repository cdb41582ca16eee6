"""Code names as people say them."""

from collections.abc import Sequence


def spoken(name: str) -> str:
    """A code name in words.

    >>> spoken("edge_left")
    'edge left'
    """
    return name.replace("_", " ")


def few(names: Sequence[str], most: int) -> str:
    """The first of some names, and how many more there are.

    >>> few(["boom", "stick", "tilt"], 2)
    'boom, stick and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
