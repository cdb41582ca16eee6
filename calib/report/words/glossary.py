"""Every word of results, sheets and reports: what it means, and what to do about it.

The words themselves are in glossary.toml.
"""

import difflib
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

#: What stands behind a word in a heading: units, and what a column is of.
_BEHIND = re.compile(r"(?:,? (?:mm|m|deg|%|rms|95 %|of \d+))+$")


@dataclass(frozen=True)
class Word:
    """A word, its meaning, and what to do about it.

    Attributes
    ----------
    name, means, do : str
    also : tuple of str
        Other words and headings that it explains.
    report : bool
        It stands in the report's own list.
    """

    name: str
    means: str
    do: str
    also: tuple[str, ...] = ()
    report: bool = False


@cache
def words() -> tuple[Word, ...]:
    """All of them, those of the report's own list first."""
    text = (resources.files("calib.report.words") / "glossary.toml").read_text("utf-8")
    return tuple(Word(**{**entry, "also": tuple(entry.get("also", ()))})
                 for entry in tomllib.loads(text)["word"])


def explained(term: str) -> Word | None:
    """The word that explains a term or the heading of a column; None if none does.

    Examples
    --------
    >>> explained("sd east").name, explained("north mm").name, explained("Gates").name
    ('sd', 'east', 'gate')
    """
    known = _known()
    plain = " ".join(term.casefold().split())
    return known.get(plain) or known.get(_BEHIND.sub("", plain))


def nearest_words(term: str, most: int = 3) -> tuple[str, ...]:
    """Words that a term may stand for, the nearest first."""
    close = difflib.get_close_matches(term.casefold(), _known(), n=3 * most, cutoff=0.5)
    return tuple(dict.fromkeys(_known()[c].name for c in close))[:most]


@cache
def _known() -> dict[str, Word]:
    named = {name.casefold(): word for word in words() for name in word.also}
    return named | {word.name.casefold(): word for word in words()}
