"""All commands in one application, and faults turned into exit codes."""

import sys
import traceback
from importlib.metadata import version
from typing import Annotated

import typer

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.cli import talk
from calib.cli.check import check
from calib.cli.compare import compare
from calib.cli.demo import demo
from calib.cli.diagnose import diagnose
from calib.cli.drift import drift
from calib.cli.history import history
from calib.cli.import_ import import_points
from calib.cli.new import new
from calib.cli.next_ import next_poses
from calib.cli.plan import plan
from calib.cli.report import report
from calib.cli.sheet import sheet
from calib.cli.simulate import simulate
from calib.cli.solve import solve
from calib.run.complaints import InputError

app = typer.Typer(
    name="calib",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Find the geometry of an excavator with a tilt rotator from shots at its cutting edge, "
    "and say how well each number is known.",
    epilog="Exit status: 0 done and every gate passed, 1 a fault of the program, 2 wrong usage, "
    "3 the input is at fault, 4 did not converge, 5 not determined, 6 solved but a quality gate "
    "failed. Every command has --help.",
)


def _version(asked: bool):
    if asked:
        talk.result(f"calib {version('calib')}")
        raise typer.Exit()


@app.callback()
def _common(
    show_version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
):
    pass


# In the order in which a job needs them; this is the order of --help.
for name, command in (
    ("demo", demo), ("new", new), ("plan", plan), ("import", import_points), ("solve", solve),
    ("diagnose", diagnose), ("next", next_poses), ("check", check), ("report", report),
    ("sheet", sheet), ("compare", compare), ("drift", drift), ("history", history),
    ("simulate", simulate),
):
    app.command(name)(command)


def main() -> None:
    """Run the application; every fault leaves with its own exit status."""
    try:
        app()
    except InputError as error:
        talk.tell_all(error.complaints)
        count = len(error.complaints)
        talk.tell(f"{count} complaint{'s' if count > 1 else ''}; nothing was written.")
        sys.exit(talk.INPUT)
    except NotConverged as error:
        talk.tell(f"Did not converge: {error}. There is no result. Next: calib diagnose RUN")
        sys.exit(talk.NOT_CONVERGED)
    except NotDetermined as error:
        talk.tell(f"Not determined: {error}. There is no result.")
        sys.exit(talk.NOT_DETERMINED)
    except OSError as error:
        talk.tell(f"{error.filename or 'a file'}: {error.strerror or error}")
        sys.exit(talk.INPUT)
    except Exception:
        traceback.print_exc()
        talk.tell("This is a fault of the program. Please report the lines above.")
        sys.exit(talk.FAULT)
