"""The stand of every pose: as the crew says, else as the pins of the house show."""

from dataclasses import replace

import numpy as np

from calib.intake.choices import Alternative, Choice, Doubtful
from calib.intake.declaration import Declaration
from calib.intake.matching.foreseen import fit_mirrored, foresee, misfits
from calib.intake.matching.moves import Move, moves
from calib.intake.run_files import Imported
from calib.run.complaints import Findings, quote
from calib.run.copies import complain_of_lookalikes

_FAR = 0.5
"""Machines that nobody has calibrated yet are known better, m: common practice, no source."""


def settle_stands(imported: Imported, declared: Declaration, findings: Findings) -> None:
    """A stand for every pose: said with the shots, or on the sheet, else by what moved.

    Raises
    ------
    Doubtful
        If the pins may have moved with the machine, or be bad shots.
    """
    silent = _stated(imported, findings)
    _compare(imported, findings)
    findings.stop_if_at_fault()
    seen = foresee(imported.rig, imported.shots + imported.check, imported.readings or {})
    found = moves(imported.rig, seen)
    _check_hand(imported, declared, seen, found)
    if len(silent) < len(imported.stands):
        for move in found:
            if move.sure and imported.stands[move.after] == imported.stands[move.before]:
                imported.left_open.append(
                    f"{_shown(move)}: they are said to be on one stand, "
                    f"{quote(imported.stands[move.before])}")
        _note_silent(silent, imported, findings)
        return
    first = [pose for pose in declared.moved_before if pose in imported.stands]
    if not declared.moved_before:
        if not all(move.sure for move in found):
            raise Doubtful([_asked(found)])
        first = [move.before for move in found]
        for move in found:
            findings.note(_file(imported), f"{_shown(move)}: so did the machine, a new stand "
                          "begins")
    stand = 0
    for pose in seen.poses:
        stand += not stand or pose in first
        imported.stands[pose] = str(stand)
    at, by_pose = "1", imported.readings or {}
    for pose, readings in by_pose.items():
        at = imported.stands.get(pose, at)
        by_pose[pose] = replace(readings, stand=at)
    if stand == 1:
        _note_silent(silent, imported, findings)


def _file(imported):
    """The file that says, or does not, where the machine stood."""
    readings = next(iter((imported.readings or {}).values()), None)
    return (imported.shots[0].sources[0] if readings is None else readings.source).file


def _check_hand(imported, declared, seen, found):
    """Shots that fit the machine only mirrored; told alone where somebody wants them so."""
    first = {move.before for move in found}
    stand = np.cumsum([pose in first for pose in seen.poses])
    straight, mirrored = misfits(seen, stand)
    if not fit_mirrored(straight, mirrored):
        if straight > _FAR:
            imported.left_open.append(
                f"turned, shifted and scaled as fits best, the shots lie {straight:.1f} m (rms) "
                "from where the readings put them: is a column, a unit or a row another, did the "
                "machine move where no pin was shot, or is a zero far off?")
        return
    says = (f"the shots fit the machine only mirrored: to {mirrored:.2f} m, and to {straight:.2f} "
            "m as they are")
    if declared.east_north is not None:
        imported.left_open.append(says)
        return
    answers = [Alternative("yes: read each as the other", {"east_north": "exchanged"},
                           "--east-north exchanged"),
               Alternative("no: take them as they are", {"east_north": "as-written"},
                           "--east-north as-written")]
    # Of raw observations those of the known points may be.
    raise Doubtful([Choice(
        "whether east and north are exchanged", tuple(answers[bool(declared.angles):]), False,
        says + (" (are east and north of the known points exchanged?)" if declared.angles else ""),
        unseen=False)])


def _stated(imported, findings):
    """Takes the stands that were said; the poses of which none was, put on "1"."""
    silent = []
    for pose, stand in imported.stands.items():
        sheet = (imported.readings or {}).get(pose)
        said = sheet.stand if sheet is not None else ""
        if sheet is not None and stand and said and stand != said:
            findings.complain(sheet.source.file, sheet.source.lines[0], "stand", quote(said),
                              f"stand {quote(stand)} as with the shots of pose {quote(pose)}")
        imported.stands[pose] = stand or said
        if not imported.stands[pose]:
            silent.append(pose)
            imported.stands[pose] = "1"
    return silent


def _note_silent(silent, imported, findings):
    if silent:
        findings.note(_file(imported), f"{len(silent)} pose(s) with no stand named are put on "
                      'stand "1": tracks still and house not swung between them (--moved-before '
                      "POSE, {stand} in --ids, or a column stand tell others)")


def _shown(move: Move) -> str:
    """What shows a move, in words."""
    also = "; the instrument was set up anew there too" if move.of_setups else ""
    return (f"between poses {quote(move.after)} and {quote(move.before)} {move.target} moved by "
            f"{move.far:.2f} m{also}")


def _asked(found: list[Move]) -> Choice:
    """Whether the machine moved where pins may only be bad shots."""
    doubtful = [move for move in found if not move.sure]
    answers = []
    for says, taken in (("it moved: new stands begin", found),
                        ("it did not: bad shots, or pins taken for others",
                         [move for move in found if move.sure])):
        first = [move.before for move in taken]
        answers.append(Alternative(
            f"{says} with pose {', '.join(first)}" if taken is found else says,
            {"moved_before": first} if first else {"stand": "1"},
            " ".join(f"--moved-before {pose}" for pose in first) or "--stand 1"))
    return Choice("whether the machine moved", tuple(answers), False,
                  "; ".join(map(_shown, doubtful)), unseen=False)


def _compare(imported, findings):
    """Stands that may be one, each told where it was first named."""
    stands = list(imported.stands.values())
    sources = {shot.booked.pose: shot.sources[0] for shot in imported.check + imported.shots}
    for pose, readings in (imported.readings or {}).items():
        if readings.stand:
            sources[pose] = readings.source
    complain_of_lookalikes(stands, [sources[pose].file for pose in imported.stands],
                           [sources[pose].lines[0] for pose in imported.stands], "stand", findings)
