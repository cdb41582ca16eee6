"""All commands in one application, and faults turned into exit codes."""

import shlex
import sys
import traceback
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.cli import talk
from calib.run.complaints import InputError

#: Where each command is, in the order in which a job needs them; this is the order of --help.
COMMANDS = {
    "demo": ("calib.cli.demo", "demo"),
    "rig": ("calib.cli.rig", "rig"),
    "new": ("calib.cli.new", "new"),
    "plan": ("calib.cli.plan", "plan"),
    "import": ("calib.cli.import_", "import_points"),
    "solve": ("calib.cli.solve", "solve"),
    "diagnose": ("calib.cli.diagnose", "diagnose"),
    "next": ("calib.cli.next_", "next_poses"),
    "check": ("calib.cli.check", "check"),
    "report": ("calib.cli.report", "report"),
    "sheet": ("calib.cli.sheet", "sheet"),
    "compare": ("calib.cli.compare", "compare"),
    "drift": ("calib.cli.drift", "drift"),
    "history": ("calib.cli.history", "history"),
    "simulate": ("calib.cli.simulate", "simulate"),
}


def application(asked: str | None = None) -> typer.Typer:
    """The whole application, or with the name of a command only that one.

    A command starts in half the time when the others' libraries are left alone.
    """
    app = typer.Typer(
        name="calib",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="Find the geometry of an excavator with a tilt rotator from shots at its cutting "
        "edge, and say how well each number is known.",
        epilog="Exit status: 0 done and every gate passed, 1 a fault of the program, 2 wrong "
        "usage, 3 the input is at fault, 4 did not converge, 5 not determined, 6 solved but a "
        "quality gate failed. Every command has --help.",
    )
    app.callback()(_common)
    for name in [asked] if asked in COMMANDS else COMMANDS:
        module, function = COMMANDS[name]
        app.command(name)(getattr(import_module(module), function))
    return app


def _version(asked: bool):
    if asked:
        talk.result(f"calib {version('calib')}")
        raise typer.Exit()


def _common(
    show_version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
):
    pass


def main() -> None:
    """Run the application; every fault leaves with its own exit status."""
    talk.prepare()
    if any(word == "" or (word.startswith("--") and word.endswith("=")) for word in sys.argv[1:]):
        # An empty path would be the current folder: a variable of a script that was not set?
        talk.tell("Usage: one of the arguments is empty. Nothing was read or written.")
        sys.exit(talk.USAGE)
    asked = next((word for word in sys.argv[1:] if not word.startswith("-")), None)
    try:
        application(asked)()
    except InputError as error:
        talk.tell_all(error.complaints)
        count = len(error.complaints)
        talk.tell(f"{count} complaint{'s' if count > 1 else ''}; nothing was written.")
        sys.exit(talk.INPUT)
    except NotConverged as error:
        talk.tell(f"Did not converge: {error}. There is no result. "
                  f"Next: calib diagnose {_run_named()}")
        sys.exit(talk.NOT_CONVERGED)
    except NotDetermined as error:
        talk.tell(f"Not determined: {error}. There is no result.")
        sys.exit(talk.NOT_DETERMINED)
    except OSError as error:
        talk.tell(f"{error.filename or 'a file'}: {error.strerror or error}")
        sys.exit(talk.INPUT)
    except Exception:
        talk.tell(traceback.format_exc())
        talk.tell("This is a fault of the program. Please report the lines above.")
        sys.exit(talk.FAULT)


def _run_named():
    """The run folder among the words of the command line, as a shell takes it."""
    return next((shlex.quote(word) for word in sys.argv[2:] if (Path(word) / "rig.toml").is_file()),
                "RUN")
