"""All commands in one application, and faults turned into exit codes."""

import re
import shlex
import sys
import traceback
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from calib.cli import talk
from calib.cli.interrupt import stop_if_asked

#: The first line of the help of each command, in the order in which a job needs them; this is the
#: order of --help.
COMMANDS = {
    "demo": "Solve the shipped demo run: invented data, two planted gross errors, six check shots.",
    "rig": "List the shipped rigs, show a rig in words, or check one: shipped, or of your own.",
    "new": "Make a run folder to fill in: every file with its columns, comments and the cautions.",
    "plan": "Plan which poses to shoot, and what in each: a pose sheet to print, and what it is "
            "worth.",
    "import": "Make a run folder from field files as they were exported.",
    "solve": "Solve a run: geometry, how well each number is known, and what does not fit.",
    "diagnose": "Say which mistake explains a run that does not fit; never changes the run.",
    "explore": "Say which effects the shots ask for: axes out of square, sag, play, sensors' "
               "shapes.",
    "next": "Say how well the edge is known by now, which poses to add, and when it is enough.",
    "yard": "Open the page for the yard: what to do next, what came in, is it good, is it enough.",
    "check": "Predict check shots from a result and judge the misses; nothing is written.",
    "report": "Write report.html and report.pdf from a result.",
    "sheet": "Write the set-up sheet, sheet.html and sheet.pdf: values, signs, checks by tape, "
             "cautions.",
    "entries": "Print an invented list of what a system asks for, or check one: is it enough for "
               "the edge?",
    "confirm": "Prove by the machine's own display that the values were typed right, or say which "
               "is not.",
    "compare": "Compare two set-ups: differences, their significance, and what they mean at the "
               "edge.",
    "drift": "Test whether the machine has changed between results, and what of it.",
    "history": "Record every result below a folder in history.csv and show each quantity over "
               "time.",
    "together": "Adjust runs of one machine in one go, and test whether they share what they "
                "should.",
    "fleet": "Solve every run below a folder; a table of all, and a page with the worst first.",
    "simulate": "Make a run with known truth: invented data, for learning and for testing.",
    "help": "Explain a word of results, sheets and reports, and say what to do about it.",
    "schema": "Print the JSON schema of result.json or another: every key, its type, unit and "
              "meaning.",
}

#: Module and function of those whose name Python has a use of its own for.
_ELSEWHERE = {"import": ("import_", "import_points"), "next": ("next_", "next_poses"),
              "help": ("help_", "help_word")}

_STYLE = re.compile(r"\[(?=[a-z#/@][^\[]*\])")

_HELP_NAMES = {"help_option_names": ["-h", "--help"]}


class Commands(TyperGroup):
    """The commands by name and first line; a command's module is imported when it is called."""

    def __init__(self, **settings: Any):
        listed = {name: TyperCommand(name, help=line) for name, line in COMMANDS.items()}
        super().__init__(**{**settings, "commands": listed})

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that is called, with all of its options."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, command if command is None else _loaded(name), rest


def _loaded(name):
    module, function = _ELSEWHERE.get(name, (name, name))
    alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
    alone.command(name)(getattr(import_module(f"calib.cli.{module}"), function))
    command = typer.main.get_command(alone)
    for part in (command, *command.params):
        if getattr(part, "help", None):  # `[goal]` is a table of rig.toml, no style of letters
            part.help = _STYLE.sub(r"\\[", part.help)
    return command


def application() -> typer.Typer:
    """The whole application; nothing of a command is imported before it is called."""
    app = typer.Typer(
        name="calib",
        cls=Commands,
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings=_HELP_NAMES,
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
        return shlex.join(["calib", *([command] if command else []), "--help"])
    if status == talk.NOT_CONVERGED:
        return f"calib diagnose {_run_named()}"
    if status == talk.NOT_DETERMINED:
        return f"calib next {_run_named()}"
    if status == talk.FAULT:  # said already, or nobody reads on
        return None
    if status == talk.INPUT:
        return shlex.join(["calib", *_once_right(words)])
    return None if command is None or {"--help", "-h"} & set(words) else "calib help"


def _once_right(words):
    """The same again, once the files are right; what makes or lists those that are not there."""
    gone = [path for path in map(Path, words[1:]) if not (str(path)[0] == "-" or path.exists())]
    if words[0] in ("rig", "plan") and gone:
        return ["rig", "list"]
    unsolved = [run for path in gone if path.name.startswith("result") and words[0] != "solve"
                for run in path.parents[:2] if (run / "rig.toml").is_file()]
    return ["solve", str(unsolved[0])] if unsolved else words


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
