"""The files of a results folder, from the document of result.json."""

from calib.cli.talk import json_text
from calib.document.record import ResultRecord
from calib.report.plots import plot_files
from calib.report.record import tables
from calib.report.report import report_files
from calib.run.write import csv_text


def result_files(document: ResultRecord) -> dict[str, str | bytes]:
    """Name to content: result.json, the tables, the plots and the report."""
    return {
        "result.json": json_text(document),
        **{name: csv_text(frame) for name, frame in tables(document).items()},
        **plot_files(document),
        **report_files(document),
    }
