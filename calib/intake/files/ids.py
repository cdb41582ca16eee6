"""Ids made of parts: which stand, pose and target an id names under a pattern."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

_FIELDS = {
    "stand": r"[^\s{}]+?",
    "pose": r"[^\s{}]+?",
    "target": r"[A-Za-z_][A-Za-z0-9_]*",
    "repeat": r"(?:[._-]?[A-Za-z]|[._-][0-9]{1,2})?",
}

_NUMBERED = re.compile(r"(?P<word>[^\W\d_]*)[\s._#-]*0*(?P<number>\d+)")
_POSE = frozenset({"", "p", "pos", "pose"})
"""Words that say no more than that it is a pose."""

#: No id is longer: what is, is not split up.
LONGEST = 60


class PatternText(ValueError):
    """A pattern that cannot be used; the message says why."""


@dataclass(frozen=True)
class Booked:
    """What one point is."""

    pose: str
    target: str
    stand: str | None = None  #: None where nobody said.
    repeat: str = ""  #: Mark of a re-shot, "" for the first.


def names_of(ids: Sequence[str], descriptions: Sequence[str]) -> dict[str, Sequence[str]]:
    """By where they stand, what points are called."""
    return {"point": ids, "description": descriptions,
            "both": [f"{p} {d}" for p, d in zip(ids, descriptions, strict=True)]}


def spelt_as(poses: Iterable[str], there: Iterable[str]) -> dict[str, str]:
    """How a sheet writes the poses that it has in another spelling.

    Poses are one where the numbers are, if no other pose of either side has that number. One word
    beside those for a pose may stand before the numbers (Lage 1 and 1), two are two kinds.

    Examples
    --------
    >>> spelt_as(["1", "02", "3a"], ["P1", "P2", "3"])
    {'1': 'P1', '02': 'P2'}
    >>> spelt_as(["1", "A2"], ["B1", "B2"])
    {}
    """
    poses, there = list(dict.fromkeys(poses)), list(dict.fromkeys(there))
    sides = [[(pose, m["word"].casefold(), m["number"]) for pose in side
              if (m := _NUMBERED.fullmatch(pose.strip()))] for side in (poses, there)]
    if len({word for side in sides for _, word, _ in side} - _POSE) > 1:
        return {}
    once = [{number for number, n in Counter(number for *_, number in side).items() if n == 1}
            for side in sides]
    written = {number: pose for pose, _, number in sides[1] if number in once[1]}
    return {pose: written[number] for pose, _, number in sides[0]
            if number in once[0] and pose not in there and number in written}


class IdPattern:
    """Ids made of parts, such as ``{pose}-{target}``.

    Fields: ``{pose}`` and ``{target}``, and if wanted ``{stand}`` and ``{repeat}`` (a letter or a
    marked number after a re-shot, such as the a of 12-La). Everything else stands for itself.

    Parameters
    ----------
    targets : mapping of str to str
        What the crew writes to our target; empty: targets are written in full.

    Raises
    ------
    PatternText

    Examples
    --------
    >>> ids = IdPattern("{pose}-{target}{repeat}", {"left": "edge_left", "right": "edge_right"})
    >>> ids.readings_of("12-lefta")
    [Booked(pose='12', target='edge_left', stand=None, repeat='a')]
    """

    def __init__(self, pattern: str, targets: Mapping[str, str]):
        self.pattern, self.targets = pattern, dict(targets)
        self._folded = {word.casefold(): target for word, target in targets.items()}
        fields = re.findall(r"{([^{}]*)}", pattern)
        for name in fields:
            if name not in _FIELDS:
                raise PatternText(f"{{{name}}} is no part of an id; there are "
                                  + ", ".join(f"{{{f}}}" for f in _FIELDS))
            if fields.count(name) > 1:
                raise PatternText(f"{{{name}}} stands twice in {pattern!r}")
        for name in ("pose", "target"):
            if name not in fields:
                raise PatternText(f"{pattern!r} has no {{{name}}}; an example: "
                                  '"{pose}-{target}"')
        self._parts = re.split(r"({[^{}]*})", pattern)

    def readings_of(self, point: str) -> list[Booked]:
        """Ways in which an id fits the pattern; more than one is ambiguous, more than three are
        not told apart. Of the crew's words the longest that fits is meant; capitals are no matter.
        """
        found: list[Booked] = []
        longest = 0
        for parts in self._fits(0, point, 0, {}):
            word = parts["target"]
            if self.targets and len(word) != longest:
                if len(word) < longest:
                    continue
                found, longest = [], len(word)
            booked = Booked(parts["pose"], self._target(word), parts.get("stand"),
                            parts.get("repeat", ""))
            if booked not in found:
                found.append(booked)
            if len(found) > 3 and not self.targets:
                break
        return found

    def only(self, point: str) -> Booked | None:
        """The one way in which an id fits; None of several, of none, and of what is too long."""
        ways = self.readings_of(point) if len(point) <= LONGEST else []
        return ways[0] if len(ways) == 1 else None

    def _target(self, word):
        return self.targets.get(word) or self._folded.get(word.casefold(), word)

    def _fits(self, index, text, at, known) -> Iterator[dict[str, str]]:
        """Every split of `text` from `at` on over the parts from `index` on.

        `known` holds where there is none, so that nothing is tried twice in vain.
        """
        if index == len(self._parts):
            if at == len(text):
                yield {}
            return
        if known.get((index, at)) is False:
            return
        part, some = self._parts[index], False
        if not part.startswith("{"):
            if text[at:at + len(part)].casefold() == part.casefold():
                for fit in self._fits(index + 1, text, at + len(part), known):
                    some = True
                    yield fit
        else:
            name = part[1:-1]
            for end in range(at, len(text) + 1):
                if known.get((index + 1, end)) is not False and self._is(name, text[at:end]):
                    for others in self._fits(index + 1, text, end, known):
                        some = True
                        yield {name: text[at:end], **others}
        known[index, at] = some

    def _is(self, name, text):
        if name == "target" and self.targets:
            return text in self.targets or text.casefold() in self._folded
        return re.fullmatch(_FIELDS[name], text) is not None
