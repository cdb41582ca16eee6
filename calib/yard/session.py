"""A run that is being made: its files watched, its state kept."""

import threading
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calib.adjust.distributions import TIMES_SD
from calib.calibration import Solution
from calib.chain.rig import Rig
from calib.document.planned import PlanRecord
from calib.edge import envelope_edge
from calib.plan.candidates import NoPose
from calib.plan.further import further_poses, task_so_far
from calib.plan.task import prepare
from calib.report.next_words import next_document
from calib.report.words.yard import FAULT
from calib.run.complaints import InputError
from calib.run.folder import READINGS, SHOTS, read_run
from calib.run.text import ordinary, parse_json
from calib.yard.agenda import Agenda, Proposed, agenda_of, expected_edge
from calib.yard.collector import Arrived, Collector
from calib.yard.field_files import FieldFiles
from calib.yard.logged import Sensors
from calib.yard.notebook import Notebook, Notes
from calib.yard.progress import Progress, nearest, progress_of

#: Seconds from look to look at the files.
EVERY = 0.2

#: Seconds until it looks again after a fault of the program.
_AFTER_A_FAULT = 5.0

#: The edge after so many poses is foretold.
AHEAD = 3


@dataclass(frozen=True)
class State:
    """All that the page shows."""

    version: int  #: Grows with every change.
    rig: Rig  #: As it was last while its file is at fault.
    progress: Progress | None  #: None before the first shot, and while a file is at fault.
    trouble: tuple[str, ...]  #: Complaints about the files.
    planned: tuple[Proposed, ...]
    agenda: Agenda
    later: float | None  #: The edge at 95 % after the next poses, m.
    ahead: int  #: After how many.
    notes: Notes
    poses: tuple[dict[str, str], ...]  #: The rows of readings.csv.
    #: Points of collectors' files that nobody knows the pose or target of.
    waiting: tuple[Arrived, ...] = ()
    collector_trouble: tuple[str, ...] = ()  #: Why such a file is not read.

    @property
    def undecided(self) -> tuple[str, ...]:
        """What does not fit and is neither set aside nor kept, as it is named to set it aside."""
        if self.progress is None:
            return ()
        return (*(f.shot for f in self.progress.fits
                  if f.fits is False and not f.aside and f.shot not in self.notes.accepted),
                *(s.name for s in self.progress.suspects if s.kind not in ("shot", "pose")))

    @property
    def enough(self) -> bool:
        """The edge is known as well as it must be, by what fits."""
        return self.progress is not None and self.progress.enough

    @property
    def onward(self) -> str:
        """The command that goes on from here."""
        if self.progress is None or self.progress.edge95 is None:
            return "yard"
        return "diagnose" if self.undecided else "solve" if self.enough else "yard"


class Session:
    """The state of one run folder for as long as the page is served."""

    def __init__(self, folder: Path, collected: Path | None = None, log: Path | None = None):
        """`collected` is the file that a collector writes to, `log` that of the sensors."""
        self.notebook = Notebook(folder)
        self.sensors = None if log is None else Sensors(log)
        self.collectors = [] if collected is None else [
            Collector(collected, self.notebook, begun=collected.is_file())]
        self.files = FieldFiles(folder)
        self._working = threading.Lock()
        self._stamp: object = None
        self._near: Solution | None = None
        self._stop = threading.Event()
        self._advised: tuple[Proposed, ...] = ()
        self._asked: object = None
        self._advising = False
        self._rig = self.notebook.rig()
        self._state = self._looked(0)

    def state(self) -> State:
        """As it was at the last look."""
        return self._state

    def start(self) -> None:
        """Look at the files from now on, in a thread of its own."""
        threading.Thread(target=self._watch, name="watch", daemon=True).start()

    def stop(self) -> None:
        """End the thread."""
        self._stop.set()

    def look(self) -> State:
        """Look at the files now."""
        with self._working:
            came = [self._points_of(one) for one in self.collectors]
            if any(came) or self._stamp_now() != self._stamp:
                self._state = self._looked(self._state.version + 1)
        return self._state

    def refresh(self) -> None:
        """Look anew whatever the files say."""
        with self._working:
            self._stamp = None
            for one in self.collectors:
                one.look_anew()

    def follow(self, path: Path) -> Collector:
        """Take in the points of one more file, and what it grows by."""
        with self._working:
            one = next((c for c in self.collectors if c.path == path), None)
            if one is None:
                one = Collector(path, self.notebook)
                self.collectors.append(one)
            self._points_of(one)
            self._stamp = None
        return one

    def leave(self, one: Collector) -> None:
        """Follow a file no longer."""
        with self._working:
            self.collectors.remove(one)

    def _points_of(self, one):
        """Let a collector look; True if anything is different."""
        agenda, progress = self._state.agenda, self._state.progress
        return one.look(agenda.at, agenda.left, lambda targets, place: nearest(
            progress, str(agenda.at), targets, place))

    def settle(self, name: str, *said: Any) -> None:
        """Say what a waiting point is, as `Collector.settle` takes it."""
        with self._working:
            holds = (c for c in self.collectors if any(w.name == name for w in c.waiting))
            one = next(holds, None)
            if one is None:
                raise InputError.of("points", name, "a point that waits")
            one.settle(name, *said)
            self._stamp = None

    def weigh(self, names: Sequence[str]) -> tuple[Progress, float | None]:
        """The run with these set aside; and how far the edge moves by it at most, m."""
        run = read_run(self.notebook.folder, unfinished=True)
        now = self._state.progress
        then = progress_of(run, tuple(names), self._near)
        if now is None or now.clean is None or then.clean is None:
            return then, None
        nodes = envelope_edge(now.clean.rig, now.clean.parameters)
        return then, nodes.worst_error(then.clean.parameters, then.clean.rig)

    def _watch(self):
        while not self._stop.wait(EVERY):
            try:
                self.look()
            except Exception as error:  # told, and looked again: the page must go on
                traceback.print_exception(error)
                self._state = replace(self._state, version=self._state.version + 1,
                                      trouble=(FAULT,))
                self._stop.wait(_AFTER_A_FAULT)

    def _stamp_now(self):
        """What changes when a file of the run, or the plan, does."""
        folder, found = self.notebook.folder, []
        for path in (*sorted(folder.glob("*.csv")), *sorted(folder.glob("*.toml")),
                     *sorted(folder.glob("*.json")), plan_file(folder)):
            try:
                status = path.stat()
            except OSError:
                continue
            found.append((path.name, status.st_mtime_ns, status.st_size, status.st_ino))
        return tuple(found)

    def _looked(self, version):
        self._stamp = self._stamp_now()
        notes, trouble = self.notebook.notes(), self.notebook.damaged()
        run = None
        try:
            self._rig = self.notebook.rig()
            run = read_run(self.notebook.folder, unfinished=True)
        except InputError as error:
            trouble += _trouble(error)
        progress = None if run is None else progress_of(run, notes.set_aside, self._near)
        if progress is not None and progress.clean is not None:
            self._near = progress.clean
        planned = self._advised
        try:
            planned = (*planned_poses(self.notebook.folder), *planned)
        except InputError as error:
            trouble += _trouble(error)
        rig, poses = self._rig, _poses(self.notebook)
        shot = () if progress is None else tuple((f.pose, f.target) for f in progress.fits
                                                 if not f.aside and (f.fits is not False
                                                                     or f.shot in notes.accepted))
        per_shot = {t.name: rig.effort.of_shot(t) for t in rig.targets}
        agenda = agenda_of(planned, [row["pose"] for row in poses], shot, notes.skipped, per_shot)
        if progress is not None and not agenda.to_come and not agenda.left:
            self._ask_advice(progress)
        following = agenda.to_come[:AHEAD]
        return State(
            version, rig, progress, trouble, planned, agenda,
            expected_edge(progress.problem, progress.unknowns, following)
            if progress is not None and following else None,
            len(following), notes, poses,
            tuple(w for one in self.collectors for w in one.waiting),
            tuple(t for one in self.collectors for t in one.trouble))

    def _ask_advice(self, progress):
        """Look for the best poses to add, beside everything else: it takes a second or two."""
        key = (progress.run.shots.ids, progress.aside.names)
        if key == self._asked or progress.enough or self._advising:
            return
        self._asked, self._advising = key, True

        def advise():
            try:
                self._advised = best_next(progress)
            finally:
                # The run may have gone on meanwhile: the next look asks again.
                self._advising = False
                self.refresh()

        threading.Thread(target=advise, name="advice", daemon=True).start()


def _poses(notebook):
    """Rows of readings.csv; none where they cannot be read: that is told as a complaint."""
    try:
        return notebook.poses()
    except InputError:
        return ()


def _trouble(error):
    """Complaints, without those that only say that nothing was noted yet."""
    return tuple(str(c) for c in error.complaints
                 if not ((c.file in (SHOTS, READINGS) and "no rows yet" in c.found)
                         or "no such file" in c.found))


def plan_file(folder: Path) -> Path:
    """Where ``calib plan`` puts the plan of a run."""
    return folder / "plan" / "plan.json"


def planned_poses(folder: Path) -> tuple[Proposed, ...]:
    """The poses of the run's plan; none if there is no plan.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        plan = PlanRecord.model_validate(parse_json(ordinary(plan_file(folder)).read_bytes()))
        driven = tuple(reading.name for reading in plan.readings if reading.driven)
        return tuple(Proposed.like(
            pose, driven=driven,
            minutes=plan.minutes.per_pose + (pose.drive_seconds or 0.0) / 60
            + sum(plan.minutes.per_shot[target] for target in pose.shoot)) for pose in plan.poses)
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, KeyError):
        raise InputError.of("plan/plan.json", "a damaged file", "the plan as calib plan wrote it "
                            "(calib plan makes it anew)") from None


def best_next(progress: Progress) -> tuple[Proposed, ...]:
    """The poses that are worth most now, as ``calib next`` proposes them; none if there is none."""
    problem, unknowns = progress.problem, progress.unknowns
    task = task_so_far(problem, unknowns)
    try:
        further = further_poses(prepare(task), problem, unknowns, AHEAD, None,
                                progress.required / TIMES_SD)
    except NoPose:
        return ()
    told = next_document(further, task, problem, progress.unsolved, progress.aside.names,
                         progress.required, True)
    return tuple(Proposed.like(pose, stand=told.stand, driven=tuple(told.driven), tolerance={})
                 for pose in told.poses)


def now_text() -> str:
    """The moment, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def minutes_since(moment: str | None) -> float | None:
    """Minutes from an ISO moment to now."""
    if moment is None:
        return None
    try:
        return max(0.0, (datetime.now(UTC) - datetime.fromisoformat(moment)).total_seconds() / 60)
    except (ValueError, TypeError):
        return None

