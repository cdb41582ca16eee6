"""What to type where the files were at fault: the same again, or what makes that lead on."""

from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from calib.cli.onward import above
from calib.intake.request import lines_of
from calib.results import RESULT, load_result
from calib.run.complaints import InputError
from calib.run.folder import SHOTS

#: Commands whose argument is a folder to be made.
_MAKING = ("demo", "new", "simulate")

#: Commands whose arguments are results.
_OF_RESULTS = ("check", "compare", "confirm", "drift", "report", "sheet")


def once_right(words: list[str], asked: dict[str, list[Path]]) -> list[str]:
    """The same again, once the files are right; what makes or lists those that are not there.

    Parameters
    ----------
    words : list of str
        As they were typed, without ``calib``.
    asked : dict
        The paths among the arguments, and that of ``machine``, by the name of the parameter.
    """
    paths = [path for named in asked.values() for path in named]
    gone = [path for path in paths if not path.exists()]
    if {*gone} & {*asked.get("name", ()), *asked.get("source", ())}:  # no rig is called so
        return ["rig", "list"]
    unsolved = [run for path in gone if path.name.startswith("result") and words[0] != "solve"
                for run in path.parents[:2] if _is_run(run)]
    if unsolved:
        return ["solve", str(unsolved[0])]
    results = paths if words[0] in _OF_RESULTS else asked.get("machine", [])
    newest = {path: newest_result(path) for path in results
              if path.is_dir() and not (path / RESULT).exists()}
    unsolved = [path for path, result in newest.items() if result is None and _is_run(path)]
    if unsolved:
        return ["solve", str(unsolved[0])]
    run = next(iter(asked.get("run", ())), None)
    if gone and words[0] not in _MAKING:
        return ["new", str(run)] if run in gone else [words[0], "--help"]
    if run is not None and _is_run(run) and not lines_of(run / SHOTS)[1:]:
        return ["plan", str(run)]
    return [str(newest.get(Path(word)) or word) for word in words]


def newest_result(folder: Path) -> Path | None:
    """The folder of the newest result in a folder, or beside it of its files; None without one."""
    inside = [path for pattern in (RESULT, f"*/{RESULT}") for path in folder.glob(pattern)
              if not path.parent.name.startswith(".")]
    beside = [path for path in above(folder).glob(f"[!.]*/{RESULT}")
              if path.parent.name != folder.name and _made_from(folder, path)] \
        if _is_run(folder) else []
    return max((path.parent for path in (inside or beside)),
               key=lambda path: (path / RESULT).stat().st_mtime, default=None)


def _made_from(run, result):
    with suppress(InputError, OSError):
        files = load_result(result).document.run.files
        return bool(files) and all(sha256((run / name).read_bytes()).hexdigest() == told
                                   for name, told in files.items())
    return False


def _is_run(folder):
    return (folder / "rig.toml").is_file()
