"""The journal of a fleet: a line per run as it is done, so that a killed fleet goes on."""

import json
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

from calib.run.text import ordinary

JOURNAL = "fleet.jsonl"

_CHECK = b',"check":"'


class Journal:
    """Rows on the disk, the last line of a run counts.

    Parameters
    ----------
    path : Path
        Made if it is not there. A line that was cut short or changed is dropped: its run is
        solved again.
    """

    def __init__(self, path: Path):
        self.path = path
        self._at: dict[str, tuple[int, str, str]] = {}
        path.touch()
        whole = 0
        with open(ordinary(path), "rb") as stream:
            for line in stream:
                row = _row(line)
                if row is not None:
                    self._at[row["run"]] = whole, row["inputs"], row["status"]
                whole += len(line) if line.endswith(b"\n") else 0
        self._stream = open(path, "r+b")
        self._stream.truncate(whole)
        self._stream.seek(whole)

    def inputs(self, run: str) -> str | None:
        """What a run was solved from, if it was."""
        return self._at[run][1] if run in self._at else None

    def status(self, run: str) -> str:
        """What became of a run that was solved."""
        return self._at[run][2]

    def add(self, row: dict[str, Any]) -> None:
        """Append a row, so that it survives the end of this process."""
        self._at[row["run"]] = self._stream.tell(), row["inputs"], row["status"]
        self._stream.write(_line(json.dumps(row, separators=(",", ":")).encode("utf-8")))
        self._stream.flush()

    def rows(self, runs: list[str]) -> Iterator[dict[str, Any]]:
        """The rows of some runs, those that are not there left out."""
        with open(self.path, "rb") as stream:
            for run in runs:
                if run in self._at:
                    stream.seek(self._at[run][0])
                    row = _row(stream.readline())
                    if row is not None:
                        yield row

    def close(self) -> None:
        """End writing."""
        self._stream.close()


def _line(row):
    """The line of a row, a JSON object: as its last value the hash of the others."""
    return row[:-1] + _CHECK + sha256(row).hexdigest()[:16].encode() + b'"}\n'


def _row(line):
    """A row of the journal; None where a line is none, or not as it was written."""
    row = line[: line.rfind(_CHECK)] + b"}"
    return json.loads(row) if _line(row) == line else None
