"""The history: appended, linked, verified."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure

from calib.document.record import Decision
from calib.document.solved import Job
from calib.report.pages.history import (
    BrokenHistory,
    additions,
    header,
    history_sections,
    read_history,
)
from calib.report.press.terminal import plain


def _result(name, value, time="", job=None, decision=Decision.ENTER):
    document = SimpleNamespace(
        job=job or Job(),
        rig=SimpleNamespace(name="tilt_rotator"), decision=decision,
        run=SimpleNamespace(files={"shots.csv": "ab"}),
        poses=[SimpleNamespace(time=time or None)],
        parameters=[SimpleNamespace(name="boom_length", value=value, sd=0.001, unit="m")],
    )
    return (f"{name}/result.json", f"{name:0>64}", document)


def _text(entries):
    return header() + "".join(e.line() for e in entries)


def test_results_are_added_once_in_the_order_of_their_times():
    """New results come in by time, those without at the end; known ones are not repeated."""
    first = additions([], [_result("b", 5.7, "2026-05-02"), _result("a", 5.6, "2026-05-03"),
                           _result("c", 5.8)])
    assert [e.result[0] for e in first] == ["b", "a", "c"]
    entries, kept = read_history(_text(first))
    assert entries == first and kept == _text(first)
    again = additions(entries, [_result("a", 5.6), _result("d", 5.9)])
    assert [(e.number, e.result[0]) for e in again] == [(4, "d")]
    assert read_history(_text([*first, *again]))[0] == [*first, *again]


def test_what_is_not_to_be_entered_yet_is_neither_passed_nor_failed():
    """A state of its own in the file, and read back as it was."""
    added = additions([], [_result(d.value[:2], 5.6, decision=d) for d in Decision])
    assert {e.result[:2]: e.passed for e in read_history(_text(added))[0]} == {
        "en": True, "no": None, "do": False}
    assert ",not yet," in _text(added)


@pytest.mark.parametrize("edit", [
    lambda lines: [lines[0], lines[1].replace("5.6", "5.5"), *lines[2:]],
    lambda lines: [lines[0], *lines[2:]],
    lambda lines: [lines[0], lines[2], lines[1], *lines[3:]],
])
def test_a_changed_line_is_found(edit):
    """A line that was edited, taken out or moved breaks the links behind it."""
    entries = additions([], [_result("a", 5.6), _result("b", 5.7), _result("c", 5.8)])
    lines = _text(entries).splitlines(keepends=True)
    with pytest.raises(BrokenHistory, match="changed or taken out"):
        read_history("".join(edit(lines)))


def test_a_line_cut_short_is_dropped():
    """What a broken-off write leaves is dropped, and the result is taken up again."""
    entries = additions([], [_result("a", 5.6), _result("b", 5.7)])
    text = _text(entries)
    kept_entries, kept = read_history(text[:-20])
    assert kept_entries == entries[:1] and kept == _text(entries[:1])
    assert _text([*kept_entries, *additions(kept_entries, [_result("b", 5.7)])]) == text


def test_only_the_last_line_end_is_missing():
    """As an editor leaves it: nothing is dropped."""
    entries = additions([], [_result("a", 5.6), _result("b", 5.7)])
    assert read_history(_text(entries)[:-1]) == (entries, _text(entries))
    assert read_history(header()[:-1]) == read_history("") == read_history("numb") == ([], "")


@pytest.mark.parametrize("text", ["shot,pose\n1,2\n", "shot,pose", header().replace("\n", "\r")])
def test_another_file_is_no_history(text):
    """A CSV with another heading, or other line ends, is refused: it is not written over."""
    with pytest.raises(BrokenHistory, match="heading"):
        read_history(text)


@pytest.mark.parametrize("values", [
    "[1]", "1", '{"a": 1}', '{"a": [1, 2]}', '{"a": ["1", null, "m"]}', '{"a": [1, -1, "m"]}',
    '{"a": [NaN, null, "m"]}',
    '{"a":[1,null,"m"],"a":[2,null,"m"]}', '{"a": [1, null, "kg"]}', "[" * 100_000, "x" * 200_000,
])
def test_values_are_a_table_of_quantities(values):
    """The last line has no link behind it: what it holds is looked at itself."""
    entry, = additions([], [_result("a", 5.6)])
    line = entry.line()
    start = line.index('"{')
    end = line.index('}"') + 2
    cell = values.replace(" ", "").replace('"', '""')
    text = f'{header()}{line[:start]}"{cell}"{line[end:]}'
    with pytest.raises(BrokenHistory, match="no line of a history"):
        read_history(text)


def test_a_path_that_a_spreadsheet_would_run_is_guarded():
    """And comes back as it was."""
    entry, = additions([], [_result("=cmd|' /C calc'!A0", 5.6)])
    assert ",'=cmd|" in entry.line()
    assert read_history(_text([entry]))[0] == [entry]


def test_the_job_stands_in_the_history_and_an_older_one_goes_on_as_it_was():
    """A column of its own; a history begun without it keeps its columns, and its links."""
    job = Job(machine="=Digger", place="Yard")
    results = [_result("a", 5.6, job=job), _result("b", 5.7, job=job)]
    entries = additions([], results)
    assert entries[0].job == "=Digger, Yard" and "'=Digger, Yard" in _text(entries)
    assert read_history(_text(entries))[0] == entries
    old = [replace(entries[0], job=None)]
    more = additions(old, results)
    text = header(False) + "".join(e.line() for e in [*old, *more])
    assert [e.job for e in more] == [None] and read_history(text)[0] == [*old, *more]


def test_two_machines_are_told_apart():
    """By rig, machine and serial number; of one there is no remark."""
    jobs = [Job(machine="Digger, 21 t", serial=serial, date="2031-05-04") for serial in "12"]
    both = additions([], [_result(k, 5.6, job=job) for k, job in zip("ab", jobs, strict=True)])
    assert "results of 2 machines" in " ".join(plain(history_sections(both)).split())
    assert "machines" not in plain(history_sections(both[:1]))


def test_what_a_result_did_not_determine_is_in_neither_table_nor_plot():
    """A value that was held, such as 0 for a pin that was not shot, is no value of the machine."""
    entries = additions([], [_result("a", 5.6, "2026-05-02T09:04:47.500Z"),
                             _result("b", 5.7, "2026-05-03")])
    entries[1] = replace(entries[1], values={"boom_length": [0.0, None, "m"],
                                             "stick_length": [0.0, None, "m"]})
    listed, values, *pictures = history_sections(entries)[0].blocks
    assert [row[2] for row in listed.rows] == ["2026-05-02", "2026-05-03"]
    assert [[str(cell).split() for cell in row] for row in values.rows] == [
        [["boom_length"], ["mm"], ["5600.0", "±", "1.0"], []]]
    drawn = Figure()
    pictures[0].draw(drawn, entries)
    spots, = drawn.findobj(PathCollection)
    assert len(spots.get_offsets()) == 1


def test_a_value_and_its_sd_stand_in_one_line():
    """However long the names beside them are."""
    entries = additions([], [_result(k, 5600.0, k) for k in "abcde"])
    assert plain(history_sections(entries)).count("5600000.0 ± 1.0") == 4
