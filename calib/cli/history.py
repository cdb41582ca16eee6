"""``calib history``: all results below a folder, in an append-only record."""

from itertools import count
from pathlib import Path
from typing import Any

from calib.cli.onward import above, follow_on
from calib.console import talk
from calib.report.pages.history import (
    BrokenHistory,
    additions,
    header,
    history_document,
    history_sections,
    read_history,
)
from calib.report.press.html import page
from calib.report.press.terminal import plain
from calib.results import load_result
from calib.run.complaints import InputError
from calib.run.lock import only_writer
from calib.run.text import ordinary
from calib.run.write import disk_trouble_told, finish_writing, free_path, write_whole

RECORD = "history.csv"


def history(folder: Path, json: bool) -> None:
    """Take up every result below a folder, and show all."""
    if not folder.is_dir():
        raise InputError.of(folder, "no such folder", "a folder with results in it")
    # What another history adds meanwhile would be lost.
    with disk_trouble_told(folder), only_writer(folder / ".history-lock", folder):
        entries, text, damaged = take_up(folder)
        sections = history_sections(entries)
        html = page("report.html.j2", entries, "History", f"{len(entries)} results", sections,
                    contents=False)
        write_whole(folder, {RECORD: text, "history.html": html, **damaged})
    talk.tell_all(f"{RECORD}: its last line was cut short and is left out; the file as it was is "
                  f"kept as {name}" for name in damaged)
    there = [path for entry in entries if (path := folder / entry.result).is_file()]
    _follow_latest(folder, there)
    talk.answer(history_document(entries), plain(sections), json)


def _follow_latest(folder, there):
    """What makes the latest result one that is entered; after its sheet, the next run."""
    latest = max(there, key=lambda path: path.stat().st_mtime, default=None)
    if latest is None:
        talk.follow("demo")
    elif (latest.parent / "sheet.html").is_file():
        beside = above(folder) if (folder / "rig.toml").is_file() else folder
        named = (beside / f"run-{number}" for number in count(1))
        talk.follow("new", next(path for path in named if not path.exists()))
    else:
        follow_on(load_result(latest).document, latest.parent)


def take_up(folder: Path) -> tuple[list, str, dict[str, str]]:
    """All entries, old and new, and the text of the record with them; it is not written here.

    Last, the record as it was, by the name to keep it, if a part of it could not be read.
    """
    finish_writing(folder)
    record = folder / RECORD
    try:
        text = ordinary(record).read_bytes().decode("utf-8") if record.exists() else ""
    except UnicodeDecodeError:
        raise InputError.of(record, "bytes that are not UTF-8",
                            "history.csv as calib history wrote it") from None
    try:
        entries, kept = read_history(text)
    except BrokenHistory as error:
        raise InputError.of(record, error.found, error.expected, line=error.line) from None
    kept = kept or header()
    damaged = {} if kept.startswith(text) else {
        free_path(folder / f"damaged-{RECORD}").name: text}
    found: list[Any] = []
    skipped: list[Any] = []
    for path in sorted(folder.rglob("result.json")):
        if any(part.startswith(".") for part in path.relative_to(folder).parts):
            continue  # what a killed solve left
        try:
            result = load_result(path)
            # A line is a line, whatever a folder is called.
            name = talk.printable(path.relative_to(folder).as_posix()).replace("\n", "\\n")
            found.append((name, result.sha256, result.document))
        except InputError as error:
            skipped += error.complaints
    talk.tell_all(f"{complaint}; left out" for complaint in skipped)
    added = additions(entries, found)
    return [*entries, *added], kept + "".join(entry.line() for entry in added), damaged
