"""The file that a collector writes to while the run is made: its points become shots as they come.

A point whose name says pose and target is booked by that. Any other is of the pose the machine is
in: the target that is predicted there, or the next to shoot; one that was shot and did not fit only
where it was shot. Else it waits until somebody says what it is, or the machine is where it fits.
Nothing of the collector's file is ever changed.
"""

import contextlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.ids import IdPattern
from calib.intake.files.points import Points, read_points, to_site
from calib.intake.matching.conversion import scale_point
from calib.intake.proposal.propose import begun_run, propose
from calib.report.words.cautions import CAUTIONS
from calib.run.complaints import Complaint, Findings, InputError
from calib.run.rig_file import AXES
from calib.run.text import ordinary, whole_lines
from calib.yard.field_files import kept_declaration
from calib.yard.notebook import Notebook, free_name
from calib.yard.progress import NEAR

#: What is left open about a file of which only points are wanted: who is what is told by the page.
_NAMING = {"ids", "pose", "target", "others", "booking"}

_LARGEST = 50_000_000


Which = Callable[[Sequence[str], np.ndarray], str | None]


@dataclass(frozen=True)
class Arrived:
    """A point that is no shot yet."""

    name: str
    cells: dict[str, str]  #: Its coordinates and sds as shots.csv takes them.
    #: The pose that the machine was in then; None before the first one, "" if nobody knows.
    came_in: str | None


@dataclass
class Collector:
    """Follows one file."""

    path: Path
    notebook: Notebook
    #: Whether the file was there before the page: nobody knows of which poses its points are.
    begun: bool = False
    waiting: tuple[Arrived, ...] = ()  #: Points that nobody knows the pose or target of.
    trouble: tuple[str, ...] = ()  #: Why the file is not read.
    added: int = 0  #: Shots that came of it at the last look that read it.
    _stamp: tuple[int, int] | None = None
    _old: set[str] = field(default_factory=set)

    def look(self, at: str | None, left: tuple[str, ...], lies_at: Which = lambda *_: None
             ) -> bool:
        """Read what came in since the last look; True if anything is different.

        Parameters
        ----------
        at : str or None
            The pose that the machine is in.
        left : tuple of str
            Targets that are still to be shot in it, in order.
        lies_at : callable, optional
            ``lies_at(targets, place)`` says which of some targets is predicted at a place (3,), m.
        """
        try:
            status = os.stat(ordinary(self.path))
        except OSError:
            return False
        stamp = (status.st_mtime_ns, status.st_size)
        if stamp == self._stamp and not (self.waiting and left):
            return False
        before = (self.waiting, self.trouble)
        try:
            self._stamp = stamp
            self.trouble, self.added = (), self._take_in(at, list(left), lies_at)
        except InputError as error:
            self.trouble, self.added = tuple(str(c) for c in error.complaints), 0
        except OSError as error:  # taken away since, or on a stick that was pulled
            self._stamp, self.added = None, 0
            self.trouble = (f"{self.path.name}: {error.strerror or error}",)
        return bool(self.added) or (self.waiting, self.trouble) != before

    def look_anew(self) -> None:
        """Read the file at the next look, whether it grew or not."""
        self._stamp = None

    def settle(self, name: str, pose: str, target: str, instead: tuple[str, ...] = ()) -> None:
        """Note a waiting point as a shot; without a pose: as no shot of the run.

        Parameters
        ----------
        instead : tuple of str
            Shots that it replaces.

        Raises
        ------
        InputError
            If no such point waits, or it cannot be noted.
        """
        one = next((w for w in self.waiting if w.name == name), None)
        if one is None:
            raise InputError.of(self.path.name, name, "one that waits", column="point")
        if pose:
            free = free_name(name, {s["shot"] for s in self.notebook.shots()} - set(instead))
            self.notebook.add_shots(
                [{"shot": free, "pose": pose, "target": target, **one.cells}], instead)
        else:
            self._old.add(name)
            self.notebook.note(lambda notes: replace(
                notes, taken_out=(*notes.taken_out, {"shot": name, **one.cells})))
        self.waiting = tuple(w for w in self.waiting if w.name != name)

    def _take_in(self, at, left, lies_at):
        """Note the new points; how many."""
        points, declared = self._read()
        if points is None:
            return 0
        rig, poses = self.notebook.rig(), {row["pose"] for row in self.notebook.poses()}
        pattern = None if declared.ids is None else IdPattern(declared.ids, declared.targets)
        position = to_site(points.position, declared, scale_point(points.position, declared))
        known = self.notebook.shots()
        there = _places([*known, *self.notebook.notes().taken_out])
        came = {one.name: one.came_in for one in self.waiting}
        if self.begun:
            self.begun, self._old = False, set(points.ids)
        added, waiting = 0, []
        for i, name in enumerate(points.ids):
            # The same coordinates are the same point, whatever it was named.
            if (np.abs(there - position[i]).max(axis=1) < 6e-5).any():
                continue
            there, cells = np.vstack([there, position[i]]), _cells(position[i],
                                                                   points.covariance[i])
            came_in = "" if name in self._old else came.get(name, at)
            pose, target = _booked(points, i, pattern, declared)
            if pose not in poses or target not in rig.target_names:
                pose, target = at, lies_at(left, position[i])
                if target is None and came_in in (None, at):
                    target = _next(at, left, position[i], known)
            if pose is None or target is None:
                waiting.append(Arrived(name, cells, came_in))
                continue
            if pose == at and target in left:
                left.remove(target)
            shot = {"shot": free_name(name, {one["shot"] for one in known}), "pose": pose,
                    "target": target, **cells}
            self.notebook.add_shots([shot])
            known = [*known, shot]
            added += 1
        self.waiting = tuple(waiting)
        return added

    def _read(self) -> tuple[Points | None, Declaration]:
        """The points of the whole lines that there are, and how they are read."""
        declared, findings = self._declared(), Findings()
        data = self.path.read_bytes() if os.stat(self.path).st_size <= _LARGEST else b""
        # A line that is still being written is not there yet.
        whole = data if data.rstrip().endswith(b">") else whole_lines(data)
        if not whole.strip() or len(whole.strip().splitlines()) < 2:
            return None, declared
        points = read_points(whole, self.path.name, declared, findings)
        findings.stop_if_at_fault()
        return points, declared

    def _declared(self):
        """As an earlier import settled it, or as the file leaves no doubt about it.

        Raises
        ------
        InputError
            With what is doubtful.
        """
        kept = kept_declaration(self.notebook.folder)
        if not kept.lacks() and not kept.angles:
            return kept
        rig, width = begun_run(self.notebook.folder, CAUTIONS)
        proposal = propose([self.path], rig, kept, {self.path: "points"}, width)
        doubts = [choice for choice in proposal.doubtful if _NAMING.isdisjoint(
            [choice.typed.split(".")[0], *(k for a in choice.alternatives for k in a.declares)])]
        if proposal.declared.angles:
            raise InputError.of(self.path.name, "angles and distances",
                                "coordinates while the run is "
                                "made (import the raw observations at the desk)")
        if doubts or proposal.declared.lacks():
            says = [f"{c.about} ({c.why})" for c in doubts] or proposal.declared.lacks()
            raise InputError([Complaint(
                self.path.name, None, None, f"no certainty about {one}",
                "an import of this file at the desk, once: what is answered there is kept")
                for one in says])
        return proposal.declared


def _booked(points, i, pattern, declared):
    """Pose and target as the point itself says; None where it does not."""
    if points.pose[i] and points.target[i]:
        return points.pose[i], declared.targets.get(points.target[i], points.target[i])
    if pattern is not None:
        named = points.description if declared.ids_in == "description" else points.ids
        if (way := pattern.only(named[i])) is not None:
            return way.pose, way.target
    return None, None


def _next(at, left, place, known):
    """The next target to shoot that this may be; None if there is none."""
    fresh = []
    for target in left:
        before = _places([row for row in known if (row["pose"], row["target"]) == (at, target)])
        if (np.linalg.norm(before - place, axis=1) < NEAR).any():
            return target
        if not len(before):
            fresh.append(target)
    return fresh[0] if fresh else None


def _cells(position, covariance) -> dict[str, str]:
    cells = {axis: f"{value:.4f}" for axis, value in zip(AXES, position, strict=True)}
    if np.isfinite(covariance).all():
        cells |= {f"sd_{axis}": f"{np.sqrt(covariance[k, k]):.5f}" for k, axis in enumerate(AXES)}
    return cells


def _places(rows: Sequence[Mapping[str, str]]) -> np.ndarray:
    """Coordinates of the rows that have them, shape (n, 3), m."""
    found = []
    for row in rows:
        with contextlib.suppress(KeyError, ValueError):  # a row at fault is told elsewhere
            found.append([float(row[axis]) for axis in AXES])
    return np.array(found).reshape(-1, 3)

