"""Files made to take long or to get out: bounded, linear, shown and not sent."""

import csv
import io
import time

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.chain.rig import rig_from_dict
from calib.console import talk
from calib.run.complaints import Findings, InputError
from calib.run.observed import read_set_ups
from calib.run.rig_file import read_rig
from calib.run.table import ID, Column, read_table
from calib.run.tape import read_tape
from calib.run.text import decode, split_cells
from calib.run.write import csv_text
from calib.spreadsheet import guard, unguard
from tests.conftest import STANDARD

from .conftest import RIG


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " "])
@pytest.mark.parametrize("line", [
    " " * 80_000 + '"', '"' + " " * 80_000, '"a"' + " " * 80_000 + "x", '""' * 40_000 + '"',
    ',"a"' * 20_000 + '"', "\t" * 80_000 + '"',
])
def test_cells_in_one_pass(line, delimiter):
    """80,000 spaces and a quote took 11 s."""
    start = time.process_time()
    split_cells(line, delimiter)
    assert time.process_time() - start < 0.5


@pytest.mark.parametrize(("text", "found"), [
    (RIG + "[values]\n" + "".join(f"x{i} = 1\n" for i in range(4000)), "3,800 problems more"),
    (RIG + "".join(f"[x{i}]\n" for i in range(4000)), "3,800 problems more"),
    ("a." * 19_999 + "a = 1\n" + RIG, "a line of 40,003 characters"),
    ("a." * 900 + "a = 1\n" + RIG, "nested too deeply"),
    ("x = " + "[\n" * 20_000 + "]\n" * 20_000 + RIG, "nested too deeply"),
    ("x = " + "{a=" * 300 + "1" + "}" * 300 + "\n" + RIG, "nested too deeply"),
    (RIG + "#" * 70 + "\n" + ("# " + "x" * 90 + "\n") * 3000, "characters"),
    ("[" + " " * 1990 + "x\n" + RIG, "what is not TOML"),
    ('title = "a\\u001b[31m"\n' + RIG, "key title"),
    ('title = "a\\u202eb"\n' + RIG, "key title"),
    ('[values]\n"a\\u009b" = 1\n' + RIG, "text without control characters"),
    (RIG + "\n[envelope]\ntarget = 'edge_mid'\nreaches = [{name = 'a', joints = {}}]\n"
     "[envelope.sweep]\nboom = [0, 1, 200]\nstick = [0, 1, 200]\ntilt = [0, 1, 200]\n",
     "8,000,000 postures"),
])
def test_rig_files_made_to_take_long(text, found):
    """4,000 unknown keys took 58 s, a key 20,000 levels deep 2.5 GB."""
    start, findings = time.process_time(), Findings()
    assert read_rig(text, "rig.toml", findings) is None
    assert any(found in str(c) for c in findings.complaints), findings.complaints[:3]
    assert len(findings.complaints) <= 201
    assert time.process_time() - start < 2


@pytest.mark.parametrize(("file", "text"), [
    ("tape.csv", "quantity,value,sd,unit\nboom_zero,0.25,65536,deg\n"),
    ("tape.csv", "quantity,value,sd,unit\nboom_length,5.7,65536,m\n"),
    ("setups.csv", "setup,east,north,up,orientation,sd_orientation\nA,1,2,3,4,65536\n"),
])
def test_sds_of_what_is_not_known_at_all(file, text):
    """An angle known to 65,536 deg is not known: a slip of the pen, not a weight of nothing."""
    findings = Findings()
    if file == "tape.csv":
        read_tape(text, file, rig_from_dict(STANDARD), findings)
    else:
        read_set_ups(text, file, None, "backsights.csv", findings)
    (complaint,) = findings.complaints
    assert complaint.column.startswith("sd") and "65536" in complaint.found


def test_complaints_without_end_are_counted(capsys):
    """16,000 bad rows printed 11 MB."""
    text = "shot,n\n" + "a,\n" * 16_000
    findings = Findings()
    read_table(text, "shots.csv", [Column("shot", ID), Column("n", ID)], findings)
    with pytest.raises(InputError) as caught:
        findings.stop_if_at_fault()
    talk.tell_all(caught.value.complaints)
    err = capsys.readouterr().err
    assert len(err) < 10_000
    assert err.splitlines()[-1] == f"... and {len(caught.value.complaints) - 50:,} more"


@pytest.mark.parametrize("bad", ["\x85", "\x9b", "\x1b", "\u202e", "\u2066", "\u2028", "\x7f"])
def test_invisible_controls_are_no_text(bad):
    """U+0085 behind a number was dropped in silence, ESC and U+202E reached the terminal."""
    findings = Findings()
    assert decode(f"shot,east\na,-0.04{bad}\n".encode(), "x.csv", findings) is None
    assert "line 2" in str(findings.complaints[0])
    assert talk.printable(f"a{bad}b").isprintable()


RUN = ["=cmd|' /C calc'!A0", "+1+cmd", "-2+3+cmd|x", "@SUM(A1)", "'=x", "''+x", " =x", "-x", "+",
       "=", "\uff1dx"]


@pytest.mark.parametrize("text", RUN)
def test_a_spreadsheet_runs_no_cell(text):
    """Written with an apostrophe, read back as it was."""
    written = csv_text(pd.DataFrame({"shot": [text.strip()], "n": [1]}))
    cell = next(csv.reader([written.splitlines()[1]]))[0]
    assert cell[0] == "'"
    findings = Findings()
    table = read_table(written, "x.csv", [Column("shot", ID), Column("n", ID)], findings)
    assert table.texts["shot"] == (text.strip(),)


@pytest.mark.parametrize("text", ["-0.5", "+3", "1e-3", "12-left", "a=b", "'left'", "it's", ""])
def test_other_cells_are_as_they_were(text):
    """Numbers, apostrophes and signs inside."""
    assert guard(text) == text == unguard(text)


@given(st.text(st.sampled_from("'=+-@a1 .\uff1d"), max_size=8))
def test_guarded_text_comes_back(text):
    """Whatever it begins with."""
    assert unguard(guard(text)) == text
    assert guard(text).lstrip(" ")[:1] not in ("=", "@")


def test_headings_are_guarded_too():
    """A reading of a user's own rig may have any name."""
    written = csv_text(pd.DataFrame({"=x": ["a"]}))
    assert next(csv.reader(io.StringIO(written)))[0] == "'=x"
