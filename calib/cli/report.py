"""``calib report``: the report of a result again, from result.json alone."""

from pathlib import Path

import numpy as np
import typer

from calib.cli.onward import follow_on, onward
from calib.console import talk
from calib.edge import envelope_edge
from calib.report.pages.contents import NamedPosture
from calib.report.pages.report import report_files
from calib.results import Result, load_result
from calib.run.write import write_whole


def report(result: Path, out: Path | None, at: list[str] | None) -> None:
    """Draw the report of a result, perhaps with postures of its own."""
    read = load_result(result)
    named = [named_posture(read, text) for text in at or ()]
    with talk.working("Drawing"):
        files = report_files(read.document, named)
    folder = out or read.path.parent
    write_whole(folder, files)
    talk.result(str(folder / "report.html"))
    talk.result(str(folder / "report.pdf"))
    if onward(read.document, result)[0] == "report":  # no run folder to go on with
        talk.follow("sheet", result)
    else:
        follow_on(read.document, result)


def named_posture(result: Result, text: str) -> NamedPosture:
    """The edge's sd at a posture such as ``boom=30,stick=-85``, m."""
    rig, angles = result.rig, {}
    for part in text.split(","):
        name, _, number = part.partition("=")
        try:
            angles[name.strip()] = float(number)
        except ValueError:
            raise typer.BadParameter(f"{part!r} is not JOINT=DEGREES", param_hint="--at") from None
    unknown = [name for name in angles if name not in rig.reading_names]
    if unknown:
        raise typer.BadParameter(
            f"no joint {', '.join(unknown)}; this rig has {', '.join(rig.reading_names)}",
            param_hint="--at")
    joints = np.radians([[angles.get(name, 0.0) for name in rig.reading_names]])
    nodes = envelope_edge(rig, result.values_si, joints=joints)
    sd = float(nodes.sd(result.covariance_si).max()) if nodes.seen[0] else None
    return NamedPosture(angles, sd)
