"""What must fit between the files of a run, once each is sound in itself."""

import numpy as np

from calib.chain.motion import PLACEMENT
from calib.chain.rig import Rig
from calib.run.complaints import Findings, lines_in_words, quote
from calib.run.copies import tell_copies
from calib.run.records import Poses, Shots, Tape

#: No machine reaches that far from the middle of its working range, m.
_REACH = 50.0


def check_together(
    rig: Rig | None,
    poses: Poses,
    shots: Shots,
    check: Shots | None,
    tape: Tape,
    findings: Findings,
    unfinished: bool = False,
) -> None:
    """Complaints and notices about rows that are sound alone but not together.

    Parameters
    ----------
    rig : Rig or None
        As it is estimated from these shots; None when rig.toml is at fault.
    shots, check : Shots
        Pose or target -1, NaN coordinates: at fault already, left out here.
    unfinished : bool
        The edge may still come, and fewer observations than unknowns are no fault yet.
    """
    if rig is not None and not unfinished:
        _check_edge(rig, shots, findings)
        _check_slew(rig, poses, shots, findings)
        _check_count(rig, poses, shots, tape, findings)
    if check is not None:
        _check_check(rig, poses, shots, check, findings)
    _check_far_shots(poses, shots, check, findings)
    files = [("shots.csv", shots), *([] if check is None else [("check.csv", check)])]
    tell_copies(np.vstack([s.position for _, s in files]),
                [name for name, s in files for _ in s.line],
                [line for _, s in files for line in s.line], findings)
    _note_unused_poses(poses, shots, check, findings)


def _check_edge(rig, shots, findings):
    edges = np.array(rig.edge_targets, int)
    # A target at fault may have been meant as an edge.
    if np.isin(shots.target, [*edges, -1]).any():
        return
    names = ", ".join(rig.target_names[i] for i in edges) or "none: the rig has no target edge_*"
    findings.complain("shots.csv", None, "target", "no shot of the cutting edge",
                      f"at least one shot of an edge target ({names})")


def _check_slew(rig, poses, shots, findings):
    """Stands in no pose of which it is known how the house is turned."""
    shot = {pose for pose in shots.pose.tolist() if pose >= 0}
    for j, reading in enumerate(rig.readings):
        if reading.kind != "slew":
            continue
        known = {poses.stand[p] for p in shot if np.isfinite(poses.sd[p, j])}
        for stand in sorted({poses.stand[p] for p in shot} - known):
            findings.complain(
                "readings.csv", None, reading.name, f"nothing in any pose of stand {stand}",
                "a value in at least one pose that is shot (0 will do: the heading of the stand is "
                "counted from it)")


def _check_count(rig, poses, shots, tape, findings):
    """Fewer observations than unknowns. Readings bring as many unknowns as observations."""
    if any(c.file in ("shots.csv", "tape.csv") and c.column is None for c in findings.complaints):
        return  # whole rows at fault: they would count
    n_free = int((~rig.held).sum())
    n_stands = len({poses.stand[p] for p in shots.pose if p >= 0})
    n_tape = sum(quantity not in rig.untold for quantity in tape.quantities)
    observations, unknowns = 3 * len(shots) + n_tape, n_free + len(PLACEMENT) * n_stands
    if observations < unknowns:
        stands = "1 stand" if n_stands == 1 else f"each of {n_stands} stands"
        findings.complain(
            "shots.csv", None, None,
            f"{observations} observations ({len(shots)} shots of 3 coordinates, "
            f"{n_tape} taped values)",
            f"at least {unknowns}, one for each unknown ({n_free} free parameters, "
            f"{len(PLACEMENT)} for {stands})",
        )


def _check_check(rig, poses, shots, check, findings):
    if rig is not None:
        _check_targets(rig, check, findings)
    line_of = dict(zip(shots.ids, shots.line, strict=True))
    used_stands = {poses.stand[p] for p in shots.pose if p >= 0}
    used_poses = set(shots.pose.tolist())
    shared = []
    for shot, pose, line in zip(check.ids, check.pose.tolist(), check.line, strict=True):
        if shot and shot in line_of:
            findings.complain("check.csv", line, "shot",
                              f"{quote(shot)}, also in shots.csv line {line_of[shot]}",
                              "a check shot that is not in the solve")
        if pose < 0:
            continue
        if poses.stand[pose] and poses.stand[pose] not in used_stands:
            findings.complain("check.csv", line, "pose",
                              f"{quote(poses.ids[pose])} on stand {quote(poses.stand[pose])}",
                              "a pose on a stand that shots.csv has shots of (else the place of "
                              "the stand is unknown)")
        if pose in used_poses:
            shared.append(line)
    if shared:
        findings.note("check.csv", "not fully independent: shots of poses that shots.csv has too "
                      f"({lines_in_words(shared)}) share their readings", shared[0])


def _check_targets(rig, check, findings):
    for target, line in zip(check.target.tolist(), check.line, strict=True):
        if target >= 0 and rig.unplaced[target]:
            findings.complain("check.csv", line, "target", quote(rig.target_names[target]),
                              "a target that shots.csv has shots of (else where it is on the "
                              "machine is unknown), or its parameters under hold in rig.toml")


def _note_unused_poses(poses, shots, check, findings):
    used = set(shots.pose.tolist()) | set([] if check is None else check.pose.tolist())
    lines = [line for i, line in enumerate(poses.line) if i not in used]
    if lines:
        findings.note("readings.csv", f"poses without shots, not used: {lines_in_words(lines)}",
                      lines[0])


def _check_far_shots(poses, shots, check, findings):
    """Shots that no machine on their stand can have reached."""
    stand_of = np.array(poses.stand)
    sound = (shots.pose >= 0) & np.isfinite(shots.position).all(axis=1)
    for stand in dict.fromkeys(stand_of[shots.pose[sound]].tolist()):
        middle = np.median(shots.position[sound & (stand_of[shots.pose] == stand)], axis=0)
        for file, some in (("shots.csv", shots), ("check.csv", check)):
            if some is None:
                continue
            distance = np.linalg.norm(some.position - middle, axis=1)  # NaN is never far
            here = (some.pose >= 0) & (stand_of[some.pose] == stand)
            beyond = np.flatnonzero(here & (distance > _REACH))
            if len(beyond) > max(3, here.sum() // 2):
                findings.complain(
                    file, None, None,
                    f"{len(beyond)} of the {here.sum()} shots of stand {quote(stand)} up to "
                    f"{distance[beyond].max():,.0f} m from their middle",
                    f"at most {_REACH:.0f} m: coordinates in metres (are these mm or feet?)",
                )
                continue
            for row in beyond:
                findings.complain(
                    file, some.line[row], None,
                    f"a point {distance[row]:,.0f} m from the middle of the shots of stand "
                    f"{quote(stand)}",
                    f"at most {_REACH:.0f} m (columns swapped, another unit, or a new stand?)",
                )
