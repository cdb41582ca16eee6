"""The options of ``calib import``: one table makes the command and what it declares."""

import inspect
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

_LAYOUT, _COORDINATES, _IDS, _RAW, _READINGS, _OUTPUT = (
    "How files are written", "What coordinates mean", "Which point is what",
    "Raw observations", "Readings", "Output",
)


def _pairs(items, option):
    """NAME=VALUE of a repeated option as a table."""
    out = {}
    for item in items or ():
        name, sign, value = item.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise typer.BadParameter(f"{option} {item}: write it as NAME=VALUE")
        out[name.strip()] = value.strip()
    return out


def read_instrument(items: list[str], option: str) -> dict[str, str]:
    """NAME=SD pairs; what has no name is the sd of angles, a comma, that of distances."""
    both = re.sub(r"(?<=\d),(?=\d)", ".", next((i for i in items if "=" not in i), ""))
    angles, _, distance = both.partition(",")
    told = {"angles": angles.strip(), "distance": distance.strip()}
    return {**{k: v for k, v in told.items() if v},
            **_pairs([item for item in items if "=" in item], option)}


def _numbers(count):
    """A reader of COUNT numbers with commas between."""
    def read(text, option):
        try:
            numbers = [float(part) for part in text.split(",")]
        except ValueError:
            numbers = []
        if len(numbers) != count:
            raise typer.BadParameter(f"{option} {text}: write {count} numbers with commas between")
        return numbers
    return read


@dataclass(frozen=True)
class Option:
    """One option."""

    name: str  #: Underscores are written as dashes on the command line.
    panel: str
    help: str
    #: Type. What the command line gives: str, float, Path, bool, or a list of one of them.
    type: Any = str
    #: Key of the declaration that it states, "log." before one of its table; "": none.
    declares: str = ""
    #: From the command line's value and the option's name to the declaration's value.
    read: Callable[[Any, str], Any] = lambda value, option: value

    @property
    def written(self) -> str:
        return "--" + self.name.replace("_", "-")


def _declaring(panel, name, help, type=str, key=None, **more):
    return Option(name, panel, help, type, key or name, **more)


TABLE = (
    Option("into", _OUTPUT, "The run folder, made if need be; this folder if it has a rig.toml, "
           "else run.", Path),
    Option("yes", _OUTPUT, "Ask nothing: go on where nothing is doubtful, else say what is.", bool),
    _declaring(_LAYOUT, "order", "Columns: PNEZD, PENZD or the like (P point, Z height, D "
               "description), or names with commas. Not needed where a header names them."),
    _declaring(_LAYOUT, "delimiter", "comma, semicolon, tab or space; detected if not said."),
    _declaring(_LAYOUT, "decimal", "point or comma; goes with --delimiter."),
    _declaring(_LAYOUT, "unit", "m, mm, ft-int (0.3048 m) or ft-us (1200/3937 m). Proposed "
               "if not said."),
    _declaring(_COORDINATES, "frame", "ground, grid or geographic. Proposed if not said."),
    _declaring(_COORDINATES, "factor", "Combined scale factor of the grid, such as 0.99962.",
               float),
    _declaring(_COORDINATES, "about", "EAST,NORTH (m) of the point that keeps its grid "
               "coordinates; the middle of the points if not said.", read=_numbers(2)),
    _declaring(_COORDINATES, "origin", "LATITUDE,LONGITUDE,HEIGHT (deg, m; WGS 84) of the point "
               "of the site that becomes 0, 0, 0; the middle of the points if not said.",
               read=_numbers(3)),
    _declaring(_COORDINATES, "east_north", "as-written, or exchanged: where headings mistake one "
               "for the other. Asked if the shots fit the machine only mirrored."),
    _declaring(_COORDINATES, "pole", "Pole or prism height: applied, column, or a height to take "
               "off, in the unit of the file. Proposed if not said."),
    _declaring(_IDS, "ids", 'How point ids are made, such as "{pose}-{target}"; also {stand} and '
               "{repeat}."),
    _declaring(_IDS, "ids_in", "Where they stand: point, description, or both (with a space "
               "between)."),
    _declaring(_IDS, "target", "The crew's name of a target, such as left=edge_left; nail=- is "
               "none. Repeat.", list[str], "targets", read=_pairs),
    Option("booking", _IDS, "Booking sheet: CSV with point, pose, target, perhaps stand.", Path),
    _declaring(_IDS, "others", "Points whose id does not fit: refuse, or leave-out."),
    _declaring(_IDS, "repeats", "Several shots of a target in a pose: refuse, pool (mean, scatter "
               "tested), keep, or last."),
    _declaring(_IDS, "stand", "The stand of all poses that name none."),
    _declaring(_IDS, "moved_before", "A pose before which the machine moved: a new stand begins. "
               "Found by the pins of the house if not said. Repeat.", list[str]),
    Option("check", _IDS, "File with check shots, never used in the solve. Repeat.", list[Path]),
    _declaring(_RAW, "angles", "POINTS are raw observations, angles in deg, dms, packed-dms or "
               "gon."),
    _declaring(_RAW, "instrument", 'Standard deviations of angles and distances, such as '
               '"5 arcsec, 2 mm + 2 ppm"; others by name: "direction=1.5 mgon", "zenith=...", '
               '"pointing=1 mm", "centring=1 mm", "target_height=1 mm" (none of these three: '
               'pointing 2 mm). Repeat.', list[str],
               read=read_instrument),
    Option("known", _RAW, "CSV of known points: point, east, north, up, perhaps sd_east ...",
           Path),
    Option("setups", _RAW, "CSV of what is known of set-ups: setup, east, north, up, "
           "instrument_height, orientation, each with sd_... Without: free stations.", Path),
    _declaring(_RAW, "setup_sd", "How well set-ups are known that --setups has without sds, or "
               'that are called like the known point they stand on: "5 mm", "5 mm, 20 arcsec" '
               "(orientation), or solved: from sights to known points."),
    Option("log", _READINGS, "Time-stamped log of the sensors, any length.", Path),
    Option("sheet", _READINGS, "Hand-written readings: CSV with pose and one column each.", Path),
    _declaring(_READINGS, "reading", "What the log or sheet calls a reading, its time, or the "
               'sheet its pose or stand, such as boom="Boom angle". Repeat.', list[str],
               "log.readings", read=_pairs),
    _declaring(_READINGS, "window", "Seconds of log averaged around a shot (2).", float,
               "log.window"),
    _declaring(_READINGS, "still", "A reading that moves more than this in the window is moving, "
               "deg (0.1).", float, "log.still"),
    _declaring(_READINGS, "moving", "If the machine moved: refuse, or flag.", key="log.moving"),
    _declaring(_READINGS, "clock_offset", "Seconds the log's clock is ahead of the shots' "
               "(GPS time is 18 ahead of UTC since 2017), or estimate (from the movements).",
               key="log.clock_offset"),
    Option("track", _READINGS, "Timed points of a target followed while the machine moved, "
           "written like POINTS: estimates the clock offset to some hundredths of a second.",
           Path),
    _declaring(_READINGS, "time_zone", "Zone of shot times that name none: UTC, +02:00, a name."),
    _declaring(_READINGS, "time_format", "Of shot times: such as %d.%m.%Y %H:%M:%S, or seconds."),
    _declaring(_READINGS, "log_time_zone", "Zone of log times that name none.",
               key="log.time_zone"),
    _declaring(_READINGS, "log_time_format", "Of log times.", key="log.time_format"),
    Option("profile", _OUTPUT, "TOML with what was declared before; options override it.", Path),
    Option("save_profile", _OUTPUT, "Keep what is declared here for the next time.", Path),
    Option("replace", _OUTPUT, "Write over rows that the run folder holds already.", bool),
    Option("dry_run", _OUTPUT, "Show what was understood, and draw it; write no run folder.",
           bool),
    Option("plan", _OUTPUT, "Where --dry-run puts its plan view (import_plan.png).", Path),
    Option("json", _OUTPUT, "Print one JSON document instead of the table.", bool),
)

def signature() -> inspect.Signature:
    """The parameters of the command, as typer reads them."""
    points = Annotated[list[Path], typer.Argument(
        help="Files as exported: shots as delimited text, LandXML or raw "
        "observations; log or sheet of readings, known points, booking sheet.")]
    keyword = inspect.Parameter.KEYWORD_ONLY
    parameters = [inspect.Parameter("points", keyword, annotation=points)]
    for option in TABLE:
        asked = typer.Option(option.written, help=option.help, rich_help_panel=option.panel,
                             show_default=False)
        kind, default = ((option.type, False) if option.type is bool
                         else (option.type | None, None))
        parameters.append(inspect.Parameter(
            option.name, keyword, default=default, annotation=Annotated[kind, asked]))
    return inspect.Signature(parameters)


def stated(options: Any) -> dict[str, Any]:
    """What of the declaration was stated, as `calib.intake.declaration.declare` takes it."""
    out: dict[str, Any] = {}
    for option in TABLE:
        value = getattr(options, option.name)
        if not option.declares or value is None or value == []:
            continue
        table, _, key = option.declares.rpartition(".")
        inner = out.setdefault(table, {}) if table else out
        inner[key] = option.read(value, option.written)
    return out


def as_options(declared: Any, before: Any) -> list[str]:
    """The words of a command line that declare what `before` does not."""
    now, was = (d.model_dump(exclude_unset=True, exclude_none=True) for d in (declared, before))
    words: list[str] = []
    for option in TABLE:
        table, _, key = option.declares.rpartition(".")
        value, old = ((d.get(table, {}) if table else d).get(key) for d in (now, was))
        if not option.declares or value is None or value == old:
            continue
        if isinstance(value, dict):
            said = [f"{k}={v}" for k, v in value.items() if (old or {}).get(k) != v]
        elif isinstance(value, tuple):
            said = list(value) if option.type == list[str] else [",".join(map(str, value))]
        else:
            said = [str(value)]
        words += [word for item in said for word in (option.written, item)]
    return words
