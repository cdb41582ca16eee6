"""Imported shots: what each is, where its numbers came from, and what becomes of repeats."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.distance import pdist

from calib.intake.choices import Alternative, Choice
from calib.intake.files.ids import Booked
from calib.intake.geometry.pooling import pool
from calib.run.complaints import Findings, quote
from calib.run.copies import complain_of_lookalikes, tell_copies


@dataclass(frozen=True)
class Source:
    """Where the numbers of one row came from."""

    file: str
    lines: tuple[int, ...]
    sha256: str
    raw: str  #: The row as it stands in the file.
    conversion: str  #: What was done to it.


@dataclass(frozen=True)
class FieldShot:
    """One shot on its way into shots.csv."""

    name: str  #: The point's id in the file.
    booked: Booked
    position: np.ndarray  #: Shape (3,). Site frame, m.
    covariance: np.ndarray  #: Shape (3, 3), m^2; NaN: as rig.toml says.
    seconds: float  #: When it was taken; NaN: not known.
    setup: str  #: "" unless it comes from raw observations.
    sources: tuple[Source, ...]  #: More than one if pooled.

    @property
    def file(self) -> str:
        """For messages, where it stands first."""
        return self.sources[0].file

    @property
    def line(self) -> int:
        return self.sources[0].lines[0]

    @property
    def place(self) -> str:
        return f"{self.file} line {self.line}"


_ELSEWHERE = 5.0
"""Shots of one target so far apart, m, are no re-shots."""


def settle_repeats(
    shots: list[FieldShot], policy: str, default_sd: np.ndarray | None, findings: Findings
) -> list[FieldShot]:
    """Deal with shots to one target in one pose from one set-up, and make the ids unique.

    Parameters
    ----------
    policy : {"refuse", "pool", "keep", "last"}
    default_sd : ndarray, shape (3,), or None
        Of shots that bring no covariance, m.
    """
    settled = []
    for group in _groups(_without_copies(shots, findings)):
        if len(group) == 1 or policy == "keep":
            settled += group
            continue
        what, first, last = _what(group), group[0], group[-1]
        if policy == "refuse":
            findings.complain(
                last.file, last.line, "point",
                f"{len(group)} shots of {what}, {_apart(group) * 1000:.1f} mm apart (first: "
                f"{first.place})",
                "one shot per target and pose; or --repeats pool (mean, with a test of the "
                "scatter), keep (each counts) or last (a re-shot replaces)"
                if _apart(group) < _ELSEWHERE else "a name of its own for each pose (do their "
                "numbers begin anew where the machine stood elsewhere?)")
        elif policy == "last":
            findings.note(last.file, f"{what}: {quote(last.name)} replaces " + ", ".join(
                f"{quote(s.name)} ({s.place})" for s in group[:-1]), last.line)
            settled.append(last)
        else:
            settled.append(_pooled(group, what, default_sd, findings))
    return _unique(settled, findings)


def _without_copies(shots, findings):
    """Rows that are there twice, to the last letter, taken once: they say nothing new."""
    first: dict[tuple, FieldShot] = {}
    for shot in shots:
        before = first.setdefault((shot.booked, shot.name, shot.sources[0].raw), shot)
        if before is not shot:
            findings.note(shot.file, f"the same row as in {before.place}, to the last letter: "
                          "taken once", shot.line)
    return [*first.values()]


def _groups(shots):
    """Shots to one target in one pose from one set-up, in the order of the first."""
    groups: dict[tuple[str, str, str], list[FieldShot]] = {}
    for shot in shots:
        key = (shot.booked.pose, shot.booked.target, shot.setup)
        groups.setdefault(key, []).append(shot)
    return groups.values()


def _what(group):
    return f"pose {quote(group[0].booked.pose)}, target {quote(group[0].booked.target)}"


def _apart(group):
    """The farthest that two shots lie apart, m."""
    return pdist(np.array([shot.position for shot in group])).max()


def repeats_choice(lists: list[list[FieldShot]], default_sd: np.ndarray | None) -> Choice:
    """What is to become of targets that were shot several times in a pose.

    Only of those that agree to their sds a mean is offered, and proposed; which of others is right
    no file tells.
    """
    unlike, far = Findings(), []
    groups = [group for shots in lists for group in _groups(shots) if len(group) > 1]
    for group in groups:
        _pooled(group, "", default_sd, unlike)
        far.append((_apart(group), f"{_what(group)}: {', '.join(s.place for s in group)}, "
                    f"{_apart(group) * 1000:.1f} mm apart"))
    says = {"pool": "the mean: they agree to their sds",
            "last": "the last counts: the first was bad", "keep": "each counts"}
    if unlike.complaints:
        del says["pool"]
    if max(far)[0] > _ELSEWHERE:
        return Choice("what pose is what", why=f"{max(far)[1]}: do the numbers of poses begin anew "
                      "where the machine stood elsewhere? A name of its own for each pose")
    return Choice(
        f"which shots count of {len(groups)} target(s) shot again in their pose", tuple(
            Alternative(text, {"repeats": policy}, f"--repeats {policy}")
            for policy, text in says.items()), False,
        f"a re-shot, or a name typed wrongly or twice; {max(far)[1]}", unseen=False,
        option="--repeats WHICH" if unlike.complaints else "")


def _pooled(group, what, default_sd, findings):
    """The mean of a group; a complaint if its scatter is beyond the stated sds."""
    covariance = np.array([shot.covariance for shot in group])
    if default_sd is not None:
        covariance[np.isnan(covariance).any(axis=(1, 2))] = np.diag(np.asarray(default_sd) ** 2)
    last = group[-1]
    if np.isnan(covariance).any():
        findings.complain(last.file, last.line, None, f"repeats of {what} without sds",
                          "standard deviations to pool with: in the file, or in the run folder's "
                          "rig.toml under [shots]")
        return group[0]
    pooled = pool(np.array([shot.position for shot in group]), covariance)
    if not pooled.agrees:
        findings.complain(
            last.file, last.line, None,
            f"{len(group)} shots of {what} that lie up to {pooled.spread * 1000:.1f} mm from "
            f"their mean ({', '.join(shot.place for shot in group)}; chi-square "
            f"{pooled.chi2:.1f}, dof {pooled.dof})",
            f"a scatter as the stated sds allow (chi-square below {pooled.limit:.1f}); leave the "
            "bad one out, or --repeats last")
    else:
        findings.note(last.file, f"{what}: mean of {len(group)} shots, scatter as stated "
                      f"(chi-square {pooled.chi2:.1f}, limit {pooled.limit:.1f})", last.line)
    return replace(
        group[0], position=pooled.position, covariance=pooled.covariance,
        sources=tuple(s for shot in group for s in shot.sources))


def _unique(shots, findings):
    """Ids of shots must differ: the second "12" becomes "12#2", with a notice."""
    used, out = set(), []
    for shot in shots:
        name, count = shot.name, 1
        while name in used:
            count += 1
            name = f"{shot.name}#{count}"
        used.add(name)
        if name != shot.name:
            findings.note(shot.file, f"point {quote(shot.name)} again: called {quote(name)}",
                          shot.line)
            shot = replace(shot, name=name)
        out.append(shot)
    return out


def note_outlying(shots: list[FieldShot], findings: Findings, reach: float = 50.0) -> None:
    """Say which shots lie farther from the middle of all than a machine reaches."""
    if len(shots) < 3:
        return
    position = np.array([shot.position for shot in shots])
    distance = np.linalg.norm(position - np.median(position, axis=0), axis=1)
    for shot, away in zip(shots, distance, strict=True):
        if away > reach:
            findings.note(shot.file, f"{quote(shot.name)} lies {away:.0f} m from the middle of "
                          "all shots: swapped columns, another unit?", shot.line)


def tell_copied_shots(shots: list[FieldShot], findings: Findings) -> None:
    """Complain of shots that are copies of others (`calib.run.copies`), and of poses whose ids look
    alike."""
    if not shots:
        return
    file, line = [shot.file for shot in shots], [shot.line for shot in shots]
    tell_copies(np.array([shot.position for shot in shots]), file, line, findings)
    complain_of_lookalikes([shot.booked.pose for shot in shots], file, line, "pose", findings)


def stands_of(
    shots: list[FieldShot], declared: str | None, findings: Findings
) -> dict[str, str]:
    """The stand of every pose that the shots name; "" where they do not say."""
    stands: dict[str, str] = {}
    for shot in shots:
        said = shot.booked.stand or declared or ""
        pose = shot.booked.pose
        if stands.setdefault(pose, said) != said:
            findings.complain(shot.file, shot.line, None,
                              f"pose {quote(pose)} on stand {quote(said)}",
                              f"stand {quote(stands[pose])} as for its other shots")
    return stands
