"""Effects taken into the text of a rig file, everything else in it left as it is."""

from collections.abc import Sequence

import tomlkit


def with_effects_listed(text: str, names: Sequence[str]) -> str:
    """A rig file's text with more names in its list of effects.

    Parameters
    ----------
    text : str
        A rig file that can be read.
    names : sequence of str
        Those that are listed already are left out.

    Examples
    --------
    >>> with_effects_listed('template = "plain_bucket"\\n[goal]\\nedge = "20 mm"\\n', ["boom_sag"])
    'template = "plain_bucket"\\neffects = ["boom_sag"]\\n\\n[goal]\\nedge = "20 mm"\\n'
    """
    rig = tomlkit.parse(text)
    listed = rig.setdefault("effects", tomlkit.array())
    listed.extend([name for name in names if name not in listed])
    return tomlkit.dumps(rig)
