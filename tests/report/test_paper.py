"""The report on paper: full pages, and no heading parted from what it heads."""

import io
from itertools import pairwise

import pytest
from pypdf import PdfReader

from calib.report.pages.contents import contents
from tests.report.conftest import record

#: Where the columns begin and end, and what may stay empty between two lines of text, pt.
TOP, BOTTOM, EMPTY = 42, 804, 125


@pytest.fixture(scope="module")
def columns(report):
    """Height of every text below the top, pt, and the text, column by column."""
    found = []
    for page in PdfReader(io.BytesIO(report["report.pdf"])).pages:
        sides, middle = ([], []), float(page.mediabox.width) / 2

        def see(text, cm, tm, font, size, sides=sides, middle=middle,
                high=float(page.mediabox.height)):
            down = high - (cm[1] * tm[4] + cm[3] * tm[5] + cm[5])
            if text.strip() and TOP < down < BOTTOM:
                sides[cm[0] * tm[4] + cm[2] * tm[5] + cm[4] > middle].append((down, text.strip()))

        page.extract_text(visitor_text=see)
        found.append([sorted(side) for side in sides])
    return found


def test_every_page_but_the_last_is_full(columns):
    assert len(columns) <= 8
    for page in columns[:-1]:
        for side in page:
            downs = [TOP, *(down for down, _ in side), BOTTOM]
            assert max(b - a for a, b in pairwise(downs)) < EMPTY


def test_no_heading_stands_at_the_foot(columns, document):
    """Something of what it heads stands below it in the same column."""
    titles = {s.title for s in contents(record(document))} | {"Pictures", "Tables"}
    headed = [(side, down) for page in columns for side in page
              for down, text in side if text in titles]
    assert len(headed) > 8
    for side, down in headed:
        assert side[-1][0] > down
