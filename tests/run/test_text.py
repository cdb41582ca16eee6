"""Bytes to text to rows, with true line numbers."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.run.complaints import Findings
from calib.run.text import DIALECTS, Dialect, decode, read_grid, split_cells, split_lines

NAMES = ("shot", "east", "north")
NUMERIC = ("east", "north")


def decoded(data):
    """Text, complaints and notices of some bytes."""
    findings = Findings()
    text = decode(data, "shots.csv", findings)
    return text, [str(c) for c in findings.complaints], [str(n) for n in findings.notices]


def grid(text, **options):
    """Grid, complaints and notices of some text."""
    findings = Findings()
    table = read_grid(text, "shots.csv", findings, **options)
    return table, [str(c) for c in findings.complaints], [str(n) for n in findings.notices]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_utf8_with_and_without_a_mark(encoding):
    """The byte order mark does not stay on the first header."""
    assert decoded("größe,1\n".encode(encoding)) == ("größe,1\n", [], [])


def test_utf16_is_read_with_a_notice():
    """Marked UTF-16, as spreadsheets call Unicode text."""
    text, complaints, notices = decoded("größe\t1\n".encode("utf-16"))
    assert (text, complaints) == ("größe\t1\n", [])
    assert notices == ["shots.csv: read as UTF-16"]


def test_cp1252_is_read_with_a_notice_that_names_the_line():
    """Windows-1252 is the last guess, and said aloud."""
    text, complaints, notices = decoded("a,1\ngröße,1\n".encode("cp1252"))
    assert (text, complaints) == ("a,1\ngröße,1\n", [])
    assert notices == [
        "shots.csv line 2: not UTF-8 from line 2 on; read as Windows-1252 (cp1252): "
        "check accented letters in ids"
    ]


@pytest.mark.parametrize("data", [b"", b"  \r\n\n", "\ufeff".encode()])
def test_an_empty_file(data):
    """Nothing but white space is an empty file."""
    assert decoded(data)[:2] == (None, ["shots.csv: found an empty file, expected text"])


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        (b"PK\x03\x04\x00\x00", "shots.csv: found a spreadsheet or an archive, which is no text, "
         "expected the table in it saved as CSV (Save as ...), and that file given"),
        (b"a,b\n1,\x002\n", "shots.csv line 2: found binary data (a byte 0x00), expected plain "
         "text (a spreadsheet must be saved as CSV first)"),
        ("a,b\n".encode("utf-16-le"), "shots.csv line 1: found binary data (a byte 0x00), expected "
         "plain text (a spreadsheet must be saved as CSV first)"),
        (b"a,b\n\x0c\n1,2\x0c\n", "shots.csv line 3: found binary data (a byte 0x0c), expected "
         "plain text (a spreadsheet must be saved as CSV first)"),
        (b"\x81\x8d", "shots.csv: found bytes that are not text, expected text in UTF-8 "
         "(binary data, or a damaged file?)"),
        (b"\xff\xfea", "shots.csv: found bytes that are not text, expected text in UTF-8 "
         "(binary data, or a damaged file?)"),
    ],
)
def test_binary_data(data, complaint):
    """Binary data is refused, never read as odd text."""
    assert decoded(data) == (None, [complaint], [])


@given(st.binary(max_size=200))
def test_any_bytes_are_text_or_a_complaint(data):
    """Exactly one of the two, and never an exception."""
    text, complaints, _ = decoded(data)
    assert (text is None) == (len(complaints) == 1)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end):
    """LF, CRLF and CR end a line; nothing else does."""
    text = f"a\u2028b\x85c{end}d{end}"
    assert split_lines(text) == ["a\u2028b\x85c", "d"]


def test_line_numbers_count_comments_and_blank_lines():
    """A complaint must point at the line that an editor shows."""
    table, _, _ = grid("# a comment\r\n\r\nshot,east,north\r\n,,\r\nS1,1,2\r\n", names=NAMES)
    assert [(row.line, row.cells) for row in table.rows] == [
        (3, ("shot", "east", "north")), (5, ("S1", "1", "2")),
    ]


def test_commented_rows_are_named_but_prose_is_not():
    """A row left out on purpose should be seen by whoever reads the result."""
    table, _, _ = grid("# shot, east, north\nshot,east,north\n#S1,1,2\nS2,1,2\n", names=NAMES)
    assert table.commented == (3,)


@pytest.mark.parametrize("dialect", DIALECTS, ids=str)
def test_the_header_decides_the_delimiter(dialect):
    """Every pair of delimiter and decimal mark is recognised, and said unless it is ours."""
    lines = [["shot", "east", "north"], ["S1", "5000.123", "1000"], ["S2", "5000.5", "1000.25"]]
    text = "\n".join(dialect.delimiter.join(row) for row in lines[:1])
    for row in lines[1:]:
        text += "\n" + dialect.delimiter.join(row).replace(".", dialect.decimal)
    table, complaints, notices = grid(text, names=NAMES, numeric=NUMERIC)
    assert (table.dialect, complaints) == (dialect, [])
    assert notices == ([] if dialect == DIALECTS[0] else [f"shots.csv: read with {dialect}"])


def test_ids_and_notes_do_not_decide_the_decimal_mark():
    """Only columns that hold numbers count."""
    text = "shot;east;north;note\n1.1;5,25;6,5;3.5\n1.2;5,25;6;2.5\n1.3;5;6;1.5\n"
    table, complaints, _ = grid(text, names=NAMES, numeric=NUMERIC)
    assert (table.dialect, complaints) == (Dialect(";", ","), [])


def test_both_decimal_marks_alike_is_a_question():
    """When two readings are possible the tool stops and asks."""
    table, complaints, _ = grid("shot;east;north\nS1;1,5;2\nS2;1;2.5\n", names=NAMES,
                                numeric=NUMERIC)
    assert table is None
    assert complaints == [
        'shots.csv line 3: found both "2.5" (line 3) and "1,5" (line 2), expected one decimal '
        "mark in the whole file, point or comma"
    ]


def test_a_declared_dialect_is_taken_at_its_word():
    """What was stated is not detected again."""
    table, _, notices = grid("1;2.5;3,5\n", dialect=Dialect(";", "."))
    assert table.rows[0].cells == ("1", "2.5", "3,5")
    assert notices == []


def test_no_header():
    """A first row of data instead of names is not eaten as a header."""
    table, complaints, _ = grid("S1,5000.123,1000.456\n", names=NAMES, numeric=NUMERIC)
    assert table is None
    assert complaints == [
        'shots.csv line 1: found "S1,5000.123,1000.456", expected a row of column names, such as '
        "east, north, shot"
    ]


def test_a_quote_left_open_costs_its_line_only():
    """It must not swallow the rest of the file."""
    table, complaints, _ = grid('shot,east,north\n"S1,1,2\nS2,3,4\n', names=NAMES)
    assert [row.line for row in table.rows] == [1, 3]
    assert complaints == [
        'shots.csv line 2: found ""S1,1,2", expected every quote (") closed on its line, before '
        "the end of its cell"
    ]


@pytest.mark.parametrize(
    ("line", "delimiter", "cells"),
    [
        ('a, 5" pipe ,x', ",", ("a", '5" pipe', "x")),
        (' "a,b" , c', ",", ("a,b", "c")),
        ('"say ""no""",1', ",", ('say "no"', "1")),
        ("a\t\t", "\t", ("a", "", "")),
        ('"a b"   c', " ", ("a b", "c")),
        ("a\u00a0;b", ";", ("a", "b")),
        ('"a"x,b', ",", None),
    ],
)
def test_cells_of_a_line(line, delimiter, cells):
    """Quotes, spaces around fields, empty fields."""
    assert split_cells(line, delimiter) == cells


@given(
    st.lists(st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"])).map(str.strip),
             min_size=1, max_size=6),
    st.sampled_from(",;\t"),
)
def test_what_a_csv_library_writes_is_read_back(cells, delimiter):
    """The standard library's writer is the reference for quoting."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    assert split_cells(out.getvalue(), delimiter) == tuple(cells)


@pytest.mark.parametrize("cell", ["", "1.00E+00", "2,00E+05", "a\u0085", "a\u200bb"])
def test_what_is_no_id(cell):
    """What a spreadsheet makes of an id, characters that do not show."""
    from calib.run.table import ID

    assert not ID.accepts(cell)


@pytest.mark.parametrize("cell", ["1", "001", "A-3", "1E3", "stand 1", "S.2", "NA", "-"])
def test_what_is_an_id(cell):
    """Ids are text of any kind."""
    from calib.run.table import ID

    assert ID.accepts(cell)


@pytest.mark.parametrize("error", ["#N/A", "#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!"])
def test_a_spreadsheets_error_in_the_first_cell_is_no_remark(error):
    """The row was left out as a comment."""
    findings = Findings()
    grid = read_grid(f"east,shot\n1.5,a\n{error},b\n# 2.5,c\n", "x.csv", findings,
                     names=("shot", "east"), numeric=("east",))
    assert [row.cells for row in grid.rows[1:]] == [("1.5", "a"), (error, "b")]
    assert grid.commented == (4,)
