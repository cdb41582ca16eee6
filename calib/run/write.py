"""Writing results: a set of files appears whole or not at all."""

import contextlib
import math
import os
import shutil
import uuid
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

import pandas as pd

from calib.run.complaints import Complaint, InputError


def write_whole(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Write all files into a folder, or none; other files there are left alone.

    A new folder appears by one rename. In an existing folder every file is renamed into place
    after all are safely on disk; if one cannot be, those before it are put back.

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
    for name in files:
        parts = PurePosixPath(name).parts
        if not parts or ".." in parts or PurePosixPath(name).is_absolute():
            raise ValueError(f"{name!r} is no name of a file inside a folder")
    folder = Path(folder).absolute()
    try:
        _refuse_what_is_in_the_way(folder, files)
        exists = folder.is_dir()
        folder.parent.mkdir(parents=True, exist_ok=True)
        staging = (folder if exists else folder.parent) / f".{uuid.uuid4().hex}.part"
        try:
            _stage(staging, files)
            if exists:
                _move_into(folder, staging, files)
            else:
                os.rename(staging, folder)
                _sync_folder(folder.parent)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError([Complaint(
            str(folder), None, None, f"a place that cannot be written ({reason})",
            "a folder that you may write to, on a disk with room",
        )]) from error


def write_new_folder(folder: Path, files: Mapping[str, bytes | str]) -> None:
    """Write all files into a folder that is new or empty, or none.

    Raises
    ------
    InputError
        If there is anything in the folder already, or the place cannot be written.
    """
    folder = Path(folder)
    if folder.is_dir() and any(folder.iterdir()):
        raise InputError([Complaint(str(folder), None, None, "a folder with files in it",
                                    "a new folder: nothing is written over")])
    write_whole(folder, files)


def refuse_run_folder(out: Path, run_folder: Path) -> None:
    """Refuse to write results over the run they come from.

    Raises
    ------
    InputError
        If both are the same folder: the run's shots.csv would be lost.
    """
    if Path(out).resolve() == Path(run_folder).resolve():
        raise InputError([Complaint(
            str(out), None, None, "the run folder itself",
            "another folder for the results (they would replace the run's own files)",
        )])


def csv_text(frame: pd.DataFrame) -> str:
    """A table as strict CSV: commas, decimal points, LF, a header, no index.

    Floats are written with as many digits as it takes to read the same float again: round
    beforehand. None and NaN become empty cells.

    Raises
    ------
    ValueError
        For an infinite number, and for text with a line break: neither can be read back.
    """
    rows = [frame.columns, *frame.itertuples(index=False, name=None)]
    return "".join(",".join(_cell(value) for value in row) + "\n" for row in rows)


def _cell(value):
    if isinstance(value, str):
        if "\n" in value or "\r" in value:
            raise ValueError(f"a line break in the cell {value!r}")
        # A row whose first cell begins with # would be read as a comment.
        if value != value.strip() or value.startswith("#") or "," in value or '"' in value:
            return '"' + value.replace('"', '""') + '"'
        return value
    if value is None or pd.isna(value):
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


def _stage(staging, files):
    """Write every file below `staging` and have it on the disk."""
    staging.mkdir()
    for name, content in files.items():
        path = staging / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as stream:
            stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
    _sync_folder(staging)


def _move_into(folder, staging, files):
    """Rename staged files into place; on any trouble put back what was there."""
    kept = staging / ".replaced"
    kept.mkdir()
    done = []
    try:
        for number, name in enumerate(files):
            path, old = folder / name, kept / str(number)
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.exists():
                os.link(path, old)
            done.append((path, old))
            os.replace(staging / name, path)
    except BaseException:
        for path, old in reversed(done):
            with contextlib.suppress(OSError):
                if old.exists():
                    os.replace(old, path)
                else:
                    path.unlink(missing_ok=True)
        raise
    _sync_folder(folder)


def _sync_folder(folder):
    """Have renames on the disk too, where the system can do that."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
