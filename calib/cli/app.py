"""All commands in one application, and faults turned into exit codes."""

import re
import shlex
import sys
import traceback
from functools import wraps
from importlib import import_module
from inspect import isfunction
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from calib.cli import commands
from calib.console import talk
from calib.console.interrupt import stop_if_asked

_TYPED = {name.rstrip("_"): function for name, function in vars(commands).items()
          if isfunction(function) and function.__module__ == commands.__name__}

#: The first line of the help of each command.
COMMANDS = {name: " ".join((function.__doc__ or "").split("\n\n")[0].split())
            for name, function in _TYPED.items()}

_STYLE = re.compile(r"\[(?=[a-z#/@][^\[]*\])")


class Commands(TyperGroup):
    """The commands by name and first line; a command has its options when it is called."""

    def __init__(self, **settings: Any):
        listed = {name: TyperCommand(name, help=line) for name, line in COMMANDS.items()}
        super().__init__(**{**settings, "commands": listed})

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that is called, with all of its options."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, command if command is None else _loaded(name), rest


def _loaded(name):
    typed = _TYPED[name]

    @wraps(typed)
    def run(**given):
        module = import_module(f"calib.cli.{typed.__name__}")
        getattr(module, typed.__name__)(**given)

    alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
    alone.command(name)(run)
    command = typer.main.get_command(alone)
    parts: list[Any] = [command, *command.params]
    for part in parts:
        if getattr(part, "help", None):  # `[goal]` is a table of rig.toml, no style of letters
            part.help = _STYLE.sub(r"\\[", part.help)
    return command


def application() -> typer.Typer:
    """The whole application; what a command does is imported when its words are understood."""
    app = typer.Typer(
        name="calib",
        cls=Commands,
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
    return app


def _version(asked: bool):
    if asked:
        from importlib.metadata import version

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
    if any(word == "" or (word.startswith("--") and word.endswith("=")) for word in sys.argv[1:]):
        # An empty path would be the current folder: a variable of a script that was not set?
        talk.tell("Usage: one of the arguments is empty. Nothing was read or written.\n"
                  f"Next: {_otherwise(talk.USAGE)}")
        sys.exit(talk.USAGE)
    talk.following()  # of a command before it in the same process
    status = _run()
    talk.tell_all(talk.to_fill_in())
    told = talk.following() or _otherwise(status)
    if told is not None:
        talk.tell(f"Next: {told}")
    sys.exit(status)


def _run():
    """Run the command; its exit status."""
    try:
        application()()
    except SystemExit as left:
        return left.code or talk.DONE
    except OSError as error:
        talk.tell(f"{error.filename or 'a file'}: {error.strerror or error}")
        return talk.INPUT
    except Exception as error:
        stop_if_asked()  # a module that is interrupted while it begins says that it cannot begin
        return _told(error)
    return talk.DONE


def _otherwise(status):
    """What to type next where the command has not said it; None after --help and --version."""
    words = sys.argv[1:]
    command = words[0] if words and words[0] in COMMANDS else None
    if status == talk.USAGE:
        return talk.command(*([command] if command else []), "--help")
    if status == talk.NOT_CONVERGED:
        return f"calib diagnose {_run_named()}"
    if status == talk.NOT_DETERMINED:
        return f"calib next {_run_named()}"
    if status == talk.FAULT:  # said already, or nobody reads on
        return None
    if status == talk.INPUT:
        from calib.cli.again import once_right  # which brings the reading of results with it

        return talk.command(*once_right(words, _asked(words)))
    return None if command is None or {"--help", "-h"} & set(words) else "calib help"


def _asked(words):
    """The paths among the arguments, and that of ``machine``, by the name of the parameter."""
    command = _loaded(words[0])
    with command.make_context(words[0], words[1:]) as context:
        given = {p.name: context.params[p.name] for p in command.params
                 if p.param_type_name == "argument" or p.name == "machine"}
    if given.get("name"):  # of a rig, which may be a file
        given["name"] = Path(given["name"])
    return {name: [path for path in (value if isinstance(value, list | tuple) else [value])
                   if isinstance(path, Path)] for name, value in given.items()}


def _told(error):
    """Say what is wrong; the exit status of it."""
    from calib.run.complaints import InputError, told_once

    if isinstance(error, InputError):
        lines, count = told_once(error.complaints), len(error.complaints)
        talk.tell_all(lines)
        talk.tell(f"{count} complaint{'s' if count > 1 else ''}"
                  + (f" in {len(lines)} lines" if len(lines) < count else "")
                  + "; nothing was written.")
        return talk.INPUT
    # Only now: these bring the solver with them.
    from calib.adjust.mixed_model import NotConverged
    from calib.adjust.spectrum import NotDetermined

    if isinstance(error, NotConverged):
        talk.tell("There is no result: something in the run is probably mistaken (exchanged or "
                  f"mislabelled values, a wrong sign or unit). Did not converge: {error}.")
        return talk.NOT_CONVERGED
    if isinstance(error, NotDetermined):
        talk.tell(f"Not determined: {error}. There is no result.")
        return talk.NOT_DETERMINED
    talk.tell("".join(traceback.format_exception(error)))
    talk.tell("This is a fault of the program. Please report the lines above.")
    talk.follow("--version")
    return talk.FAULT


def _run_named():
    """The run folder among the words of the command line, as a shell takes it."""
    return next((shlex.quote(word) for word in sys.argv[2:] if (Path(word) / "rig.toml").is_file()),
                "RUN")
