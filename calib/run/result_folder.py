"""The folder of a result: replaced as a whole or not at all, and nobody's own file lost in it."""

import contextlib
import ctypes
import errno
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from calib.run import write
from calib.run.complaints import InputError, quote
from calib.run.lock import only_writer


@dataclass(frozen=True)
class ResultPlace:
    """Where a result may go: looked at before the work, so that it is not done for nothing."""

    folder: Path  #: Without symbolic links.
    held: dict[str, str] | None  #: What was there when it was looked at: name to SHA-256.


def result_place(out: Path, run_folder: Path | None = None) -> ResultPlace:
    """The place for a result: a new folder, an empty one, or one that a result is in.

    Parameters
    ----------
    run_folder : Path, optional
        The run that is solved.

    Raises
    ------
    InputError
        If the folder holds anything that calib did not write as a result, is the current folder,
        or has the run in it: files would be lost.
    """
    with write.disk_trouble_told(out):
        folder = Path(out).resolve()
        reason = _unfit(folder, run_folder)
        if reason is not None:
            raise InputError.of(out, *reason)
        _recover(folder)
        return ResultPlace(folder, write.manifest_of(folder))


def _unfit(folder, run_folder):
    """What was found and what expected; None where a result may go."""
    another = "another folder for the results"
    if folder.exists() and not folder.is_dir():
        return "a file", "a folder"
    if run_folder is not None and _holds(folder, Path(run_folder)):
        what = "the run folder itself" if folder == Path(run_folder).resolve() else \
            "a folder that the run lies in"
        return what, f"{another} (they would replace the run's own files)"
    if _holds(folder, Path.cwd()):
        return "the current folder", f"{another}: it is replaced as a whole"
    held = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    if held and write.manifest_of(folder) is None:
        shown = ", ".join(map(quote, held[:4])) + (", ..." if len(held) > 4 else "")
        return (f"a folder with files in it that are no result ({shown})",
                "a new or empty folder, or one that calib solve wrote: nothing is written over")
    return None


def _holds(folder, inner):
    inner = inner.resolve()
    return folder == inner or folder in inner.parents


def replace_result(place: ResultPlace, files: Mapping[str, bytes | str],
                   to_come: Iterable[str] = ()) -> list[str]:
    """Put a result in its place in one step, instead of the one there.

    Files that are not of the former result stay, and so do its files if somebody changed them
    (under another name where the new result has one of theirs). Whatever else was made from the
    former result goes with it.

    Parameters
    ----------
    files : mapping of str to bytes or str
    to_come : iterable of str
        Files that `add_to_result` will put there next: the former result's are not called gone.

    Returns
    -------
    list of str
        What the person should know: what was kept, what is gone, whose result was replaced.

    Raises
    ------
    InputError
        If the place cannot be written; then everything is as it was.
    """
    folder = place.folder
    with _writing(folder):
        held = write.manifest_of(folder)
        if reason := _unfit(folder, None):
            raise InputError.of(folder, *reason)
        gone = sorted(set(held or ()) - {*files, *to_come})
        return [*(["another calib wrote a result there meanwhile; it was replaced as a whole"]
                  if held != place.held else []),
                *(["gone with the result they were made from: " + ", ".join(gone)] if gone else []),
                *_swap(folder, files, held or {})]


@contextlib.contextmanager
def _writing(folder):
    """Have a place alone, with what a killed writer left put right."""
    with write.disk_trouble_told(folder):
        folder.parent.mkdir(parents=True, exist_ok=True)
        with only_writer(write.beside(folder, "lock"), folder):
            _put_back(folder)
            write.finish_writing(folder)
            yield


def keep_aside(place: ResultPlace, files: Iterable[str]) -> Path | None:
    """Move a former result beside its place, whole, if more was made from it than `files`.

    Returns
    -------
    Path or None
        Where it is now.

    Raises
    ------
    InputError
        If the place cannot be written; then everything is as it was.
    """
    folder = place.folder
    with _writing(folder):
        if set(write.manifest_of(folder) or ()) <= set(files):
            return None
        aside = write.free_path(folder.with_name(f"{folder.name}-earlier"))
        os.rename(folder, aside)
    return aside


def add_to_result(place: ResultPlace, numbers: Mapping[str, bytes | str],
                  files: Mapping[str, bytes | str]) -> list[str]:
    """Put what was made from a result beside it, in one step; another's result stays as it is.

    Parameters
    ----------
    numbers : mapping of str to bytes or str
        The result as `replace_result` wrote it.
    files : mapping of str to bytes or str

    Returns
    -------
    list of str
        What the person should know.

    Raises
    ------
    InputError
        If the place cannot be written; then everything is as it was.
    """
    folder = place.folder
    with _writing(folder):
        held = write.manifest_of(folder) or {}
        if any(held.get(name) != write.digest_of(content) for name, content in numbers.items()
               if name not in files):
            return ["another calib wrote a result there meanwhile; nothing was added to it"]
        # The whole folder is exchanged again: nobody sees drawings half added.
        others = {name: (folder / name).read_bytes() for name in held.keys() - numbers.keys()
                  - files.keys() if (folder / name).is_file()}
        return _swap(folder, {**others, **numbers, **files}, held)


def _swap(folder, files, held):
    """Stage the new folder with everything that is to stay, then exchange the two."""
    new = write.beside(folder, "new")
    hashes = {name: write.digest_of(content) for name, content in files.items()}
    try:
        write.stage(new, {**files, write.MANIFEST: write.manifest_text(hashes)})
        said, known = _carry(folder, new, held) if folder.is_dir() else ([], set())
        write.sync_folder(new)
        if folder.is_dir():
            shutil.copymode(folder, new)
            _exchange(folder, new)
            for path in _files_below(new):
                # Somebody put it there while the new folder was made.
                if path.relative_to(new) not in known:
                    write.link_or_copy(path, write.free_path(folder / path.relative_to(new)))
        else:
            os.rename(new, folder)
        write.sync_folder(folder.parent)
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return said


def _carry(folder, new, held):
    """Take over what is not of the former result, or was changed; returns what to say, and all."""
    said, known = [], set()
    for path in _files_below(folder):
        name = path.relative_to(folder)
        known.add(name)
        digest = held.get(name.as_posix())
        if name.as_posix() == write.MANIFEST:
            continue
        if digest is not None and path.is_file() and not path.is_symlink() and (
                digest == write.digest_of(path.read_bytes())):
            continue
        kept = new / name
        if digest is not None or kept.exists():
            kept = write.free_path(kept.with_name(f"earlier-{name.name}"))
            said.append(f"{name.as_posix()} was changed after calib wrote it; kept as {kept.name}")
        kept.parent.mkdir(parents=True, exist_ok=True)
        write.link_or_copy(path, kept)
    return said, known


def _files_below(folder) -> Iterator[Path]:
    for root, folders, names in os.walk(folder):
        # A link to a folder is a file of its own here: nothing is followed.
        links = [n for n in folders if os.path.islink(os.path.join(root, n))]
        for name in sorted([*names, *links]):
            yield Path(root) / name


def _exchange(folder, new):
    """Two folders change names: in one step where the system can, else in two."""
    if _exchanged_at_once(folder, new):
        return
    old = write.beside(folder, "old")
    shutil.rmtree(old, ignore_errors=True)
    os.rename(folder, old)
    try:
        os.rename(new, folder)
    except BaseException:
        os.rename(old, folder)
        raise
    with contextlib.suppress(OSError):  # the next writer clears it away
        os.rename(old, new)


def _exchanged_at_once(first, second):
    """renameat2(2) with RENAME_EXCHANGE; False where there is no such thing."""
    if sys.platform != "linux":
        return False
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    if rename(here, os.fsencode(first), here, os.fsencode(second), exchange) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.ENOSYS, errno.EINVAL, errno.EPERM):
        return False
    raise OSError(number, os.strerror(number))


def _put_back(folder):
    """Undo what a killed writer left beside the folder; its lock is held."""
    shutil.rmtree(write.beside(folder, "new"), ignore_errors=True)
    old = write.beside(folder, "old")
    if old.is_dir():
        if folder.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            os.rename(old, folder)


def _recover(folder):
    """Have the whole former result back if a writer was killed between two renames."""
    if not folder.exists() and write.beside(folder, "old").is_dir():
        with only_writer(write.beside(folder, "lock"), folder):
            _put_back(folder)


def recover_result(folder: Path) -> None:
    """Before reading: finish or undo what a killed writer left.

    Raises
    ------
    InputError
        If there is something to mend and the place cannot be written.
    """
    with write.disk_trouble_told(folder), contextlib.suppress(FileNotFoundError):
        _recover(folder)
    write.finish_writing(folder)
