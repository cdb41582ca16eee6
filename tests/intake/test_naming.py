"""Point ids to pose and target: patterns, booking sheets, re-shots."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.intake.files.ids import Booked, IdPattern, PatternText
from calib.intake.matching.booking import (
    book_by_pattern,
    book_by_sheet,
    complain_of_unfound,
    read_booking,
)
from calib.run.complaints import Findings

TARGETS = {"left": "edge_left", "right": "edge_right"}


@given(st.text("0123456789-.", min_size=1, max_size=6), st.sampled_from(["left", "right"]),
       st.sampled_from(["", "a", ".2", "-b"]))
def test_pattern_takes_apart_what_it_put_together(pose, target, repeat):
    """The true reading is among those found, and with plain poses it is the only one."""
    ways = IdPattern("{pose}-{target}{repeat}", TARGETS).readings_of(f"{pose}-{target}{repeat}")
    assert Booked(pose, TARGETS[target], None, repeat) in ways
    if pose.isdecimal():
        assert len(ways) == 1


@pytest.mark.parametrize(("pattern", "point", "booked"), [
    ("{pose}{target}", "012left", Booked("012", "edge_left")),
    ("{target}{pose}", "right7", Booked("7", "edge_right")),
    ("{stand}.{pose}.{target}", "S1.7.right", Booked("7", "edge_right", "S1")),
    ("cal/{pose}/{target}", "cal/7/left", Booked("7", "edge_left")),
])
def test_patterns(pattern, point, booked):
    """One way to read each."""
    assert IdPattern(pattern, TARGETS).readings_of(point) == [booked]


@pytest.mark.parametrize(("pattern", "words"), [
    ("{pose}", "no {target}"), ("{pose}-{pose}-{target}", "twice"), ("{corner}{pose}", "corner"),
])
def test_bad_patterns(pattern, words):
    """A pattern needs pose and target, each field once, no other."""
    with pytest.raises(PatternText, match=words):
        IdPattern(pattern, TARGETS)


def booked(points, pattern, targets, leave=False):
    """Rows and findings."""
    findings = Findings()
    rows = book_by_pattern(points, tuple(range(1, len(points) + 1)), "f.txt",
                           IdPattern(pattern, targets), leave, findings)
    return rows, findings


def test_ambiguous_ids_are_refused():
    """Without a table of targets a repeat letter cannot be told from the target's."""
    rows, findings = booked(("12-lefta",), "{pose}-{target}{repeat}", {})
    assert not rows
    told = str(findings.complaints[0])
    assert "target left, repeat a or pose 12, target lefta" in told and "--target" in told


def test_other_points_are_refused_or_left_out_with_a_word():
    """A control point is a complaint, or on request a notice that names it."""
    rows, findings = booked(("1-left", "CP1"), "{pose}-{target}", TARGETS)
    assert "line 2" in str(findings.complaints[0]) and '"CP1"' in str(findings.complaints[0])
    rows, findings = booked(("1-left", "CP1"), "{pose}-{target}", TARGETS, leave=True)
    assert list(rows) == [0] and not findings.complaints
    assert "CP1 (line 2)" in findings.notices[0].says


SHEET = "point;pose;target;stand\n12;1;left;S1\n13;1;right;S1\n"


def test_booking_sheet():
    """Points by the sheet; a re-shot counts for its point; a point not booked is left out."""
    findings = Findings()
    sheet = read_booking(SHEET.encode(), "book.csv", TARGETS, findings)
    rows, found = book_by_sheet(("12", "12a", "13", "99"), (1, 2, 3, 4), "f.txt", sheet, findings)
    assert rows[0] == Booked("1", "edge_left", "S1")
    assert rows[1] == Booked("1", "edge_left", "S1", "a")
    assert found == {"12", "13"} and 3 not in rows
    says = " ".join(n.says for n in findings.notices)
    assert 're-shot of "12"' in says and "99 (line 4)" in says
    assert not findings.complaints


@pytest.mark.parametrize(("text", "words"), [
    ("point,pose\n1,2\n", "target"), ("point,pose,target\n1,1,L\n1,2,L\n", "first in line 2"),
    ("point,pose,target\n1,,L\n", "column pose"), ("", "empty"),
])
def test_bad_booking_sheets(text, words):
    """A column missing, a point booked twice, a hole, nothing at all."""
    findings = Findings()
    read_booking(text.encode(), "book.csv", TARGETS, findings)
    assert words in "\n".join(str(c) for c in findings.complaints)


def test_booked_points_must_exist():
    """A booked point that no file holds is a complaint, with the likely one."""
    findings = Findings()
    sheet = read_booking(b"point,pose,target\n012,1,L\n", "book.csv", TARGETS, findings)
    complain_of_unfound(sheet, set(), ["12"], findings)
    assert "book.csv line 2" in str(findings.complaints[0])
    assert "zeros" in str(findings.complaints[0])


@pytest.mark.parametrize("point", ["a" * 60, "a-" * 30, "1" * 60, "a1" * 30, "a" * 59 + "!"])
@pytest.mark.parametrize("targets", [{}, TARGETS])
def test_long_ids_and_many_fields_take_no_time(point, targets):
    """Sixty letters and four fields without anything between took minutes for a file."""
    ids = IdPattern("{stand}{pose}{target}{repeat}", targets)
    start = time.process_time()
    ids.readings_of(point)
    assert time.process_time() - start < 0.25


@pytest.mark.parametrize("point", ["a" * 60, "1" * 60, "1a" * 30, "1-" * 30])
@pytest.mark.parametrize("targets", [{}, {"1": "edge_left"}, {"a": "edge_left", "aa": "edge_mid"}])
def test_a_long_id_is_not_split_in_every_way_again_and_again(point, targets):
    """Of 60 characters and four fields, which once took minutes: each place is tried once."""
    tried = []
    ids = IdPattern("{stand}{pose}{target}{repeat}", targets)
    real = ids._is
    ids._is = lambda name, text: tried.append(text) or real(name, text)
    ids.readings_of(point)
    assert len(tried) < 4 * 61 * 61
