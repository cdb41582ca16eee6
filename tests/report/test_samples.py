"""The samples in reports/ are what the commands named beside them make today."""

import re
from pathlib import Path

import pytest

from calib.cli.demo import demo_files
from calib.report.pages.report import report_page
from calib.report.pages.sheet import sheet_files
from calib.run.folder import read_run
from calib.run.write import write_whole
from tests.report.conftest import document_of, record
from tests.report.reading import Page

REPORTS = Path(__file__).parents[2] / "reports"


@pytest.fixture(scope="module")
def demo_document(tmp_path_factory):
    """The demo's result."""
    folder = tmp_path_factory.mktemp("demo")
    write_whole(folder, demo_files())
    return document_of(read_run(folder))


def _of_any_machine(said):
    """Without the versions of what computed it."""
    return re.sub(r"Computed with [^;]*;", "Computed;", said)


def test_samples_are_up_to_date(demo_document):
    """Words, figures' texts and numbers of the samples; the numbers to their last shown digit."""
    told = record(demo_document)
    fresh = {
        "report.html": report_page(told),
        "sheet.html": sheet_files(told)["sheet.html"].decode(),
    }
    for name, html in fresh.items():
        old, new = Page((REPORTS / name).read_text("utf-8")), Page(html)
        again = "(see reports/README.md for the commands that make it again)"
        assert _of_any_machine(old.words) == _of_any_machine(new.words), f"{name} is old {again}"
        assert list(old.figures) == list(new.figures)
        assert len(old.numbers) == len(new.numbers)
        for (raw, factor, shown), (raw_new, *_) in zip(old.numbers, new.numbers, strict=True):
            last = 10.0 ** -len(shown.partition(".")[2]) if factor else 0
            assert abs(float(raw) - float(raw_new)) * (factor or 1) <= 2 * last, (name, shown)
    for name in ("report.pdf", "sheet.pdf"):
        assert (REPORTS / name).read_bytes().startswith(b"%PDF")
