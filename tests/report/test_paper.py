"""The report on paper: full pages, and no heading parted from what it heads."""

import io
from itertools import combinations, pairwise

import pytest
from pypdf import PdfReader

from calib.report.pages.contents import contents
from tests.report.conftest import record

#: Where the columns begin and end, and what may stay empty between two lines of text, pt.
TOP, BOTTOM, EMPTY = 42, 804, 125


@pytest.fixture(scope="module")
def written(report):
    """Of every page, its text below the top: height and left end, pt; where it ends at least."""
    found = []
    for page in PdfReader(io.BytesIO(report["report.pdf"])).pages:
        seen, high = [], float(page.mediabox.height)

        def see(text, cm, tm, font, size, seen=seen, high=high):
            down = high - (cm[1] * tm[4] + cm[3] * tm[5] + cm[5])
            if text.strip() and TOP < down < BOTTOM and not (tm[1] or cm[1]):
                left = cm[0] * tm[4] + cm[2] * tm[5] + cm[4]
                # Hardly a letter is narrower on average.
                seen.append((down, left, left + 0.3 * 7 * len(text.strip()), text.strip()))

        page.extract_text(visitor_text=see)
        found.append((float(page.mediabox.width) / 2, sorted(seen)))
    return found


@pytest.fixture(scope="module")
def columns(written):
    """Height of every text, pt, and the text, column by column."""
    return [[[(down, text) for down, left, _, text in seen if (left > middle) is right]
             for right in (False, True)] for middle, seen in written]


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


def test_no_line_is_printed_over_another(written):
    """Lines above one another are as far apart as the smallest type is high."""
    assert [(text, other) for _, seen in written
            for (down, left, right, text), (below, left_b, right_b, other) in combinations(seen, 2)
            if 0.5 < below - down < 6.4 and min(right, right_b) > max(left, left_b)] == []
