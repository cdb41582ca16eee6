"""A run folder to fill in."""

import re

import pytest

from calib.report.words.cautions import CAUTIONS
from calib.run.blank import blank_files
from calib.run.complaints import InputError
from calib.run.folder import read_run, rig_from_text
from calib.run.write import write_new_folder

POSES = "\n".join(f"{i:02d},A,0.1,0.2,{20 + i},{-60 - i},{10 + i},{i},{15 * i}" for i in range(10))
SHOTS = "\n".join(f"{i}{side},{i:02d},edge_{side},{10 + i},{20 - i},{i / 10 + (side == 'right')}"
                  for i in range(10) for side in ("left", "right"))


def complaints(path):
    with pytest.raises(InputError) as caught:
        read_run(path)
    return [str(c) for c in caught.value.complaints]


def test_a_folder_just_made_says_what_is_missing(tmp_path):
    """Rows, and nothing else."""
    write_new_folder(tmp_path / "run", blank_files(CAUTIONS))
    said = complaints(tmp_path / "run")
    assert [re.sub(r" line \d+", "", line) for line in said] == [
        "readings.csv: found no rows yet, only column names, expected one row per pose",
        "shots.csv: found no rows yet, only column names, expected one row per shot",
    ]


def test_filled_in_it_is_a_run(tmp_path):
    """Rows below the headers are all it takes; comments do not disturb."""
    files = blank_files(CAUTIONS)
    files["readings.csv"] += POSES + "\n"
    files["shots.csv"] += SHOTS + "\n"
    files["tape.csv"] += "boom_length,5.71,0.01,m\n"
    write_new_folder(tmp_path / "run", files)
    run = read_run(tmp_path / "run")
    assert (len(run.poses.ids), len(run.shots), run.tape.quantities) == (10, 20, ("boom_length",))
    assert run.check is None
    assert run.notices == ()


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_spreadsheet_may_save_it(tmp_path, delimiter):
    """It pads comments with delimiters to the width of the table, and quotes nothing here."""
    files = blank_files(CAUTIONS)
    files["readings.csv"] += POSES + "\n"
    files["shots.csv"] += SHOTS + "\n"
    del files["tape.csv"], files["check.csv"]
    for name in ("readings.csv", "shots.csv"):
        lines = [line if line.startswith("#") else line.replace(",", delimiter)
                 for line in files[name].split("\n")[:-1]]
        width = max(line.count(delimiter) for line in lines)
        files[name] = "\r\n".join(line + delimiter * (width - line.count(delimiter))
                                  for line in lines) + "\r\n"
    write_new_folder(tmp_path / "run", files)
    run = read_run(tmp_path / "run")
    assert len(run.shots) == 20
    assert not any("comments" in notice for notice in run.notices)


def test_the_cautions_head_the_files_that_send_a_person_to_the_machine():
    """Every caution, in whole, as a comment."""
    files = blank_files(CAUTIONS)
    for name in ("rig.toml", "readings.csv", "shots.csv"):
        comments = " ".join(line.lstrip("# ") for line in files[name].split("\n")
                            if line.startswith("#"))
        assert [c for c in CAUTIONS if c not in comments] == []


def test_every_option_in_the_rig_file_works_without_its_comment_sign():
    """What is offered must be right: taking the # away changes the rig and nothing complains."""
    text = blank_files(CAUTIONS)["rig.toml"]
    plain = rig_from_text(text)
    options = re.sub(r'^# ((?:free|hold) = |\[[\w.]+\]|\w+ = [-\["\d])', r"\1", text, flags=re.M)
    changed = rig_from_text(options)
    held, held_now = ({p.name for p in rig.parameters if p.held} for rig in (plain, changed))
    assert options.count("\n[") == text.count("\n[") + 8
    assert (changed.edge_goal, changed.check_tolerance) == (0.030, 0.030)
    assert len(changed.job) == 8 and not plain.job
    assert held - held_now == {"tilt_axis_side"}
    antenna = {f"left_antenna_{along}" for along in ("ahead", "left", "above")}
    assert held_now - held == {"boom_length"} | antenna
    assert [r.low for r in changed.readings] == pytest.approx([r.low for r in plain.readings])


def test_every_name_is_explained():
    """Readings, targets, parameters and derived quantities stand in the comments."""
    files = blank_files(CAUTIONS)
    rig = rig_from_text(files["rig.toml"])
    for name, items in (("readings.csv", rig.readings), ("shots.csv", rig.targets),
                        ("tape.csv", (*rig.parameters, *rig.derived)),
                        ("rig.toml", rig.parameters)):
        for item in items:
            assert re.search(rf"^#\s+{item.name}\s.*{re.escape(item.means)}$", files[name], re.M)


def test_lines_fit_a_screen():
    """Nobody reads past the edge."""
    assert max(len(line) for text in blank_files(CAUTIONS).values()
               for line in text.split("\n")) <= 110
