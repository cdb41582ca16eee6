"""A run of 3,000 shots: figures thin out, tables say what they leave out, nothing is cut off."""

import copy

import pytest

from calib.report.pages.report import report_page
from tests.report.conftest import record
from tests.report.reading import Page
from tests.report.test_browser import faults


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


@pytest.mark.slow
def test_three_thousand_shots(many, shown):
    """The page keeps every suspect and is all readable."""
    assert len(many["shots"]) == 3000
    html = report_page(record(many))
    read = Page(html)
    suspects = [s["shot"] for s in many["shots"] if s["suspect"]]
    assert len(suspects) == 10 and all(s in read.words for s in suspects)
    assert "1 in 8 drawn" in " ".join(read.figures["figure-by-order"])
    assert len(html) < 5_000_000
    assert not set(faults(shown(html, 820))) & {"cut", "broken", "faint"}
