"""``calib plan`` as a person runs it."""

import io
import json

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from calib.chain.rig import rig_from_template
from calib.cli.app import application
from calib.cli.simulate import STANDARD_RIG
from calib.cli.task_options import instrument_place, length
from calib.document.planned import PlanRecord
from calib.plan.task import Task
from calib.report.words.cautions import CAUTIONS
from calib.run.complaints import Findings
from calib.run.folder import read_machine
from calib.run.observed import read_poses

QUICK, FEW = ("--candidates", 800), ("--candidates", 500)


@pytest.fixture
def rig_file(tmp_path):
    (tmp_path / "machine.toml").write_text(STANDARD_RIG, "utf-8")
    return tmp_path / "machine.toml"


@pytest.fixture(scope="module")
def high(tmp_path_factory):
    """Eight poses at any height, of a foot pin 2.3 m up; what was printed is plan.txt."""
    folder = tmp_path_factory.mktemp("high")
    (folder / "machine.toml").write_text(STANDARD_RIG, "utf-8")
    done = CliRunner().invoke(application(), list(map(str, (
        "plan", folder / "machine.toml", "--poses", 8, "--out", folder / "plan",
        "--foot-height", 2.3, "--highest", 99, *QUICK))))
    (folder / "plan.txt").write_text(done.stdout, "utf-8")
    return folder


def test_plan_of_a_rig_file(calib_command, rig_file, tmp_path):
    """Sheet, table and document are written; promises, assumptions and cautions are told."""
    status, out, err = calib_command("plan", rig_file, "--poses", 10, "--stands", 2, "--out",
                                     tmp_path / "plan", *QUICK)
    assert status == 0
    assert {f.name for f in (tmp_path / "plan").iterdir()} == {
        "plan.csv", "plan.json", "pose-sheet.html", "pose-sheet.pdf", "shots-to-take.csv"}
    assert "the edge will be known to" in out and "% of the best possible" in out
    assert "Taken for granted" in out and "usual for this rig" in out
    assert "a sensor would be blind:" in out
    assert all(caution in err for caution in CAUTIONS)
    assert max(map(len, out.splitlines())) <= 100
    document = json.loads((tmp_path / "plan/plan.json").read_text("utf-8"))
    assert [p["stand"] for p in document["poses"]] == ["S1"] * 5 + ["S2"] * 5
    assert document["candidates"]["asked"] == 800


def test_plan_csv_becomes_readings_csv(high):
    """Its columns are those of readings.csv; as it is it does not pass, filled in it does."""
    text = (high / "plan/plan.csv").read_text("utf-8")
    assert all(f"# - {caution}" in text for caution in CAUTIONS)
    rig = rig_from_template("tilt_rotator")
    findings = Findings()
    read_poses(text, "readings.csv", rig, findings)
    assert any(c.column == "house_pitch" for c in findings.complaints)
    frame = pd.read_csv(io.StringIO(text), comment="#", dtype={"pose": str})
    assert (frame["lowest_boom"] <= frame["boom"]).all()
    assert (frame["boom"] <= frame["highest_boom"]).all()
    frame[["house_pitch", "house_roll"]] = 0.1
    findings = Findings()
    poses = read_poses(with_sds(frame), "readings.csv", rig, findings)
    assert not findings.complaints
    assert poses.ids == tuple(frame["pose"]) == tuple(f"0{i}" for i in range(1, 9))
    np.testing.assert_allclose(np.degrees(poses.readings[:, 2]), frame["boom"])


def with_sds(frame):
    """The filled-in table with an sd for every reading, as the bare template states none."""
    names = ["house_pitch", "house_roll", "boom", "stick", "coupler", "tilt", "rotate"]
    return frame.assign(**{f"sd_{name}": 0.05 for name in names}).to_csv(index=False)


def test_shots_to_take_are_rows_of_shots_csv(high):
    """A row for every shot of the plan, with the columns of shots.csv, coordinates left open."""
    document = PlanRecord.model_validate_json((high / "plan/plan.json").read_text("utf-8"))
    text = (high / "plan/shots-to-take.csv").read_text("utf-8")
    assert all(f"# - {caution}" in text for caution in CAUTIONS)
    frame = pd.read_csv(io.StringIO(text), comment="#", dtype={"pose": str})
    assert list(frame) == ["shot", "pose", "target", "east", "north", "up"]
    assert frame[["east", "north", "up"]].isna().all(axis=None) and frame["shot"].is_unique
    shoot = frame.groupby("pose")["target"].apply(list).to_dict()
    assert shoot == {pose.pose: pose.shoot for pose in document.poses}


def test_antennas_on_the_house_are_told_for_the_display(calib_command, rig_file, tmp_path):
    """Two of them: their places and the line between them, by hand from two places."""
    marks = """
[marks.left_antenna]
on = "house"
near = [-1.6, 0.9, 1.7]

[marks.right_antenna]
on = "house"
near = [-1.6, -0.9, 1.7]
"""
    rig_file.write_text(STANDARD_RIG + marks, "utf-8")
    _, out, _ = calib_command("plan", rig_file, "--minutes", 30, "--out", tmp_path / "p", *QUICK)
    document = PlanRecord.model_validate_json((tmp_path / "p/plan.json").read_text("utf-8"))
    left, right = document.display
    assert (left.mark, left.to, right.mark, right.to) == (
        "left_antenna", "right_antenna", "right_antenna", None)
    # The line is square to the boom plane: its bearing turns with what the antennas differ ahead.
    apart = np.radians(left.bearing_sd) * 1.8
    assert max(left.sd[0], right.sd[0]) * 0.5 < apart < 1.5 * np.hypot(left.sd[0], right.sd[0])
    told = " ".join(out.split())
    assert "If left antenna positions the machine, its display needs how far it is ahead" in told
    assert "the line from it to right antenna points left of the boom plane" in told


def test_how_high_the_edge_is(high, calib_command, rig_file, tmp_path):
    """Per pose in every form, by hand from the drawing; the way out for a pole is by the table."""
    out = (high / "plan.txt").read_text("utf-8")
    document = json.loads((high / "plan/plan.json").read_text("utf-8"))
    table = pd.read_csv(high / "plan/plan.csv", comment="#")
    page = (high / "plan/pose-sheet.html").read_text("utf-8")
    above = 0
    for pose, row in zip(document["poses"], table.to_dict("records"), strict=True):
        up = sorted(2.3 + corner[2] for corner in pose["drawing"]["edge"])
        above += up[1] > 2
        assert pose["edge_height"] == pytest.approx(up, abs=0.006)
        assert [row["edge_height_lowest"], row["edge_height_highest"]] == pose["edge_height"]
        low, high = (f"{height:.1f}" for height in pose["edge_height"])
        span = low if low == high else f"{low} to {high}"
        line = next(text for text in out.splitlines() if text.split()[:1] == [pose["pose"]])
        assert f"  {span}   " in line and f">{span} m<" in page
    assert 0 < above < 8
    told = " ".join(out.split())
    assert f"The edge is above 2 m in {above} of 8 poses" in told
    assert told.index("cannot be shot with a pole") < told.index("Poses in driving order")
    assert "with --highest 2 for that" in page
    _, out, _ = calib_command("plan", rig_file, "--poses", 4, "--out", tmp_path / "low",
                              "--highest", 2, *QUICK)
    assert "cannot be shot with a pole" not in out and "m above the ground at most (" in out


def test_goal_finds_the_least_minutes(calib_command, rig_file, tmp_path):
    """Those that bear a lost pose are planned; --json prints the document alone."""
    status, out, _ = calib_command("plan", rig_file, "--goal", "9.8mm", "--json", "--out",
                                   tmp_path / "plan", *FEW)
    document = json.loads(out)
    assert status == 0
    assert document["goal"] == pytest.approx(0.0098)
    least, spared = document["least_minutes"], document["least_minutes_one_lost"]
    assert least < spared and spared - 4 < document["minutes"]["total"] <= spared
    assert 1.95 * document["robust"]["pose_lost"] <= 0.0098
    said = next(sentence for sentence in document["says"] if sentence.startswith("The goal"))
    assert said == (f"The goal of 9.8 mm is reached, also if any one pose is lost. The least "
                    f"minutes found for it are {least:.0f}, which one lost pose undoes; "
                    f"{spared:.0f} minutes do even if any one pose is lost.")
    assert 1.95 * document["predicted"]["worst"] <= document["predicted"]["within95"] <= 0.0098
    written = (tmp_path / "plan/plan.json").read_text("utf-8")
    assert document == json.loads(written)
    assert PlanRecord.model_validate_json(written).table() == document
    document["poses"][0]["shoot"] = ["tooth"]
    with pytest.raises(ValueError, match="targets and stands that are listed"):
        PlanRecord.model_validate(document)


def test_goal_out_of_reach(calib_command, rig_file, tmp_path):
    """Exit 6, what bounds it, nothing written; with --poses the plan is made all the same."""
    status, out, err = calib_command("plan", rig_file, "--goal", "0.8mm", "--out",
                                     tmp_path / "plan", *FEW)
    assert status == 6 and out == ""
    assert "out of reach: 240 minutes reach" in err and "- the boom reading: " in err
    assert not (tmp_path / "plan").exists()
    status, out, err = calib_command("plan", rig_file, "--goal", "0.8mm", "--poses", 8, "--out",
                                     tmp_path / "plan", *FEW)
    assert status == 6 and "NOT reached" in out
    assert (tmp_path / "plan/plan.csv").exists()


def test_no_pose_is_left(calib_command, rig_file, tmp_path):
    """Exit 3; which rule took how many."""
    rig_file.write_text(STANDARD_RIG + "\n[limits]\nboom = [-25, -20]\n", "utf-8")
    status, _, err = calib_command("plan", rig_file, "--out", tmp_path / "plan", *QUICK)
    assert status == 3
    assert "none of 800 poses can be shot" in err and "the edge would be in the ground: " in err
    assert not (tmp_path / "plan").exists()


def test_plan_of_a_run_folder(calib_command, simulated, tmp_path):
    """Its tape is planned with, the plan goes into it, its shots are said not to count."""
    simulated(tmp_path / "run", "--poses", 8)
    status, out, err = calib_command("plan", tmp_path / "run", "--poses", 4, *QUICK)
    assert status == 0 and "from tape.csv" in out.replace("\n", " ")
    assert "calib next" in err
    assert (tmp_path / "run/plan/pose-sheet.pdf").exists()
    assert calib_command("plan", tmp_path / "run", "--out", tmp_path / "run", *QUICK)[0] == 3


@pytest.mark.parametrize(("option", "value", "says"), [
    ("--goal", "8", "no length"), ("--goal", "8deg", "no length"), ("--goal", "0mm", "no length"),
    ("--instrument", "14,9", "no place"), ("--instrument", "far", "no place"),
    ("--targets", "edge_left,tooth", "tooth: no target"),
])
def test_wrong_options_are_explained(calib_command, rig_file, option, value, says):
    """Exit 2, with what was expected."""
    status, _, err = calib_command("plan", rig_file, option, value, *QUICK)
    assert status == 2
    assert says in " ".join(err.replace("│", " ").split())


def test_lengths_and_places():
    """Units and signs as people write them."""
    assert length("8mm") == 0.008 and length(" 0.03 m") == 0.03 and length(None) is None
    assert length("0.05FT") == pytest.approx(0.01524)
    assert instrument_place("14,9,-0.3") == (14.0, 9.0, -0.3)
    assert instrument_place("none") is None


def test_minutes_are_kept_and_shots_are_named(calib_command, rig_file, tmp_path):
    """Pins are in the plan, its minutes hold by hand, and one taped value keeps each twin out."""
    status, out, _ = calib_command("plan", rig_file, "--minutes", 25, "--out", tmp_path / "plan",
                                   *QUICK)
    document = json.loads((tmp_path / "plan/plan.json").read_text("utf-8"))
    assert status == 0 and 22 < document["minutes"]["total"] <= 25
    each = document["minutes"]["per_shot"]
    assert each["edge_left"] == 0.6 and each["stick_pin"] == 0.25
    by_hand = sum(1.5 + sum(each[name] for name in pose["shoot"]) for pose in document["poses"])
    driven = sum(pose["drive_seconds"] or 0 for pose in document["poses"]) / 60
    assert document["minutes"]["total"] == pytest.approx(by_hand + driven)
    assert any("boom_foot_left" in pose["shoot"] for pose in document["poses"])
    assert max(pose["edge_height"][1] for pose in document["poses"]) <= 2.0
    for pose in document["poses"]:
        assert all(span is None or sum(span) > 0 for span in pose["tolerance"].values())
    curve = document["curve"]
    assert curve["edge_only"]["worst"][-1] > 1.5 * curve["worst"][-1]
    told = " ".join(out.split())
    assert "With nothing shot but the edge, the same minutes would give" in told
    kept = {one["quantity"]: " ".join(one["machines"]) for one in document["kept_out"]}
    assert "edge left and edge right exchanged" in kept["edge_width"]
    assert "Tape these too, roughly" in told and "edge width (" in told


def test_minutes_or_poses_but_not_both(calib_command, rig_file):
    """Exit 2."""
    assert calib_command("plan", rig_file, "--minutes", 25, "--poses", 8, *QUICK)[0] == 2


def test_a_tape_of_what_a_plan_may_shoot_counts(tmp_path):
    """No shot depends on it yet: that is no notice before the first shot, and it is known."""
    (tmp_path / "rig.toml").write_text(STANDARD_RIG, "utf-8")
    (tmp_path / "tape.csv").write_text(
        "quantity,value,sd,unit\nboom_foot_width,0.6,0.005,m\n", "utf-8")
    rig, tape, notices = read_machine(tmp_path)
    assert notices == ()
    assert Task.for_rig(rig, tape).taped.names == ("boom_foot_width",)
