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
    """A word, its meaning, and what to do about it."""

    name: str
    means: str
    do: str
    also: tuple[str, ...] = ()  #: Other words and headings that it explains.
    report: bool = False  #: It stands in the report's own list.


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
    >>> print(explained("rotate_zero").means)
    Added to the rotate reading, deg.
    """
    plain = _plain(term)
    for form in (plain, _BEHIND.sub("", plain), plain.removesuffix("s")):
        if form in _known():
            return _known()[form]
    return _of_rigs().get(plain)


def nearest_words(term: str, most: int = 4) -> tuple[str, ...]:
    """Words that a term may stand for: those in it, written like it, or that speak of it."""
    plain = _plain(term)
    within = [word.name for part in plain.split() if (word := explained(part))]
    close = [_known()[c].name for c in difflib.get_close_matches(plain, _known(), 3 * most, 0.7)]
    told = re.compile(rf"\b{re.escape(plain)}")
    speak = [w.name for w in words() if told.search(_plain(f"{w.means} {w.do}"))]
    return tuple(dict.fromkeys([*within, *close, *speak]))[:most]


def _plain(term):
    return " ".join(term.casefold().replace("_", " ").split())


@cache
def _known() -> dict[str, Word]:
    named = {_plain(name): word for word in words() for name in word.also}
    return named | {_plain(word.name): word for word in words()}


@cache
def _of_rigs() -> dict[str, Word]:
    """Parameters, derived quantities, readings and targets of the shipped rigs."""
    found: dict[str, Word] = {}
    from calib.chain.rig import rig_from_template, template_names

    for rig in map(rig_from_template, template_names()):
        for part, do in (
            (rig.targets, "Shoot it by this name."),
            (rig.readings, "Book it while the machine is still; its sd is under [readings.sd]."),
            (rig.derived, "Check it with a tape on the machine."),
            (rig.parameters, "Enter it as the sheet has it, with its sign; see positive."),
        ):
            for one in part:
                unit = getattr(one, "unit", "")
                means = f"{one.means[0].upper()}{one.means[1:]}{f', {unit}' if unit else ''}."
                found.setdefault(_plain(one.name), Word(one.name, means, do))
    return found
