"""``calib import``: exported field files in, a run folder out."""

from pathlib import Path
from typing import Any

import typer

from calib.cli import talk
from calib.cli.import_options import Options, signature, stated
from calib.report.words.cautions import CAUTIONS


def import_points(**given: Any) -> None:
    """Make a run folder from field files as they were exported.

    Say once what they are: unit, frame, pole, order, ids. A profile keeps that for the next time.

    Nothing is guessed silently: what was understood is printed, and sources.csv in the run folder
    says where each number came from.

    \b
    Example:
    calib import job.txt --into RUN --order PNEZD --unit m --frame ground --pole applied
      --ids "{pose}-{target}" --target left=edge_left --target right=edge_right --sheet readings.csv
    """
    from calib.intake.gather import gather_import
    from calib.run.complaints import Findings

    options = Options(**given)
    request, findings = _request(options), Findings()
    try:
        with talk.working("Reading the field files"):
            imported = gather_import(request, findings)
    finally:
        talk.tell_all(findings.notices)
    _show_and_write(options, request.declared, imported, findings)


import_points.__signature__ = signature()  # type: ignore[attr-defined]


def _request(options):
    """What the options ask for; wrong usage where they do not go together."""
    from calib.intake.gather import Request

    declared = _declared(stated(options), options.profile)
    if options.log is not None and options.sheet is not None:
        raise typer.BadParameter("readings come from --log or from --sheet, not from both")
    if options.track is not None and (declared.log.clock_offset != "estimate" or declared.angles):
        raise typer.BadParameter("--track goes with --clock-offset estimate, and with point files")
    return Request(
        points=tuple(options.points), into=options.into, declared=declared,
        check=tuple(options.check or ()), booking=options.booking, sheet=options.sheet,
        log=options.log, track=options.track, known=options.known, setups=options.setups,
        replace=options.replace, cautions=CAUTIONS)


def _declared(given, profile):
    """What was declared; wrong usage if it does not hold together or lacks something."""
    from calib.intake.declaration import DeclarationError, declare, read_profile

    base = None if profile is None else read_profile(profile.read_bytes(), profile.name)
    try:
        declared = declare(given, base)
    except DeclarationError as error:
        raise typer.BadParameter("; ".join(error.problems)) from None
    lacking = declared.lacks()
    if lacking:
        raise typer.BadParameter(
            "some things must be said first:\n"
            + "\n".join(f"- {sentence}" for sentence in lacking))
    return declared


def _show_and_write(options, declared, imported, findings):
    """Print what was understood; write the run folder, or for a dry run its plan view."""
    from calib.intake.declaration import profile_toml
    from calib.intake.preview import document, plan_png, preview
    from calib.run.write import write_whole

    if options.json:
        talk.result_json(document(imported, findings.notices))
    else:
        talk.result(preview(imported))
    if options.dry_run:
        picture = options.plan or Path("import_plan.png")
        write_whole(picture.parent, {picture.name: plan_png(imported)})
        talk.tell(f"Dry run: no run folder written. Plan view: {picture}")
    else:
        into = options.into
        write_whole(into, imported.files())
        talk.tell(f"Run folder {into} written; where each number came from: "
                  f"{into / 'sources.csv'}")
    if options.save_profile is not None:
        kept = options.save_profile
        write_whole(kept.parent, {kept.name: profile_toml(declared)})
        talk.tell(f"Profile kept in {kept}")
