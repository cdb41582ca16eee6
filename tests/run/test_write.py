"""Results appear whole or not at all."""

import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.run.complaints import Findings, InputError
from calib.run.text import read_grid
from calib.run.write import csv_text, refuse_run_folder, write_new_folder, write_whole

FILES = {"a.txt": "größe\n", "b.bin": b"\x00\x01", "plots/c.txt": "c"}


def content(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_new_folder_holds_just_the_files(tmp_path):
    """Folders in between are made; nothing temporary is left."""
    out = tmp_path / "deep" / "out"
    write_whole(out, FILES)
    assert content(out) == {"a.txt": "größe\n".encode(), "b.bin": b"\x00\x01", "plots/c.txt": b"c"}
    assert os.listdir(out.parent) == ["out"]


def test_other_files_in_the_folder_are_left_alone(tmp_path):
    """Files of the same names are replaced, the rest stays."""
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "a.txt").write_text("old")
    write_whole(tmp_path, FILES)
    assert content(tmp_path) == {
        "notes.txt": b"mine", "a.txt": "größe\n".encode(), "b.bin": b"\x00\x01",
        "plots/c.txt": b"c",
    }


def fail_once(monkeypatch, name, nth, error):
    """Make the nth call of an ``os`` function fail; the others work."""
    real, calls = getattr(os, name), []

    def call(*arguments):
        calls.append(arguments)
        if len(calls) == nth:
            raise error
        return real(*arguments)

    monkeypatch.setattr(os, name, call)


@pytest.mark.parametrize(
    ("existing", "name", "nth"),
    [
        (False, "fsync", 1), (False, "fsync", 3), (False, "rename", 1),
        (True, "fsync", 1), (True, "fsync", 3),
        (True, "replace", 1), (True, "replace", 2), (True, "replace", 3),
    ],
)
def test_trouble_halfway_leaves_everything_as_it_was(tmp_path, monkeypatch, existing, name, nth):
    """A full disk at any step: no new file, no old one lost, nothing temporary."""
    out = tmp_path / "out"
    if existing:
        write_whole(out, {"a.txt": "old", "notes.txt": "mine"})
    before = content(tmp_path)
    fail_once(monkeypatch, name, nth, OSError(28, "No space left on device"))
    with pytest.raises(InputError) as caught:
        write_whole(out, FILES)
    assert str(caught.value) == (
        f"{out}: found a place that cannot be written (no space left on device), expected a folder "
        "that you may write to, on a disk with room"
    )
    assert content(tmp_path) == before
    assert out.exists() == existing


def test_an_interrupt_while_moving_puts_back_what_was_there(tmp_path, monkeypatch):
    """Ctrl-C is no reason for half a result."""
    write_whole(tmp_path, {"a.txt": "old"})
    fail_once(monkeypatch, "replace", 2, KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path, FILES)
    assert content(tmp_path) == {"a.txt": b"old"}


def test_what_is_in_the_way_is_named(tmp_path):
    """A file in place of the folder, a folder in place of a file."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(InputError) as caught:
        write_whole(tmp_path / "out", FILES)
    assert str(caught.value) == f"{tmp_path / 'out'}: found a file, expected a folder"
    with pytest.raises(InputError) as caught:
        write_whole(tmp_path / "out" / "deeper", FILES)
    assert "found a place that cannot be written (" in str(caught.value)
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(InputError) as caught:
        write_whole(tmp_path, FILES)
    assert str(caught.value) == f"{tmp_path / 'a.txt'}: found a folder, expected a file, or nothing"
    assert content(tmp_path) == {"out": b"x"}


@pytest.mark.parametrize("name", ["../a", "/a", "", "a/../../b"])
def test_a_name_that_leads_out_is_a_fault_of_the_program(tmp_path, name):
    """No result lands elsewhere."""
    with pytest.raises(ValueError, match="no name of a file inside"):
        write_whole(tmp_path, {name: "x"})


def test_a_new_folder_is_never_written_over(tmp_path):
    """An empty folder will do; one with anything in it will not."""
    write_new_folder(tmp_path / "run", FILES)
    with pytest.raises(InputError) as caught:
        write_new_folder(tmp_path / "run", FILES)
    assert str(caught.value) == (f"{tmp_path / 'run'}: found a folder with files in it, expected a "
                                 "new folder: nothing is written over")
    (tmp_path / "empty").mkdir()
    write_new_folder(tmp_path / "empty", FILES)
    assert len(content(tmp_path / "empty")) == 3


def test_results_do_not_go_over_the_run(tmp_path):
    """Both have a shots.csv."""
    refuse_run_folder(tmp_path / "result", tmp_path)
    with pytest.raises(InputError, match="found the run folder itself"):
        refuse_run_folder(tmp_path / "x" / "..", tmp_path)


def test_strict_csv():
    """Commas, points, LF; quotes where needed; None and NaN are empty."""
    frame = pd.DataFrame({
        "shot": ["001", "#2", "a,b", 'say "no"'],
        "east": [1.5, np.nan, -2e-07, 0.1],
        "n": [1, 2, 3, 4],
        "suspect": [True, False, None, True],
    })
    assert csv_text(frame) == (
        "shot,east,n,suspect\n"
        "001,1.5,1,true\n"
        '"#2",,2,false\n'
        '"a,b",-2e-07,3,\n'
        '"say ""no""",0.1,4,true\n'
    )


@pytest.mark.parametrize("value", [np.inf, -np.inf, "a\nb"])
def test_what_cannot_be_read_back_is_not_written(value):
    """An infinite number, a line break."""
    with pytest.raises(ValueError, match=r"infinite|line break"):
        csv_text(pd.DataFrame({"a": [value]}))


@given(st.lists(
    st.tuples(
        st.text(st.characters(codec="utf-8", exclude_categories=["C", "Zl", "Zp"]), min_size=1)
        .map(str.strip).filter(bool),
        st.floats(allow_nan=False, allow_infinity=False),
    ),
    min_size=1, max_size=5,
))
def test_strict_csv_is_read_back_as_it_was(rows):
    """Ids and floats come back the same to the last bit."""
    text = csv_text(pd.DataFrame(rows, columns=["shot", "east"]))
    findings = Findings()
    grid = read_grid(text, "x.csv", findings, names=("shot", "east"), numeric=("east",))
    assert not findings.complaints
    assert [(row.cells[0], float(row.cells[1])) for row in grid.rows[1:]] == rows
