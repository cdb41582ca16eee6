"""entries.toml from the file to the sheet."""

import json
import os
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

from calib.entries.listed import entry_list
from calib.results import load_result
from tests.report.reading import Page, paper


@pytest.fixture
def folder(tmp_path):
    """A folder with a space in its path."""
    (tmp_path / "yard 1").mkdir()
    return tmp_path / "yard 1"


@pytest.fixture
def example(calib_command, folder):
    """The shipped example as a file."""
    path = folder / "entries.toml"
    path.write_text(calib_command("entries", "example")[1], "utf-8")
    return path


def test_the_example_says_that_it_is_invented_and_is_enough(calib_command, example):
    assert "invented" in example.read_text("utf-8").splitlines()[0]
    status, out, _ = calib_command("entries", "check", example, "tilt_rotator")
    assert status == 0 and "The list determines the machine" in out


def test_a_list_is_judged_by_the_newest_result_or_the_one_given(
        calib_command, solved, folder, example, monkeypatch):
    """It is named, and the list that solve does not read too; the example goes to the run."""
    monkeypatch.chdir(folder)
    solved(Path("run"), "--poses", 12, "--seed", 4)
    shutil.copytree("run/result", "run/result-without")
    os.utime("run/result/result.json", (1, 1))
    example.rename("run/other.toml")
    said = calib_command("entries", "check", "run/other.toml")[2]
    assert "Judged by run/result-without:" in said
    assert "calib solve reads run/entries.toml alone" in " ".join(said.split())
    assert "Judged by run/result:" in calib_command(
        "entries", "check", "run/other.toml", "run/result")[2]
    assert "entries example > run/entries.toml" in calib_command("entries", "example")[2]


def test_what_it_leaves_out(calib_command, example):
    """Without the slant: exit 5, and the words name it and what it costs."""
    text = example.read_text("utf-8")
    begin = text.index('[[entry]]\nname = "Edge, slant"')
    end = text.index("[[entry]]", begin + 5)
    example.write_text(text[:begin] + text[end:], "utf-8")
    status, out, err = calib_command("entries", "check", example, "tilt_rotator")
    assert status == 5
    assert "Left out: edge skew" in out
    assert ("does NOT determine the machine: of the 15 values that this machine needs it tells 14. "
            "It lacks edge skew: ") in " ".join(out.split())
    assert shlex.split(err.splitlines()[-1]) == [
        "Next:", "calib", "entries", "complete", str(example), "tilt_rotator", ">",
        str(example.with_name("entries-complete.toml"))]


def test_what_lacks_is_added_ready_to_be_filled_in(calib_command, folder):
    """Of one length and one angle: an entry for each that lacks, with which it is complete."""
    few = folder / "few.toml"
    few.write_text('title = "Few"\n[[entry]]\nname = "C"\nunit = "mm"\nis = "pin_to_edge"\n'
                   '[[entry]]\nname = "B"\nunit = "deg"\nsign = -1\nis = "boom_zero"\n', "utf-8")
    status, out, err = calib_command("entries", "complete", few, "tilt_rotator")
    assert status == 0 and out.startswith(few.read_text("utf-8")) and out.count("[[entry]]") == 15
    whole = folder / "few-complete.toml"
    assert shlex.split(err.splitlines()[-1]) == [
        "Next:", "calib", "entries", "complete", str(few), "tilt_rotator", ">", str(whole)]
    whole.write_text(out, "utf-8")
    assert calib_command("entries", "check", whole, "tilt_rotator")[0] == 0
    assert calib_command("entries", "complete", whole, "tilt_rotator")[1] == out


def test_a_list_that_is_not_there_is_what_is_complained_of(calib_command, folder):
    status, _, err = calib_command("entries", "check", folder / "none.toml")
    assert status == 3 and "none.toml: found no such file" in err and "rig.toml" not in err


def test_both_faults_of_an_entry_are_told(calib_command, tmp_path):
    """A unit that is none does not hide what the rig has not."""
    (tmp_path / "bad.toml").write_text(
        '[[entry]]\nname = "A"\nunit = "mmm"\nis = "boom_lenght"\n', "utf-8")
    status, _, err = calib_command("entries", "check", tmp_path / "bad.toml", "tilt_rotator")
    assert status == 3 and "line 3, key entry 1 unit" in err and "line 4, key entry 1 is" in err


def test_complaints_name_the_line(calib_command, example):
    """All at once, each with its line; nothing else is said."""
    lines = example.read_text("utf-8").splitlines()
    first = lines.index('is = "boom_length"')
    lines[first] = 'is = "bom_length"'
    second = next(i for i, line in enumerate(lines) if line == 'to = "tilt_member"')
    lines[second] = 'to = "tilt_membr"'
    lines.append("round = -1")
    example.write_text("\n".join(lines) + "\n", "utf-8")
    status, out, err = calib_command("entries", "check", example, "tilt_rotator")
    assert status == 3 and not out
    for number in (first + 1, second + 1, len(lines)):
        assert f"line {number}," in err
    assert "3 complaints" in err


def test_from_the_run_folder_to_the_sheet(calib_command, simulated, folder, example):
    """Kept in result.json; the sheet needs the result alone; sds as `uncertainties` has them."""
    run = folder / "run"
    simulated(run, "--poses", 12, "--seed", 4)
    (run / "entries.toml").write_text(example.read_text("utf-8"), "utf-8")
    calib_command("solve", run)
    result = load_result(run / "result")
    (run / "entries.toml").unlink()
    rows = {row.name: row for row in result.document.entries.rows}
    numbers = result.numbers
    difference = numbers["stick_zero"] - numbers["boom_zero"]
    row = rows["Dipper sensor less boom sensor"]
    assert row.value == pytest.approx(difference.nominal_value)
    assert row.sd == pytest.approx(difference.std_dev)
    assert difference.std_dev != pytest.approx(
        np.hypot(numbers["stick_zero"].std_dev, numbers["boom_zero"].std_dev), rel=1e-3)
    width = rows["Edge, corner to corner"]
    assert width.sd == pytest.approx(1000 * numbers["edge_width"].std_dev, rel=1e-6)
    tape = {p.name: p.tape for p in result.document.parameters}
    assert rows["Main boom, pin to pin"].old == pytest.approx(1000 * tape["boom_length"])
    calib_command("sheet", run / "result")
    page = Page((run / "result" / "sheet.html").read_text("utf-8"))
    shown = {shown for _, _, shown in page.numbers}
    for row in rows.values():
        assert row.name in page.words and row.typed in shown
    assert "Main boom, pin to pin" in " ".join(paper((run / "result/sheet.pdf").read_bytes()))
    # From another file, without solving again.
    definition = {"entry": [{"name": "Boom in inches", "unit": "in", "is": "boom_length"}]}
    other = folder / "other list.toml"
    other.write_text('[[entry]]\nname = "Boom in inches"\nunit = "in"\nis = "boom_length"\n')
    calib_command("sheet", run / "result", "--entries", other, "--out", folder / "sheet")
    words = (folder / "sheet/sheet.html").read_text("utf-8")
    assert "Boom in inches" in words and "does NOT determine the machine" in words
    assert entry_list(definition, result.rig).names == ("Boom in inches",)


def test_a_result_without_the_key_is_read(solved, folder):
    """Results that an earlier version wrote."""
    run = solved(folder / "before", "--poses", 12, "--seed", 4)
    path = run / "result" / "result.json"
    document = json.loads(path.read_text("utf-8"))
    assert document.pop("entries") is None
    path.write_text(json.dumps(document), "utf-8")
    assert load_result(path).document.entries is None


def _without(text, start):
    """A list without the entry whose name begins so."""
    first, *entries = text.split("[[entry]]")
    return "[[entry]]".join([first, *(e for e in entries if f'name = "{start}' not in e)])


def _told(page):
    return " ".join(re.sub("<[^>]+>", "", page.read_text("utf-8")).split())


def test_a_list_that_does_not_make_the_solved_machine_is_not_to_be_entered(
        calib_command, solved, folder, example):
    """Left out, or held otherwise by the system: sheet and confirm say so, with status 6."""
    run, text = folder / "run", example.read_text("utf-8")
    solved(run, "--poses", 12, "--seed", 4)
    short = _without(text, "Turning sensor")
    example.write_text(short, "utf-8")
    status, _, err = calib_command("sheet", run / "result", "--entries", example)
    assert status == 6 and "leaves out what moves the edge (rotate zero)" in " ".join(err.split())
    page = _told(run / "result/sheet.html")
    assert "Enter these values" not in page and "Left out of the list" in page

    example.write_text(short.replace("[known]", "[known]\nrotate_zero = 12.0"), "utf-8")
    status, _, err = calib_command("sheet", run / "result", "--entries", example)
    said = " ".join(err.split())
    assert status == 6 and "off by 1" in said and "rotate zero 12 deg where 0.685 deg" in said
    # A check would find nothing lacking: what is to be changed is named.
    assert "Make rotate_zero an [[entry]]" in said and "Next: calib sheet" in said
    page = _told(run / "result/sheet.html")
    assert "What the system is said to hold of its own" in page and "12 deg" in page

    example.write_text(text.replace("[known]", "[known]\nrotate_zero = 12.0"), "utf-8")
    status, _, err = calib_command("sheet", run / "result", "--entries", example)
    assert status == 3 and "known.rotate_zero" in err and "one of the two" in err


def test_a_changed_list_is_noticed(calib_command, simulated, folder, example):
    run = folder / "run"
    simulated(run, "--poses", 12, "--seed", 4)
    (run / "entries.toml").write_text(example.read_text("utf-8"), "utf-8")
    calib_command("solve", run)
    assert "is not what this result keeps" not in calib_command("sheet", run / "result")[2]
    (run / "entries.toml").write_text(_without(example.read_text("utf-8"), "Edge, slant"), "utf-8")
    assert "is not what this result keeps" in calib_command("sheet", run / "result")[2]
