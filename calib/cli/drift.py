"""``calib drift``: what has moved between two results of the same rig."""

from pathlib import Path

import typer

from calib.cli.onward import follow_on
from calib.cli.together import adjusted, described
from calib.cli.told import tell_found
from calib.console import talk
from calib.judge.drift import NotComparable
from calib.judge.drift import drift as find_drift
from calib.report.pages.drifted import drift_document, drift_sections, wrong_way_round
from calib.report.pages.together import drifted_sections
from calib.report.words.job import fingerprints_of, lines_of
from calib.results import load_result
from calib.run.complaints import InputError


def drift(old: Path, new: Path | None, out: Path | None, json: bool) -> None:
    """Say what has moved between two results, or in many runs."""
    if new is None:
        return _of_many(old, out, json)
    results = load_result(old), load_result(new)
    older, newer = (result.survey for result in results)
    try:
        found = find_drift(older, newer)
    except (NotComparable, ValueError) as error:
        talk.follow("compare", old, new)
        raise InputError.of(new, str(error),
                            "two results of one rig from different shots") from None
    document = drift_document(older, newer, found)
    named = [(name, result.document) for name, result in zip(
        ("Older", "Newer"), results, strict=True)]
    jobs = lines_of(named)
    talk.tell_all(f"{name}: {line}" for name, line in jobs)
    tell_found("drift", document, drift_sections(document), "Re-check of a machine",
               f"{old} and {new}", out, json, foot=fingerprints_of(named), job=jobs)
    if wrong_way_round(older, newer):
        talk.follow("drift", new, old)
    elif document.passed:
        follow_on(results[1].document, new)
    else:
        talk.follow("compare", old, new)
    if not document.passed:
        raise typer.Exit(talk.GATE_FAILED)


def _of_many(plan, out, json):
    """Of all runs that a file names, from one adjustment."""
    if plan.suffix != ".toml":
        raise typer.BadParameter("two results, or one PLAN.toml that names runs")
    document = described(*adjusted(plan))
    tell_found("drift", document, drifted_sections(document), "Re-checks of a machine", plan.name,
               out, json, contents=True)
    talk.follow("together", plan)
    if not document.passed:
        raise typer.Exit(talk.GATE_FAILED)
