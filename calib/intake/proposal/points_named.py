"""Which point is what, proposed: from the ids or the descriptions."""

import difflib
import shlex
from collections import Counter
from dataclasses import replace

from calib.chain.rig import Rig
from calib.intake.choices import NO_TARGET, Alternative, Choice, what_is
from calib.intake.declaration import Declaration
from calib.intake.files.columns import SKIP
from calib.intake.files.ids import LONGEST, IdPattern, names_of
from calib.intake.matching.booking import left_over
from calib.intake.proposal.field_rows import FieldRows
from calib.intake.proposal.looks import Look
from calib.intake.proposal.naming import LIKE_POSE, Naming, columns_named, namings
from calib.intake.proposal.words import abbreviated
from calib.run.complaints import quote

_MOST_OTHERS = 0.25
"""A larger share of the points is no bench marks."""

_LIKE, _CLEARLY = 0.6, 0.1
"""Words as much alike (of 1) may be a slip for one another; one more likely by so much is meant."""

_SCATTER = 0.03
"""Left and right corner of one edge are as far apart in every pose; of wrong pairs they are not."""


def naming_choices(
    rows: FieldRows, by_role: dict[str, list[Look]], rig: Rig, declared: Declaration
) -> list[Choice]:
    """How ids name pose and target, and what becomes of the others."""
    if by_role["booking"]:
        return []
    if rows.booked:
        return _column_words(rows.booked, rows, rig, declared, "in the column of targets")
    # Sights to known points are no shots.
    known = {cell for look in by_role["known"] for cell in look.column("point")}
    if declared.ids is not None:
        return _pattern_words(rows, known, rig, declared)
    ways = [way for way in namings(rows.ids, rows.descriptions, rig.target_names, rows.position,
                                   declared.targets)
            if "ids_in" not in declared.model_fields_set or way.where == declared.ids_in]
    about = "how points name pose and target"
    if not ways:
        examples = ", ".join(quote(f"{p} {d}".strip()) for p, d in
                             list(zip(rows.ids, rows.descriptions, strict=True))[:3])
        return [Choice(about, why=f"no pattern found in {examples}; a booking sheet (CSV with "
                       "point, pose, target) tells it too", typed="ids",
                       option='--ids "{pose}-{target}" --target WORD=TARGET')]
    best = ways[0]
    names = names_of(rows.ids, rows.descriptions)[best.where]
    asked = {name for having in best.unknown.values() for name in having}
    others = [name for row, name in enumerate(names) if row not in best.booked
              and name not in asked and rows.ids[row] not in known]
    rival = [w for w in ways[1:] if len(w.booked) == len(best.booked) and w.booked != best.booked]
    consistent = not best.spread > _SCATTER
    why = (f"{len(best.booked)} of {len(rows.ids) - len(known & set(rows.ids))} points fit"
           + ("" if best.width != best.width else
              f"; left and right lie {best.width:.3f} m apart in the poses"
              + ("" if consistent else ", but not in all of them")))
    # Few targets shot again are asked of as such; many show that the number is no pose.
    sure = consistent and best.again < LIKE_POSE and not rival
    # The words first: what a point is by the pattern depends on them.
    choices = _what_words(best.unknown, rig, best)
    if best.poses < LIKE_POSE:
        return choices
    choices.append(Choice(about, tuple(_alternative(w) for w in ways[:4] if w.poses), sure, why))
    if len(others) > _MOST_OTHERS * len(rows.ids):
        return [*choices[:-1], Choice(
            about, why=f"{len(others)} of {len(rows.ids)} points do not fit {best.pattern}, such "
            f"as {quote(others[0])}; a name with a space is given by --target \"NAME=TARGET\"",
            typed="ids", option=f'--ids-in {best.where} --ids "{{pose}} {{target}}" '
            '--target "NAME=TARGET"')]
    return choices + _left_over(others, declared)


def _left_over(others, declared):
    return [left_over(others)] if others and declared.others == "refuse" else []


def _pattern_words(rows, known, rig, declared):
    """What the words mean that stand where the declared pattern has the target."""
    names = names_of(rows.ids, rows.descriptions)[declared.ids_in]
    written, reader = IdPattern(declared.ids, declared.targets), IdPattern(declared.ids, {})
    open_ = {row: booked for row, name in enumerate(names)
             if (booked := reader.only(name)) is not None
             and (not declared.targets or not written.readings_of(name))}
    way = replace(columns_named(open_, rig.target_names, rows.position, declared.targets),
                  pattern=declared.ids)
    unknown: dict[str, list[str]] = {}
    for row in sorted(open_.keys() - way.booked.keys()):
        unknown.setdefault(open_[row].target, []).append(names[row])
    others = [name for row, name in enumerate(names) if row not in open_
              and rows.ids[row] not in known
              and (len(name) > LONGEST or not written.readings_of(name))]
    return [*_column_words({row: open_[row] for row in way.booked}, rows, rig,
                           declared, f"by {declared.ids}"),
            *_what_words(unknown, rig, way),
            *(_left_over(others, declared) if len(others) <= _MOST_OTHERS * len(names) else ())]


def _column_words(booked, rows, rig, declared, where):
    """What the words of a column of targets mean; asked where no target has them."""
    way = columns_named(booked, rig.target_names, rows.position, declared.targets)
    said = Counter(b.target for b in booked.values()
                   if b.target not in rig.target_names and b.target not in declared.targets)
    of = way.targets.get
    return [what_is(word, sorted(rig.target_names, key=lambda target: target != of(word)),
                    (f"{count} points are" if count > 1 else "one point is")
                    + f" called so {where}", word in way.targets and not way.spread > _SCATTER,
                    word in way.targets) for word, count in said.items()]


def _alternative(way: Naming) -> Alternative:
    shots = [booked for booked in way.booked.values() if booked.target != SKIP]
    one = shots[0]
    named = {"point": "the point id", "description": "the description",
             "both": "point id and description"}[way.where]
    targets = " ".join(f"--target {shlex.quote(f'{crew}={ours}')}"
                       for crew, ours in way.targets.items() if crew != ours)
    tables = ", ".join(f"{crew} {ours}" for crew, ours in way.targets.items() if crew != ours)
    says = (f"{quote(way.example)} ({named}) is pose {one.pose}"
            + (f" of stand {one.stand}" if one.stand else "") + f", {one.target}: "
            f"{len(shots)} shots in {len({b.pose for b in shots})} poses"
            + (f"; {tables}" if len(way.targets) > 2 else ""))
    where = "" if way.where == "point" else f"--ids-in {way.where} "
    return Alternative(says, {"ids": way.pattern, "ids_in": way.where, "targets": way.targets},
                       f'{where}--ids "{way.pattern}" {targets}'.strip())


def _what_words(unknown, rig, way):
    """What words mean; nothing is proposed where two that are no slips would be the same target."""
    choices = {word: _what_word(word, having, rig, way) for word, having in unknown.items()}
    same = Counter(choice.alternatives[0].says for word, choice in choices.items()
                   if len(unknown[word]) >= LIKE_POSE and choice.unseen)
    return [replace(choice, unseen=False, option=f"--target {shlex.quote(f'{word}=TARGET')}")
            if choice.alternatives[0].says != NO_TARGET and same[choice.alternatives[0].says] > 1
            else choice for word, choice in choices.items()]


def _what_word(word, having, rig, way):
    """What a word means that stands where others name a target.

    First what it is short for, or like a word that is known: a slip, unless its pose has that
    target already. Nothing is proposed where two are as likely. Else it is none; of the targets
    those come first that have no word yet.
    """
    def alike(known):
        return difflib.SequenceMatcher(None, word.casefold(), known.casefold()).ratio()

    def by_likeness(of):
        return sorted(of, key=lambda target: -of[target])

    alone = IdPattern(way.pattern, {word: word})
    poses = {booked.pose for booked in map(alone.only, having) if booked is not None}
    there = {booked.target for booked in way.booked.values() if booked.pose in poses}
    near: dict[str, float] = {}
    for known, target in way.targets.items():
        if target != SKIP and alike(known) >= _LIKE:
            near[target] = max(near.get(target, 0.0), alike(known))
    like = by_likeness({target: near[target] for target in near.keys() - there})
    free = sorted(rig.target_names, key=lambda target: (
        target in there, target in way.targets.values(), -alike(target)))
    short, abroad = ([target for target in abbreviated(word, free, abroad=also)
                      if target not in way.targets.values()] for also in (False, True))
    if not short and not like and len(abroad) == 1:
        short = abroad
    proposed = len(short) == 1 or (not short and bool(like) and near[like[0]] == max(near.values())
                                   and all(near[like[0]] - near[t] > _CLEARLY for t in like[1:]))
    answers = list(dict.fromkeys([*short, *like, SKIP, *abroad, *free]))
    return what_is(
        word, answers,
        (f"{len(having)} points are called so, such as {quote(having[0])}" if len(having) > 1
         else f"one point is called so: {quote(having[0])}")
        + "".join(f"; its pose has {target} already" for target in by_likeness(near)
                  if target in there),
        proposed=proposed, unseen=proposed or (len(having) < LIKE_POSE and not near))


def naming_in_words(rows: FieldRows, declared: Declaration) -> list[str]:
    """What the names give, a line."""
    if declared.ids is None:
        return []
    reader = IdPattern(declared.ids, declared.targets)
    booked = [(name, way) for name in names_of(rows.ids, rows.descriptions)[declared.ids_in]
              if (way := reader.only(name)) is not None and way.target != SKIP]
    if not booked:
        return []
    name, first = booked[0]
    return [f"{quote(name)} is pose {first.pose}, {first.target}: {len(booked)} shots of "
            f"{len({b.target for _, b in booked})} targets in {len({b.pose for _, b in booked})} "
            "poses"]
