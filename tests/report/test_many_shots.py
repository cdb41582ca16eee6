"""A run of 3,000 shots: figures thin out, tables say what they leave out, nothing is cut off."""

import copy
import time

import pytest

from calib.report.pages.report import report_files
from tests.report.conftest import record
from tests.report.reading import Page
from tests.report.test_browser import CHROMIUM, SIZES, opened


@pytest.fixture(scope="module")
def many(document):
    """The result with its shots, poses and readings fifty times over."""
    big = copy.deepcopy(document)
    for key in ("poses", "readings", "shots"):
        big[key] = [{**r, "pose": f"{k}.{r['pose']}", **(
            {"shot": f"{k}.{r['shot']}", "suspect": r["suspect"] and k % 10 == 0}
            if key == "shots" else {})} for k in range(50) for r in document[key]]
    big["undetected"]["shots"] = [{**s, "shot": f"{k}.{s['shot']}"} for k in range(50)
                                  for s in document["undetected"]["shots"]]
    big["held_out"] = None
    return big


def test_three_thousand_shots(many, tmp_path):
    """The report is made in good time, keeps every suspect and is all readable."""
    assert len(many["shots"]) == 3000
    start = time.process_time()
    html = report_files(record(many))["report.html"].decode()
    # Processor time of the page; 20 s of wall time with the PDF beside it is the aim.
    assert time.process_time() - start < 20
    read = Page(html)
    suspects = [s["shot"] for s in many["shots"] if s["suspect"]]
    assert len(suspects) == 10 and all(s in read.words for s in suspects)
    assert "1 in 8 drawn" in " ".join(read.figures["figure-by-order"])
    assert len(html) < 5_000_000
    if CHROMIUM:
        probe = opened(html, tmp_path, *SIZES["tablet"])
        assert probe["cut"] == [] and probe["errors"] == []
