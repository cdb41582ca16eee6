"""``calib next`` as a crew runs it, while the run goes on."""

import json
import re
import shutil
import time

import pytest

from calib.report.plan_words import shots_in_words
from calib.report.words.cautions import CAUTIONS


@pytest.fixture
def next_command(calib_command):
    """Runs ``calib next`` with fewer poses to choose from than usual."""
    return lambda *arguments: calib_command("next", *arguments, "--candidates", 800)


@pytest.fixture
def run_folder(simulated, tmp_path):
    """A simulated run of ten poses in two stands in which nothing but the edge was shot."""
    simulated(tmp_path / "run", "--poses", 10, "--stands", 2, "--check-poses", 0,
                  "--seed", 3)
    keep(tmp_path / "run", lambda row: row[2].startswith("edge"))
    return tmp_path / "run"


def keep(folder, wanted):
    """Leave only some shots, told by the cells of their rows."""
    rows = (folder / "shots.csv").read_text("utf-8").splitlines(keepends=True)
    kept = [row for row in rows if row.startswith(("#", "shot,")) or wanted(row.split(","))]
    (folder / "shots.csv").write_text("".join(kept), "utf-8")


def keep_poses(folder, ids):
    """Leave only the shots of some poses."""
    keep(folder, lambda row: row[1] in set(ids))


def poses(first, last):
    return [f"{i:02d}" for i in range(first, last + 1)]


def test_next_poses_and_what_each_gains(next_command, run_folder):
    """Three poses in the last stand, ids that go on, gains that add up; text and JSON agree."""
    status, out, _ = next_command(run_folder, "--json")
    document = json.loads(out)
    assert status == 0
    assert document["stand"] == "S2" and "boom_foot_left" in document["targets"]
    assert [p["pose"] for p in document["poses"]] == ["11", "12", "13"]
    here = document["here"]
    assert here["pose"] == "10" and not {"edge_left", "edge_right"} & set(here["shoot"])
    gains = [here["gain"], *(p["gain"] for p in document["poses"])]
    assert gains[0] > 0.001 and document["goal_met"] and not document["hardly_helps"]
    assert (document["goal"], document["goal_stated"]) == (0.03, False)
    assert document["now"]["within95"] == pytest.approx(1.96 * document["now"]["worst"], rel=1e-4)
    assert document["poses"][2]["worst_after"] == pytest.approx(
        document["now"]["worst"] - sum(gains))
    assert document["cautions"] == list(CAUTIONS)

    status, out, err = next_command(run_folder, "--goal", "10mm")
    assert status == 6
    told = " ".join(out.split())
    assert told.startswith("Best buy: shoot boom foot") and re.search(
        r"where the machine is \(pose 10\): [\d.]+ mm -> [\d.]+ mm, \d minutes?\.", told)
    assert "So far 20 shots in 10 poses, stands S1, S2." in out
    assert f"The edge is known to {1000 * document['now']['within95']:.1f} mm (95 %" in out
    assert document["weak"][0]["parameter"].replace("_", " ") in out
    for pose in document["poses"]:
        row = next(line for line in out.splitlines() if line.split()[:1] == [pose["pose"]])
        assert f"{pose['readings']['boom']:.1f}" in row and f"{1960 * pose['gain']:.2f}" in row
        assert shots_in_words(pose["shoot"]).split()[0] in row
    for caution in CAUTIONS:
        assert caution in err


def test_goal_met_and_not_met(next_command, run_folder):
    """A goal that is met ends it with a sentence and status 0; else status 6 and what to shoot."""
    status, out, _ = next_command(run_folder)
    assert status == 0 and re.search(r"Enough, but: the edge is known to [\d.]+ mm; the goal is "
                                     r"30.0 mm \(95 %, the usual one.* But an error .* could hide",
                                     " ".join(out.split()))
    rig = run_folder / "rig.toml"
    rig.write_text(rig.read_text() + '\n[goal]\nedge = "20 mm"\n')
    status, out, _ = next_command(run_folder)
    assert status == 6 and "the goal is 20.0 mm (95 %);" in " ".join(out.split())
    status, out, _ = next_command(run_folder, "--goal", "4 mm", "--poses", 5)
    assert status == 6 and "Enough" not in out
    told = " ".join(out.split())
    assert re.search(r"Not enough yet: [\d.]+ mm, the goal is 4\.0 mm \(95 %\); the best 5 "
                     r"further poses give [\d.]+ mm\.", told)
    assert sum(line.split()[:1] == [name] for line in out.splitlines()
               for name in poses(11, 15)) == 5
    status, _, err = next_command(run_folder, "--goal", "8")
    assert status == 2 and "is no length" in err


def test_how_many_more_poses_a_goal_takes(next_command, run_folder):
    """So many proposed reach it, one less does not; out of reach it is said what 40 would give."""
    status, out, _ = next_command(run_folder, "--goal", "6mm", "--json")
    needs = json.loads(out)["goal_needs"]
    assert status == 6 and needs > 3
    _, out, _ = next_command(run_folder, "--goal", "6mm", "--poses", needs, "--json")
    last = [1.96 * p["worst_after"] <= 0.006 for p in json.loads(out)["poses"][-2:]]
    assert last == [False, True]
    _, out, _ = next_command(run_folder, "--goal", "6mm")
    assert f"About {needs} further poses reach it, " in " ".join(out.split())
    _, out, _ = next_command(run_folder, "--goal", "0.5mm")
    assert re.search(r"40 further poses do not reach it: [\d.]+ mm with them",
                     " ".join(out.split()))


def test_before_the_run_can_be_solved(next_command, run_folder):
    """Two poses and no tape: it is said what nothing fixes yet, and what to shoot."""
    keep_poses(run_folder, poses(1, 2))
    (run_folder / "tape.csv").unlink()
    status, out, _ = next_command(run_folder)
    assert status == 6
    assert "cannot be solved yet: nothing fixes" in out
    assert "leave something undetermined" in out and "Enough" not in out
    assert "not yet" in out and max(map(len, out.splitlines())) <= 100
    status, out, _ = next_command(run_folder, "--goal", "8mm", "--json")
    assert status == 6 and json.loads(out)["undetermined"]
    _, out, _ = next_command(run_folder, "--goal", "8mm")
    assert "Not enough yet: shots and tape so far leave something undetermined" in out


def test_nothing_shot_yet(next_command, run_folder):
    """Without a shot the complaint stands, with the command that gives the first poses."""
    keep_poses(run_folder, [])
    status, out, err = next_command(run_folder)
    assert status == 3 and not out
    assert "shots.csv" in err and f"calib plan {run_folder}" in err


def test_what_is_set_aside_does_not_count(next_command, run_folder):
    """Without a pose less is known; names that do not exist are wrong usage."""
    _, out, _ = next_command(run_folder, "--json")
    whole = json.loads(out)
    _, out, _ = next_command(run_folder, "--json", "--set-aside", "pose:03,pose:07")
    less = json.loads(out)
    assert less["set_aside"] == ["pose:03", "pose:07"]
    assert less["shot"] == {"poses": 8, "shots": 16, "stands": ["S1", "S2"]}
    assert less["now"]["worst"] > 1.02 * whole["now"]["worst"]
    status, _, err = next_command(run_folder, "--set-aside", "pose:77")
    assert status == 2 and "pose:77: no such shot" in err


def test_a_run_that_does_not_fit_is_said_to(simulated, next_command, calib_command, tmp_path):
    """Gross errors are no run that is enough; the next one is judged, and goes on, as solved."""
    bad = tmp_path / "bad"
    simulated(bad, "--poses", 16, "--seed", 5, "--gross", 3)
    status, out, err = next_command(bad)
    assert "The run does not fit" in err
    assert status == 6 and "Enough" not in out
    assert "Failed: global test, suspects" in " ".join(out.split())
    assert err.splitlines()[-1] == f"Next: calib diagnose {bad}"
    status, out, err = next_command(bad, "--set-aside", "suspects")
    assert "The run does not fit" not in err
    assert status == 0 and "set aside: " in out and "Enough" in out
    assert err.splitlines()[-1] == f"Next: calib solve {bad} --set-aside suspects"
    calib_command("solve", bad, "--no-report", "--set-aside", "suspects")
    status, _, err = next_command(bad)
    assert status == 0 and "As in the result of this run, set aside: suspects" in err
    assert err.splitlines()[-1] == f"Next: calib sheet {bad / 'result'}"


def test_a_stand_without_shots_is_wrong_usage(next_command, run_folder):
    """A stand can be chosen among those that have shots."""
    _, out, _ = next_command(run_folder, "--stand", "S1", "--json")
    assert json.loads(out)["stand"] == "S1"
    status, _, err = next_command(run_folder, "--stand", "S7")
    assert status == 2 and "'S7' has no shots yet" in err and "S1, S2" in err


def test_limits_that_leave_no_pose(next_command, run_folder):
    """An edge that must stay where it cannot be: which rule took how many."""
    status, _, err = next_command(run_folder, "--nearest", 40)
    assert status == 3
    assert "none of 800 poses can be shot" in err and "nearer to the machine" in err


def test_watching_a_run_until_it_is_enough(next_command, run_folder, monkeypatch):
    """Told again after every change; a file at fault is waited for; the goal ends it."""
    whole = run_folder.parent / "whole"
    shutil.copytree(run_folder, whole)
    keep_poses(run_folder, poses(1, 4))

    def damage():
        (run_folder / "shots.csv").write_text("shot,pose\n", "utf-8")

    def go_on(last):
        shutil.copy(whole / "shots.csv", run_folder / "shots.csv")
        keep_poses(run_folder, poses(1, last))

    steps = [lambda: None, damage, lambda: go_on(7), lambda: None, lambda: go_on(10)]
    monkeypatch.setattr(time, "sleep", lambda seconds: steps.pop(0)())
    status, out, err = next_command(run_folder, "--watch", "--goal", "27mm")
    assert status == 0 and not steps
    assert [out.count(f"So far {n} shots") for n in (8, 14, 20)] == [1, 1, 1]
    assert out.count("Enough") == 1
    assert "Waiting for the files to change" in err


def test_watching_ends_when_the_user_stops(next_command, run_folder, monkeypatch):
    """Ctrl-C is no fault; with a goal that is not met the status says so."""
    def stop(seconds):
        raise KeyboardInterrupt

    monkeypatch.setattr(time, "sleep", stop)
    assert next_command(run_folder, "--watch")[0] == 0
    assert next_command(run_folder, "--watch", "--goal", "1mm")[0] == 6
    status, _, err = next_command(run_folder, "--watch", "--json")
    assert status == 2 and "--watch goes on" in err
