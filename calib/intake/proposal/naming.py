"""How ids or descriptions seem to name pose and target: a pattern found in the names themselves."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calib.intake.files.columns import SKIP
from calib.intake.files.field_units import plain
from calib.intake.files.ids import LONGEST, Booked, IdPattern, names_of
from calib.intake.proposal.words import PAIRS, abbreviated, target_meant

_STAND = re.compile(r"\b(stand|st|s)[ _-]?$", re.IGNORECASE)
_ANY = {"{pose}": r"(?P<pose>\d+)", "{stand}": r"(?P<stand>\S+?)",
        "{target}": r"(?P<target>[^\W\d_](?:[^\d]*[^\W\d_])?)"}
LIKE_POSE = 3
"""Fewer poses are no pattern."""

_COMMON = 0.7
"""A word in more of the names than this names no target."""


@dataclass(frozen=True)
class Naming:
    """A way to read the names."""

    where: str  #: "point", "description" or "both"; "target": a column of its own.
    pattern: str
    targets: dict[str, str]  #: The crew's words to the rig's targets.
    booked: dict[int, Booked]  #: By row, those that fit.
    example: str  #: One name that fits.
    width: float
    #: spread, width: Median distance left to right in a pose, and how far the poses scatter about
    #: it (median, of 1), in the unit of the file; NaN for less than three.
    spread: float
    #: Words where others name a target that nobody explains, with the names that have them.
    unknown: dict[str, list[str]] = field(default_factory=dict)

    @property
    def poses(self) -> int:
        return len({b.pose for b in self.booked.values() if b.target != SKIP})

    @property
    def again(self) -> int:
        """How many rows name a target that their pose has already."""
        return len(self.booked) - len({(b.pose, b.target) for b in self.booked.values()})


def namings(
    ids: Sequence[str], descriptions: Sequence[str], targets: Sequence[str],
    position: np.ndarray, told: Mapping[str, str] | None = None,
) -> list[Naming]:
    """Ways to read the names, the one that fits most rows first.

    Parameters
    ----------
    targets : sequence of str
        The rig's.
    position : ndarray, shape (n, 3)
    told : mapping of str to str, optional
        Words of the crew whose target is declared.
    """
    found: list[Naming] = []
    for where, names in names_of(ids, descriptions).items():
        if where == "both" and any(not way.unknown for way in found):
            break
        ways = [_widened(way, names, targets, told or {}, position)
                for words in _target_words(names, targets)
                for way in _by_words(where, names, words, position)]
        ways = [way for way in ways if way.poses >= LIKE_POSE]
        if not ways and (pattern := _alike(names)) is not None:
            way = _widened(Naming(where, pattern, {}, {}, "", np.nan, np.nan), names, targets,
                           told or {}, position)
            ways = [way] * (bool(way.unknown) or way.poses >= LIKE_POSE)
        found += ways

    def named(way):
        """How many rows name a target, or one that can be proposed."""
        return len(way.booked) + sum(len(having) for word, having in way.unknown.items()
                                     if abbreviated(word, targets))

    return sorted(found, key=lambda n: (-named(n), -len(n.booked), n.where != "point",
                                        len(n.pattern)))


def columns_named(
    booked: Mapping[int, Booked], targets: Sequence[str], position: np.ndarray,
    told: Mapping[str, str],
) -> Naming:
    """What the words of a column of targets mean; `told` has those that are declared."""
    said = list(dict.fromkeys(b.target for b in booked.values()))
    table = {word: told.get(word) or (word if word in targets else target_meant(word, targets))
             for word in said}
    for pair in _target_words([word for word in said if not table[word]], targets):
        table.update({word: target for word, target in pair.items() if word in table})
    table = {word: target for word, target in table.items() if target}
    known = {row: replace(b, target=table[b.target]) for row, b in booked.items()
             if b.target in table}
    return Naming("target", "", table, known, "", *_width(known, position))


def _target_words(names, targets):
    """Tables of the crew's words to targets for which all words are found in the names."""
    said = {plain(word): word for name in names for word in re.findall(r"[^\W\d_]+", name)}
    sides = [t.removesuffix("left") for t in targets if t.endswith("left")]
    edge = next((s for s in sides if s.startswith("edge")), sides[0] if sides else None)
    full = {t: t for t in targets if any(t in name for name in names)}
    if len(full) >= 2 or any("_" in target for target in full):
        yield full
    if edge is None:
        return
    for left, right in PAIRS:
        if left in said and right in said:
            yield {word: edge + side for word in _written(names)
                   for end, side in ((left, "left"), (right, "right")) if plain(word) == end}


def _written(names):
    return dict.fromkeys(word for name in names for word in re.findall(r"[^\W\d_]+", name))


def _by_words(where, names, words, position):
    """The pattern that most names have, if they have one."""
    patterns = Counter(filter(None, (_pattern_of(name, words) for name in names)))
    ways = [_naming(where, pattern, words, names, position)
            for pattern, _ in patterns.most_common(1)]
    return [way for way in ways if way.booked]


def _naming(where, pattern, targets, names, position, **more):
    booked = _booked(IdPattern(pattern, targets), names)
    return Naming(where, pattern, targets, booked, names[next(iter(booked), 0)],
                  *_width(booked, position), **more)


def _booked(reader, names):
    """By row, what the names that fit in one way are; poses are numbers."""
    return {row: way for row, way in enumerate(map(reader.only, names))
            if way is not None and way.pose.isdecimal()}


def _alike(names):
    """The pattern of names that are made alike of words nobody knows: LE01, RE01, LE02, ...

    Some words, each with several numbers, and several numbers with more than one of them.
    """
    having = Counter(word for name in names for word in set(re.findall(r"[^\W\d_]+", name)))
    words = {word: word for word, count in having.items()
             if LIKE_POSE <= count <= _COMMON * len(names)}
    patterns = Counter(filter(None, (_pattern_of(name, words) for name in names)))
    for pattern, count in patterns.most_common(1):
        ways = list(filter(None, map(IdPattern(pattern, words).only, names)))
        told = Counter(pose for pose, _ in {(b.pose, b.target) for b in ways})
        if 2 * count >= len(names) and sum(n > 1 for n in told.values()) >= LIKE_POSE:
            return pattern
    return None


def _pattern_of(name, words):
    """The name with its parts for what they are; None without a target and a pose."""
    found = [m for m in re.finditer(r"[^\W\d_]+(?:_[^\W\d_]+)*|[^\W\d_]+", name)
             if m[0] in words]
    if len(found) != 1:
        return None
    before, after = name[:found[0].start()], name[found[0].end():]
    numbers = re.findall(r"\d+", before + after)
    if not numbers or len(numbers) > 2 or "{" in name or "}" in name:
        return None
    parts = []
    for piece in (before, "{target}", after):
        if piece == "{target}":
            parts.append(piece)
            continue
        for text, number in re.findall(r"(\D*)(\d*)", piece):
            parts.append(text)
            if number:
                stand = len(numbers) == 2 and _STAND.search(text)
                parts.append("{stand}" if stand else "{pose}")
    pattern = "".join(parts)
    return pattern if pattern.count("{pose}") == 1 else None


def _widened(way, names, targets, told, position):
    """The same pattern with all words that stand where the corners are named."""
    pattern, fits = max(((wide, _fitting(wide, names)) for wide in _wider(way.pattern)),
                        key=lambda wide: len(wide[1]))
    if pattern != way.pattern and len(fits) <= len(way.booked):
        return way
    left, right = (next((plain(word) for word, t in way.targets.items() if t.endswith(side)), side)
                   for side in ("left", "right"))
    sides = left, right
    words: dict[str, list[re.Match]] = {}
    for match in fits:
        words.setdefault(match["target"], []).append(match)
    old = IdPattern(way.pattern, way.targets)
    table, unknown = dict(way.targets) if pattern == way.pattern else {}, {}
    corners = _corners(words, targets)
    for word, having in words.items():
        as_before = old.readings_of(having[0][0]) if way.targets else []
        meant = (told.get(word) or (as_before[0].target if len(as_before) == 1 and
                 as_before[0].pose == having[0]["pose"] else "")
                 or target_meant(word, targets, sides) or corners.get(word)
                 # The id may have letters before what the description says in full.
                 or (way.where == "both"
                     and target_meant(word.partition(" ")[2], targets, sides)))
        if meant:
            table[word] = meant
        else:
            unknown[word] = [match[0] for match in having]
    if not table:
        return replace(way, unknown=unknown)
    return _naming(way.where, pattern, table, names, position, unknown=unknown)


def _corners(words, targets):
    """Two words that can only be short for the left and the right of the same."""
    meant = {word: abbreviated(word, targets, 2) for word in words}
    pairs = {(one, two, left) for one, can in meant.items() for left in can if left.endswith("left")
             for two, other in meant.items() if left.removesuffix("left") + "right" in other}
    if len(pairs) != 1:
        return {}
    ((one, two, left),) = pairs
    return {one: left, two: left.removesuffix("left") + "right"}


def _fitting(pattern, names):
    """How names fit a pattern whose target may be any words."""
    parts = [_ANY.get(part, re.escape(part)) for part in re.split(r"({[^{}]*})", pattern)]
    return [match for name in names if len(name) <= LONGEST
            and (match := re.fullmatch("".join(parts), name, re.IGNORECASE))]


def _wider(pattern):
    """The pattern, and with words beside the target taken for part of it: left corner, stick."""
    before, target, after = pattern.partition("{target}")
    letters = re.compile(r"[^\W\d_]")
    yield pattern
    if "{" not in after and letters.search(after):
        yield before + target
    elif "{" not in before and letters.search(before):
        yield target + after
    elif word := letters.search(before.rpartition("}")[2]):
        at = before.rindex("}") + 1 if "}" in before else 0
        yield before[:at + word.start()] + target + after
    between, brace, rest = after.partition("{")
    for word in re.finditer(r"\W+(?=[^\W\d_])|\W+$", between) if brace else ():
        if word.start():
            yield before + target + between[word.start():] + brace + rest


def _width(booked, position):
    """Median distance left to right, of the edge if it is shot, and its scatter as a share."""
    lefts = {b.target for b in booked.values() if b.target.endswith("left")}
    lefts = {left for left in lefts if left.startswith("edge")} or lefts
    at: dict[tuple[str | None, str], dict[str, np.ndarray]] = {}
    for row, b in booked.items():
        at.setdefault((b.stand, b.pose), {})[b.target] = position[row]
    apart = [float(np.linalg.norm(p[left] - p[left[:-4] + "right"])) for p in at.values()
             for left in p if left in lefts and left[:-4] + "right" in p]
    if len(apart) < LIKE_POSE:
        return np.nan, np.nan
    width = float(np.median(apart))
    return width, float(np.median(np.abs(np.array(apart) - width))) / max(width, 1e-9)
