"""Writing results: a set of files appears whole or not at all."""

import contextlib
import hashlib
import json
import math
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from calib.run.complaints import Complaint, InputError
from calib.run.lock import only_writer
from calib.run.text import ordinary
from calib.spreadsheet import as_cell

if TYPE_CHECKING:
    import pandas as pd

#: In a folder that is written: the lock, files on their way to the disk, and those that are all
#: there and only have to be renamed. Whoever finds the last finishes what was cut short.
_LOCK, _STAGED, _MOVING = ".calib-lock", ".calib-staged", ".calib-moving"

#: What a result folder holds: its files and their hashes.
MANIFEST = "files.json"


def write_whole(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Write all files into a folder, or none; other files there are left alone.

    A new folder appears by one rename. In an existing folder every file is renamed into place
    after all are safely on disk; if one cannot be, those before it are put back, and if the
    process is killed meanwhile, `finish_writing` does the rest. In a result folder the files become
    part of the result.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    files : mapping of str to bytes or str
        Names relative to the folder, with ``/`` for folders in it. Text is written as UTF-8.

    Raises
    ------
    InputError
        If the place cannot be written, or a file is in the way.
    ValueError
        If a name leads out of the folder.
    """
    _write(Path(folder).absolute(), files)


def _write(folder, files, only_new=False):
    for name in files:
        parts = PurePosixPath(name).parts
        if not parts or ".." in parts or PurePosixPath(name).is_absolute():
            raise ValueError(f"{name!r} is no name of a file inside a folder")
    with disk_trouble_told(folder):
        _refuse_what_is_in_the_way(folder, files)
        if not folder.is_dir() and _write_new(folder, files):
            return
        with only_writer(folder / _LOCK, folder):
            _finish(folder)
            if only_new:
                refuse_filled(folder)
            _write_into(folder, files)


@contextlib.contextmanager
def disk_trouble_told(folder: Path) -> Iterator[None]:
    """Trouble with the disk, or with a path that leads nowhere, as a complaint about `folder`."""
    try:
        yield
    except (OSError, RuntimeError) as error:
        # A loop of symbolic links is a RuntimeError in Python 3.11 and 3.12.
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise InputError.of(folder, f"a place that cannot be written ({reason})",
                            "a folder that you may write to, on a disk with room") from error


def finish_writing(folder: Path) -> None:
    """Finish what a killed writer left between its renames, so that nobody reads a mixture.

    Raises
    ------
    InputError
        If it cannot be finished.
    """
    if (folder / _MOVING).is_dir():
        with disk_trouble_told(folder), only_writer(folder / _LOCK, folder):
            _finish(folder)


def keep_damaged(path: Path) -> Path:
    """Give a file that cannot be read another name, before a new one takes its place.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    with disk_trouble_told(path.parent):
        return path.rename(free_path(path.with_name(f"damaged-{path.name}")))


def free_path(path: Path) -> Path:
    """The path, with a number in its name where something is there."""
    number, free = 1, path
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return free


def manifest_text(hashes: Mapping[str, str]) -> str:
    """The text of `MANIFEST`."""
    return json.dumps({"files": dict(sorted(hashes.items()))}, indent=1, ensure_ascii=False) + "\n"


def manifest_of(folder: Path) -> dict[str, str] | None:
    """Name to SHA-256 of the files of a result folder; None if calib did not write it."""
    try:
        files = json.loads(ordinary(folder / MANIFEST).read_bytes())["files"]
        return {str(name): str(digest) for name, digest in files.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def digest_of(content: bytes | str) -> str:
    """SHA-256 of a file's content."""
    return hashlib.sha256(_as_bytes(content)).hexdigest()


def write_new_folder(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Write all files into a folder that is new or empty, or none.

    Raises
    ------
    InputError
        If there is anything in the folder already, or the place cannot be written.
    """
    refuse_filled(folder)
    _write(Path(folder).absolute(), files, only_new=True)


def refuse_filled(folder: Path) -> None:
    """Refuse a folder that holds anything already, before work is done that could not be written.

    Raises
    ------
    InputError
    """
    left = (_LOCK, _STAGED)  # of a writer, perhaps of one that was killed
    folder = Path(folder)
    if any(p.name not in left for p in folder.iterdir()) if folder.is_dir() else folder.exists():
        raise InputError.of(folder, "a folder with files in it" if folder.is_dir() else "a file",
                            "a new folder: nothing is written over")


def refuse_run_folder(out: Path, run_folder: Path) -> None:
    """Refuse to write results over the run they come from.

    Raises
    ------
    InputError
        If both are the same folder: the run's shots.csv would be lost.
    """
    if Path(out).resolve() == Path(run_folder).resolve():
        raise InputError.of(
            out, "the run folder itself",
            "another folder for the results (they would replace the run's own files)")


def csv_text(table: "pd.DataFrame | Sequence[Mapping[str, object]]") -> str:
    """A table, or a record per row, as strict CSV: commas, decimal points, LF, a header, no index.

    Floats are written with as many digits as it takes to read the same float again: round
    beforehand. None and NaN become empty cells. Text that a spreadsheet would run is guarded.

    Raises
    ------
    ValueError
        For an infinite number, and for text with a line break: neither can be read back.
    """
    rows: list[Iterable[object]]
    if isinstance(table, Sequence):
        columns = dict.fromkeys(name for record in table for name in record)
        rows = [columns, *([record.get(name) for name in columns] for record in table)]
    else:
        rows = [table.columns, *table.itertuples(index=False, name=None)]
    return "".join(",".join(_cell(value) for value in row) + "\n" for row in rows)


def _cell(value):
    if isinstance(value, str):
        if "\n" in value or "\r" in value:
            raise ValueError(f"a line break in the cell {value!r}")
        return as_cell(value)
    if value is None or value != value:  # NaN
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if math.isinf(value):
        raise ValueError("an infinite number in a table")
    return repr(value.item() if hasattr(value, "item") else value)


def _refuse_what_is_in_the_way(folder, files):
    complaints = []
    if folder.exists() and not folder.is_dir():
        complaints.append(Complaint(str(folder), None, None, "a file", "a folder"))
    for name in files:
        path = folder / name
        if path.is_dir():
            complaints.append(Complaint(str(path), None, None, "a folder", "a file, or nothing"))
    if complaints:
        raise InputError(complaints)


def _write_new(folder, files):
    """Make the folder by one rename; False if another writer was there first."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    staging = beside(folder, "part")
    with only_writer(beside(folder, "lock"), folder):
        if folder.is_dir():
            return False
        shutil.rmtree(staging, ignore_errors=True)  # of a killed writer
        try:
            stage(staging, files)
            os.rename(staging, folder)
            sync_folder(folder.parent)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    return True


def beside(folder: Path, what: str) -> Path:
    """A hidden name beside a folder, for whoever writes it."""
    return folder.parent / f".{folder.name}.{what}"


def _write_into(folder, files):
    """Stage, then move; the rename of the staging folder between them is the decision."""
    known = manifest_of(folder)
    if known is not None:
        hashes = known | {name: digest_of(content) for name, content in files.items()}
        files = {**files, MANIFEST: manifest_text(hashes)}
    staging, moving = folder / _STAGED, folder / _MOVING
    shutil.rmtree(staging, ignore_errors=True)
    try:
        stage(staging, files)
        os.rename(staging, moving)
        sync_folder(folder)
        _move_into(folder, moving, files)
    finally:
        shutil.rmtree(staging, ignore_errors=True)
        shutil.rmtree(moving, ignore_errors=True)


def stage(staging: Path, files: Mapping[str, bytes | str]) -> None:
    """Write every file below `staging` and have it on the disk."""
    staging.mkdir()
    for name, content in files.items():
        path = staging / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as stream:
            stream.write(_as_bytes(content))
            stream.flush()
            os.fsync(stream.fileno())
    sync_folder(staging)


def _as_bytes(content):
    # A path that is no UTF-8 may be named in a page.
    return content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content


def _finish(folder):
    """Move what is all there into place; nothing to do if no writer was killed."""
    moving = folder / _MOVING
    if not moving.is_dir():
        return
    for path in sorted(p for p in moving.rglob("*") if p.is_file()):
        name = path.relative_to(moving)
        if name.parts[0] != _REPLACED:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, folder / name)
    sync_folder(folder)
    shutil.rmtree(moving)


_REPLACED = ".replaced"


def _move_into(folder, moving, files):
    """Rename staged files into place; on any trouble put back what was there."""
    kept = moving / _REPLACED
    kept.mkdir()
    done = []
    try:
        for number, name in enumerate(files):
            path, old = folder / name, kept / str(number)
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.exists():
                link_or_copy(path, old)
            done.append((path, old))
            os.replace(moving / name, path)
    except BaseException:
        for path, old in reversed(done):
            with contextlib.suppress(OSError):
                if old.exists():
                    os.replace(old, path)
                else:
                    path.unlink(missing_ok=True)
        raise
    sync_folder(folder)


def link_or_copy(path: Path, second: Path) -> None:
    """The same content at a second name, also where the disk knows no hard links."""
    try:
        os.link(path, second)
    except OSError:
        shutil.copy2(path, second)


def sync_folder(folder: Path) -> None:
    """Have renames on the disk too, where the system can do that."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
