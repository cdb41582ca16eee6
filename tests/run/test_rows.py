"""Rows changed in the text of a table: everything else stays byte for byte."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.run.complaints import Findings, InputError
from calib.run.rows import Kind, added, changed, row_of
from calib.run.text import read_grid

COLUMNS, NUMERIC = ("shot", "pose", "up"), ("up",)
ROWS = Kind("shots.csv", COLUMNS, "shot", NUMERIC)
HEAD = "# a remark\nshot,pose,note,up\n"


def test_a_new_file_gets_its_columns():
    assert added("", ROWS, [{"shot": "a", "pose": "1", "up": "0.5"}]) == (
        "shot,pose,up\na,1,0.5\n")


def test_comments_and_other_columns_stay():
    text = added(HEAD + "a,1,windy,0.25\n", ROWS,
                 [{"shot": "b", "pose": "1", "up": "-1.5"}])
    assert text == HEAD + "a,1,windy,0.25\nb,1,,-1.5\n"
    text = changed(text, ROWS, "a", {"pose": "2"})
    assert text == HEAD + "a,2,windy,0.25\nb,1,,-1.5\n"


def test_the_decimal_mark_and_the_line_ends_are_those_of_the_file():
    text = "shot;pose;up\r\na;1;0,25\r\n"
    text = added(text, ROWS, [{"shot": "b", "pose": "1", "up": "0.125"}])
    assert text == "shot;pose;up\r\na;1;0,25\r\nb;1;0,125\r\n"
    assert row_of(text, ROWS, "b") == {
        "shot": "b", "pose": "1", "up": "0.125"}


def test_a_row_without_line_end_gets_one_before_the_next():
    text = added("shot,pose,up\na,1,0.5", ROWS, [{"shot": "b", "pose": "1", "up": "1.5"}])
    assert text.splitlines()[1:] == ["a,1,0.5", "b,1,1.5"]


def test_a_row_is_taken_out():
    text = "shot,pose,up\na,1,0.5\nb,1,0.25\n"
    assert changed(text, ROWS, "a", None) == "shot,pose,up\nb,1,0.25\n"


@pytest.mark.parametrize("name, count", [("c", "0 rows"), ("a", "2 rows")])
def test_no_row_of_the_name_or_two_are_refused(name, count):
    with pytest.raises(InputError, match=count):
        changed("shot,pose,up\na,1,0.5\na,1,0.5\n", ROWS, name, {"pose": "2"})


def test_a_column_that_the_file_lacks_is_added():
    text = added(HEAD + "a,1,windy,0.25\n", Kind("s", COLUMNS, "shot", ("up", "sd_up")),
                 [{"shot": "b", "pose": "2", "up": "1.5", "sd_up": "0.01"}])
    assert text == "# a remark\nshot,pose,note,up,sd_up\na,1,windy,0.25,\nb,2,,1.5,0.01\n"


def test_a_column_that_the_file_must_have_is_missed():
    with pytest.raises(InputError, match='no column "up"'):
        added("shot,pose\n", ROWS, [{"shot": "b", "pose": "1"}])


_NAMES = st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1).map(
    str.strip).filter(bool)


@given(names=st.lists(_NAMES, min_size=1, max_size=5, unique=True),
       delimiter=st.sampled_from(",;\t"))
def test_any_name_comes_back_as_it_was(names, delimiter):
    text = delimiter.join(COLUMNS) + "\n"
    for name in names:
        text = added(text, ROWS, [{"shot": name, "pose": "1", "up": "0.5"}])
    grid = read_grid(text, "s", Findings(), names=COLUMNS, numeric=NUMERIC)
    assert [row.cells[0] for row in grid.rows[1:]] == names
