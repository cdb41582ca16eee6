"""``calib rig`` and ``calib new --rig``: every shipped rig in words, and one's own."""

import pytest

from calib.chain.rig import rig_from_template, template_names
from calib.run.folder import rig_from_text


def test_list(calib_command):
    """Each rig once, with its title."""
    status, out, err = calib_command("rig", "list")
    assert status == 0 and err.startswith("Next: calib ") and err.count("\n") == 1
    for name in template_names():
        assert out.count(f" {name} ") == 1


@pytest.mark.parametrize("template", template_names())
def test_show(calib_command, template):
    """Everything that has a name, with the start and the range of every parameter."""
    status, out, err = calib_command("rig", "show", template)
    assert status == 0 and err.startswith("Next: calib ") and err.count("\n") == 1
    rig = rig_from_template(template)
    assert out.startswith(f"{template}: {rig.title}\n")
    assert max(map(len, out.split("\n"))) <= 100
    rows = {line.split()[0]: line.split() for line in out.split("\n") if line.split()}
    for named in (*rig.parameters, *rig.readings, *rig.targets, *rig.derived):
        assert named.name in rows
    for frame in rig.chain.depth:
        assert f"\n {frame} " in out
    assert rows["stick_pin_side"][1:8] == ["m", "0", "-1.5", "1.5", "estimated", "once", "shot"]
    assert rows["boom_length"][1] == "m" and rows["boom_length"][3:5] == ["1", "15"]
    assert rows["house_roll_zero"][1:6] == ["deg", "0", "-180", "180", "held"]


def test_motions_in_words(calib_command):
    """Which way is said as a person at the machine would say it."""
    words = " ".join(calib_command("rig", "show", "tilt_rotator")[1].split())
    assert "stand placed by the stand's east, north, up, heading" in words
    assert "boom turned front up by the joint boom" in words
    assert "boom_end forward by boom_length stick_pin" in words


@pytest.mark.parametrize("template", template_names())
def test_check(calib_command, template):
    status, out, _ = calib_command("rig", "check", template)
    assert status == 0
    free = sum(not p.held for p in rig_from_template(template).parameters)
    assert f"Shots of the edge tell all {free} parameters" in out


TWIN = """template = "tilt_rotator"
motions = [{ translate = "x", by = { stick_extension = 1 }, after = "stick_end" }]

[parameters]
stick_extension = { unit = "m", start = 0.0, means = "along the stick" }

[marks.dot]
on = "stick"
"""


def test_check_of_a_file_of_ones_own(calib_command, tmp_path):
    """Duplicates are named, exit 5; complaints name the line, exit 3."""
    file = tmp_path / "rig.toml"
    file.write_text(TWIN)
    status, out, _ = calib_command("rig", "check", tmp_path)
    assert status == 5
    words = " ".join(out.split())
    assert "NOT DETERMINED: Shots of the edge cannot tell stick_" in words
    status, out, _ = calib_command("rig", "show", file)
    assert status == 0 and "dot_above" in out
    file.write_text(TWIN.replace('on = "stick"', 'on = "stik"'))
    for action in ("show", "check"):
        status, out, err = calib_command("rig", action, file)
        assert (status, out) == (3, "")
        assert "line 8" in err and "'stik'" in err


def test_wrong_use(calib_command, tmp_path):
    status, _, err = calib_command("rig", "show")
    assert status == 2 and "tilting_bucket" in err
    status, _, err = calib_command("rig", "show", "backhoe")
    assert status == 3 and "tilting_bucket" in err
    assert calib_command("rig", "polish", "tilt_rotator")[0] == 2


@pytest.mark.parametrize("template", template_names())
def test_new_of_every_rig(calib_command, tmp_path, template):
    """Drawn, without a question where nobody answers, and with its own columns."""
    status, out, err = calib_command("new", tmp_path / "run", "--rig", template)
    assert status == 0 and "boom_length" in out and "?" not in err
    rig = rig_from_text((tmp_path / "run" / "rig.toml").read_text())
    assert rig.name == template and all(r.sd for r in rig.readings)
    header = (tmp_path / "run" / "readings.csv").read_text().strip().split("\n")[-1]
    assert header.split(",")[2:] == list(rig.reading_names)


def test_new_of_a_rig_that_is_not(calib_command, tmp_path):
    status, out, err = calib_command("new", tmp_path / "run", "--rig", "backhoe")
    assert (status, out) == (3, "") and "swing_boom_tilt_rotator" in err
    assert not (tmp_path / "run").exists()
