"""The files of a results folder, from the document of result.json."""

import json

from calib.report.record import tables
from calib.run.write import csv_text


def result_files(document: dict) -> dict[str, str | bytes]:
    """Name to content: result.json, the tables and the plots."""
    return {
        "result.json": json_text(document),
        **{name: csv_text(frame) for name, frame in tables(document).items()},
    }


def json_text(document: dict) -> str:
    """One JSON document, numbers as numbers, nothing that JSON does not know."""
    return json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
