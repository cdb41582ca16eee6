"""``calib together``: runs of one machine adjusted in one go."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import typer

from calib.cli.solve import drawn
from calib.console import talk
from calib.document.record import ResultRecord
from calib.document.together import TogetherRecord
from calib.judge.choice import Chosen, solve_as_chosen
from calib.judge.fits import FAILURES, solved
from calib.judge.gates import shares
from calib.judge.judgement import judge
from calib.judge.set_aside import NONE, SUSPECTS, SetAside, UnknownName, named, without
from calib.operations.result_files import DRAWN, number_files
from calib.report.pages.sheet import sheet_files
from calib.report.pages.together import together_sections
from calib.report.press.html import page
from calib.report.press.terminal import plain
from calib.report.record import result_document
from calib.report.together_record import Written, together_document
from calib.report.words.job import fingerprints_of
from calib.run.complaints import Complaint, InputError
from calib.run.folder import read_run
from calib.run.lock import only_writer
from calib.run.records import Run
from calib.run.result_folder import ResultPlace, replace_result, result_place
from calib.run.together_file import Several, read_several
from calib.run.write import beside, disk_trouble_told, finish_writing, write_whole
from calib.together.adjusted import Together, solve_together
from calib.together.joint import NotTogether
from calib.together.scopes import Visit
from calib.together.sharing import Sharing, sharing

#: What is said of all runs, beside a folder for each.
_OF_ALL = ("together.json", "together.html")


def together(plan: Path, out: Path | None, no_report: bool, json: bool) -> None:
    """Adjust the runs that a file names, and write a result of each."""
    out = out or plan.parent / f"{plan.stem}-together"
    found, asides = adjusted(plan)
    folders = result_folders([visit.name for visit in found.joint.visits])
    places = [result_place(out / name, problem.run.folder)
              for name, problem in zip(folders, found.joint.problems, strict=True)]
    test = _tested(found)
    # A run can pass by itself with what a machine in another state says of its own.
    shared = test.justified if test.rank else None
    judged = [_judged(found, i, aside, shared) for i, aside in enumerate(asides)]
    document = described(found, asides, test, [
        Written(None, note=own) if isinstance(own, str) else
        Written(name, tuple(g.name for g in own.verdict.gates if not g.passed))
        for name, own in zip(folders, judged, strict=True)])
    sections = together_sections(document)
    files = {"together.json": talk.json_text(document)}
    if not no_report:
        with talk.working("Drawing together.html"):
            files["together.html"] = page(
                "report.html.j2", document, "One machine, several runs",
                f"{len(asides)} runs of {plan.name}", sections, foot=fingerprints_of(
                    [(visit.name, own) for visit, own in
                     zip(found.joint.visits, judged, strict=True) if not isinstance(own, str)]))
    latest = {visit.attachment: i for i, visit in enumerate(found.joint.visits)}.values()
    results = [(place, own, i in latest and not no_report) for i, (place, own) in enumerate(
        zip(places, judged, strict=True)) if not isinstance(own, str)]
    replace_set(out, results, files)
    for place, own, to_draw in results:
        if to_draw:
            drawn(own, place, out / place.folder.name)
            write_whole(out / place.folder.name, sheet_files(own))
    talk.answer(document, plain([s for s in sections
                                 if s.name in ("verdict", "quantities", "runs")]), json)
    _next(document, plan, out)
    if not document.passed:
        raise typer.Exit(talk.GATE_FAILED)


def _read_all(plan: Path) -> tuple[Several, list[Run], list[SetAside]]:
    """The file, its runs without what is set aside, and what that is."""
    several, runs, asides, complaints = read_several(plan), [], [], []
    for i, entry in enumerate(several.entries):
        try:
            run, aside = read_run(plan.parent / entry.folder, unfinished=True), SetAside()
            if entry.set_aside == SUSPECTS:
                aside = solve_as_chosen(run, SUSPECTS).aside
            elif entry.set_aside != NONE:
                aside = named(run, entry.set_aside.split(","))
            # The file of runs says what the [job] of a run does not.
            stated = {"attachment": entry.attachment, "date": entry.day}
            job = {**{key: text for key, text in stated.items() if text}, **run.rig.job}
            run = replace(run, rig=replace(run.rig, job=job))
            runs.append(without(run, aside) if aside.names else run)
            asides.append(aside)
            talk.tell_all(f"{entry.folder}: {notice}" for notice in run.notices)
        except UnknownName as error:
            complaints.append(Complaint(
                str(plan), several.line_of.line_of(f"runs.{i}.set_aside"), "set_aside",
                str(error), "names of the run"))
        except InputError as error:
            complaints += [Complaint(f"{entry.folder}/{c.file}", c.line, c.column, c.found,
                                     c.expected) for c in error.complaints]
    if complaints:
        raise InputError(complaints)
    return several, runs, asides


def adjusted(plan: Path) -> tuple[Together, list[SetAside]]:
    """All runs that a file names in one adjustment, and what was set aside of each."""
    several, runs, asides = _read_all(plan)
    visits = [Visit(e.folder, e.attachment or run.rig.job.get("attachment", "attachment"),
                    e.day or run.rig.job.get("date", e.folder), e.remounted)
              for e, run in zip(several.entries, runs, strict=True)]
    shots = sum(len(run.shots) for run in runs)
    try:
        with talk.working(f"Solving {shots} shots of {len(runs)} runs in one go"):
            return solve_together(runs, visits, several.scopes), asides
    except NotTogether as error:
        raise InputError([
            Complaint(str(plan), several.line_of.line_of(where), where, found, expected)
            for where, found, expected in error.problems]) from None


def _tested(found: Together) -> Sharing:
    """Whether the runs share what was asked."""
    try:
        return sharing(found)
    except ValueError as error:
        raise InputError.of("shots.csv", str(error), "runs with more shots") from None


def described(found: Together, asides: list[SetAside], test: Sharing | None = None,
              written: list[Written] | None = None) -> TogetherRecord:
    """The document of together.json; `written` of the runs' own results, if there are any."""
    test = test or _tested(found)
    alone = {i: solved(problem.run) for i, problem in enumerate(found.joint.problems)}
    return together_document(found, test, alone, written or [Written(None)] * len(asides),
                             [aside.names for aside in asides])


def result_folders(names: Sequence[str]) -> list[str]:
    """The folder of each run's result: its name without what leads elsewhere, and each once.

    Examples
    --------
    >>> result_folders(["a/b", "../c", "a-b", "."])
    ['a-b', 'c', 'a-b-2', 'run']
    """
    found: list[str] = []
    for name in names:
        plain = free = "-".join(
            part for part in re.split(r"[/\\]", name) if part not in ("", ".", "..")) or "run"
        number = 1
        while free.casefold() in map(str.casefold, found):
            number += 1
            free = f"{plain}-{number}"
        found.append(free)
    return found


def _judged(found: Together, i: int, aside: SetAside, shared: bool | None) -> ResultRecord | str:
    """The result of a run with what the others say of its machine; why there is none."""
    with talk.working(f"Judging {found.joint.visits[i].name}"):
        try:
            solution = found.solution(i)
            choice = ",".join(aside.names) or NONE
            chosen = Chosen(choice, aside, (), solution, None, None)
            return result_document(chosen, judge(
                solution, out=shares(solution.run, aside), shared=shared))
        except FAILURES as error:
            return str(error)


def replace_set(out: Path, results: Sequence[tuple[ResultPlace, ResultRecord, bool]],
                files: Mapping[str, str]) -> None:
    """Write the numbers of every run, and last what is said of all.

    What was said of all before is called former until then: it tells of results that are no longer
    there. `results` are places, results, and whether a report is drawn of them next.

    Raises
    ------
    InputError
        If a place cannot be written; that before the first, everything is as it was.
    """
    new: list[str] = []
    with disk_trouble_told(out):
        out.parent.mkdir(parents=True, exist_ok=True)
        with only_writer(beside(out, "set"), out):
            finish_writing(out)
            before = {out / name: out / f"former-{name}" for name in _OF_ALL}
            moved = [(path.rename(former), path) for path, former in before.items()
                     if path.exists()]
            try:
                for place, own, drawn in results:
                    talk.tell_all(replace_result(place, number_files(own), DRAWN if drawn else ()))
                    new.append(place.folder.name)
                write_whole(out, files)
            except BaseException:
                for former, path in () if new else moved:
                    former.rename(path)
                if new:
                    talk.tell(f"In {out} only this is of the new adjustment: {', '.join(new)}")
                raise
            for former in before.values():
                former.unlink(missing_ok=True)
    others = sorted({path.parent.name for path in out.glob("*/result.json")} - {*new})
    if others:
        talk.tell(f"In {out}, but not of this adjustment: {', '.join(others)}")


def _next(document, plan, out):
    """What to do next: split what is not shared, else print what to enter."""
    talk.tell(f"The numbers are in {out}")
    # The latest, and one that passed before one that failed: what is printed is entered.
    shared = next((r.result for r in sorted(reversed(document.runs), key=lambda r: bool(r.failed))
                   if r.result is not None), None)
    talk.follow(*(("together", plan) if document.sharing.differences or shared is None else
                  ("sheet", out / shared)))
    if document.sharing.differences:
        talk.tell_all(f"To split it: {d.do}" for d in document.sharing.differences)
        talk.tell(f"Then again: {talk.command('together', plan)}")
        return
    latest = {run.attachment: run for run in document.runs}
    for attachment, run in latest.items():
        if run.result is not None and not run.failed:
            talk.tell(f"To print what to enter with {attachment}: "
                      + talk.command("sheet", out / run.result))
        elif run.result is not None:
            talk.tell(f"To see why {run.name} fails: {out / run.result / 'report.html'}")
