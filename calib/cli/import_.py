"""``calib import``: exported field files in, a run folder out."""

from pathlib import Path
from typing import Annotated

import typer

from calib.cli import talk
from calib.report.words.cautions import CAUTIONS

_LAYOUT, _COORDINATES, _IDS, _RAW, _READINGS, _OUTPUT = (
    "How files are written", "What coordinates mean", "Which point is what",
    "Raw observations", "Readings", "Output",
)


def _option(group, *names, help):
    return typer.Option(*names, help=help, rich_help_panel=group, show_default=False)


def import_points(
    points: Annotated[list[Path], typer.Argument(
        help="Files as exported: delimited text, LandXML, or raw observations (--angles).")],
    into: Annotated[Path, _option(_OUTPUT, "--into", help="The run folder; made if need be.")],
    order: Annotated[str | None, _option(
        _LAYOUT, "--order", help="Columns: PNEZD, PENZD or the like (P point, Z height, D "
        "description), or names with commas. Not needed where a header names them.")] = None,
    delimiter: Annotated[str | None, _option(
        _LAYOUT, "--delimiter", help="comma, semicolon, tab or space; detected if not said.")]
    = None,
    decimal: Annotated[str | None, _option(
        _LAYOUT, "--decimal", help="point or comma; goes with --delimiter.")] = None,
    unit: Annotated[str | None, _option(
        _LAYOUT, "--unit", help="m, mm, ft-int (0.3048 m) or ft-us (1200/3937 m). Needed.")] = None,
    frame: Annotated[str | None, _option(
        _COORDINATES, "--frame", help="ground, grid or geographic. Needed.")] = None,
    factor: Annotated[float | None, _option(
        _COORDINATES, "--factor", help="Combined scale factor of the grid, such as 0.99962.")]
    = None,
    about: Annotated[str | None, _option(
        _COORDINATES, "--about", help="EAST,NORTH (m) of the point that keeps its grid "
        "coordinates; the middle of the points if not said.")] = None,
    origin: Annotated[str | None, _option(
        _COORDINATES, "--origin", help="LATITUDE,LONGITUDE,HEIGHT (deg, m; WGS 84) of the point "
        "of the site that becomes 0, 0, 0; the middle of the points if not said.")] = None,
    pole: Annotated[str | None, _option(
        _COORDINATES, "--pole", help="Pole or prism height: applied, column, or a height to take "
        "off, in the unit of the file. Needed.")] = None,
    ids: Annotated[str | None, _option(
        _IDS, "--ids", help='How point ids are made, such as "{pose}-{target}"; also {stand} and '
        "{repeat}.")] = None,
    target: Annotated[list[str] | None, _option(
        _IDS, "--target", help="The crew's name of a target, such as left=edge_left. Repeat.")]
    = None,
    booking: Annotated[Path | None, _option(
        _IDS, "--booking", help="Booking sheet: CSV with point, pose, target, perhaps stand.")]
    = None,
    others: Annotated[str | None, _option(
        _IDS, "--others", help="Points whose id does not fit: refuse, or leave-out.")] = None,
    repeats: Annotated[str | None, _option(
        _IDS, "--repeats", help="Several shots of a target in a pose: refuse, pool (mean, scatter "
        "tested), keep, or last.")] = None,
    stand: Annotated[str | None, _option(
        _IDS, "--stand", help="The stand of all poses that name none.")] = None,
    check: Annotated[list[Path] | None, _option(
        _IDS, "--check", help="File with check shots, never used in the solve. Repeat.")] = None,
    angles: Annotated[str | None, _option(
        _RAW, "--angles", help="POINTS are raw observations, angles in deg, dms, packed-dms or "
        "gon.")] = None,
    instrument: Annotated[list[str] | None, _option(
        _RAW, "--instrument", help='Standard deviations, such as "direction=5 arcsec", '
        '"zenith=1.5 mgon", "distance=2 mm + 2 ppm", "pointing=1 mm", "centring=1 mm", '
        '"target_height=1 mm". Repeat.')] = None,
    known: Annotated[Path | None, _option(
        _RAW, "--known", help="CSV of known points: point, east, north, up, perhaps sd_east ...")]
    = None,
    setups: Annotated[Path | None, _option(
        _RAW, "--setups", help="CSV of what is known of set-ups: setup, east, north, up, "
        "instrument_height, orientation, each with sd_... Without: free stations.")] = None,
    log: Annotated[Path | None, _option(
        _READINGS, "--log", help="Time-stamped log of the sensors, any length.")] = None,
    sheet: Annotated[Path | None, _option(
        _READINGS, "--sheet", help="Hand-written readings: CSV with pose and one column each.")]
    = None,
    reading: Annotated[list[str] | None, _option(
        _READINGS, "--reading", help="What the log or sheet calls a reading, such as "
        'boom="Boom angle". Repeat.')] = None,
    window: Annotated[float | None, _option(
        _READINGS, "--window", help="Seconds of log averaged around a shot (2).")] = None,
    still: Annotated[float | None, _option(
        _READINGS, "--still", help="A reading that moves more than this in the window is moving, "
        "deg (0.1).")] = None,
    moving: Annotated[str | None, _option(
        _READINGS, "--moving", help="If the machine moved: refuse, or flag.")] = None,
    clock_offset: Annotated[str | None, _option(
        _READINGS, "--clock-offset", help="Seconds the log's clock is ahead of the shots' "
        "(GPS time is 18 ahead of UTC since 2017), or estimate (from the movements).")] = None,
    track: Annotated[Path | None, _option(
        _READINGS, "--track", help="Timed points of a target followed while the machine moved, "
        "written like POINTS: estimates the clock offset to some hundredths of a second.")] = None,
    time_zone: Annotated[str | None, _option(
        _READINGS, "--time-zone", help="Zone of shot times that name none: UTC, +02:00, a name.")]
    = None,
    time_format: Annotated[str | None, _option(
        _READINGS, "--time-format", help="Of shot times: such as %d.%m.%Y %H:%M:%S, or seconds.")]
    = None,
    log_time_zone: Annotated[str | None, _option(
        _READINGS, "--log-time-zone", help="Zone of log times that name none.")] = None,
    log_time_format: Annotated[str | None, _option(
        _READINGS, "--log-time-format", help="Of log times.")] = None,
    profile: Annotated[Path | None, _option(
        _OUTPUT, "--profile", help="TOML with what was declared before; options override it.")]
    = None,
    save_profile: Annotated[Path | None, _option(
        _OUTPUT, "--save-profile", help="Keep what is declared here for the next time.")] = None,
    replace: Annotated[bool, _option(
        _OUTPUT, "--replace", help="Write over rows that the run folder holds already.")] = False,
    dry_run: Annotated[bool, _option(
        _OUTPUT, "--dry-run", help="Show what was understood, and draw it; write no run folder.")]
    = False,
    plan: Annotated[Path | None, _option(
        _OUTPUT, "--plan", help="Where --dry-run puts its plan view (import_plan.png).")] = None,
    json: Annotated[bool, _option(
        _OUTPUT, "--json", help="Print one JSON document instead of the table.")] = False,
) -> None:
    """Make a run folder from field files as they were exported.

    Say once what they are: unit, frame, pole, order, ids. A profile keeps that for the next time.

    Nothing is guessed silently: what was understood is printed, and sources.csv in the run folder
    says where each number came from.

    \b
    Example:
    calib import job.txt --into RUN --order PNEZD --unit m --frame ground --pole applied
      --ids "{pose}-{target}" --target left=edge_left --target right=edge_right
      --target pin=stick_pin --sheet readings.csv
    """
    from calib.intake.declaration import profile_toml
    from calib.intake.gather import Request, gather_import
    from calib.intake.preview import document, plan_png, preview
    from calib.run.complaints import Findings
    from calib.run.write import write_whole

    tables = {
        "targets": _pairs(target, "--target"),
        "instrument": _pairs(instrument, "--instrument"),
        "log": {
            "readings": _pairs(reading, "--reading"), "window": window, "still": still,
            "moving": moving, "clock_offset": clock_offset, "time_zone": log_time_zone,
            "time_format": log_time_format,
        },
    }
    given = {
        "order": order, "delimiter": delimiter, "decimal": decimal, "unit": unit, "frame": frame,
        "factor": factor, "about": _numbers(about, 2, "--about"),
        "origin": _numbers(origin, 3, "--origin"), "pole": pole, "ids": ids, "others": others,
        "repeats": repeats, "stand": stand, "angles": angles, "time_zone": time_zone,
        "time_format": time_format, **tables,
    }
    declared = _declared(_stated(given), profile)
    if log is not None and sheet is not None:
        raise typer.BadParameter("readings come from --log or from --sheet, not from both")
    if track is not None and (declared.log.clock_offset != "estimate" or declared.angles):
        raise typer.BadParameter("--track goes with --clock-offset estimate, and with point files")
    findings = Findings()
    request = Request(
        points=tuple(points), into=into, declared=declared, check=tuple(check or ()),
        booking=booking, sheet=sheet, log=log, track=track, known=known, setups=setups,
        replace=replace, cautions=CAUTIONS)
    try:
        with talk.working("Reading the field files"):
            imported = gather_import(request, findings)
    finally:
        talk.tell_all(findings.notices)
    if json:
        talk.result_json(document(imported, findings.notices))
    else:
        talk.result(preview(imported))
    if dry_run:
        picture = plan or Path("import_plan.png")
        write_whole(picture.parent, {picture.name: plan_png(imported)})
        talk.tell(f"Dry run: no run folder written. Plan view: {picture}")
    else:
        write_whole(into, imported.files())
        talk.tell(f"Run folder {into} written; where each number came from: "
                  f"{into / 'sources.csv'}")
    if save_profile is not None:
        write_whole(save_profile.parent, {save_profile.name: profile_toml(declared)})
        talk.tell(f"Profile kept in {save_profile}")


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


def _stated(table):
    """Without what was not said."""
    out = {}
    for key, value in table.items():
        value = _stated(value) if isinstance(value, dict) else value
        if value is not None and value != {}:
            out[key] = value
    return out


def _pairs(items, option):
    """NAME=VALUE of a repeated option as a table."""
    out = {}
    for item in items or ():
        name, sign, value = item.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise typer.BadParameter(f"{option} {item}: write it as NAME=VALUE")
        out[name.strip()] = value.strip()
    return out


def _numbers(text, count, option):
    """COUNT numbers with commas between; None if the option was not given."""
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        raise typer.BadParameter(f"{option} {text}: write {count} numbers with commas between")
    return numbers
