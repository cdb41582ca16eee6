"""The stands of an import: what the crew says, what pins of the house show, what stays open."""

import numpy as np
import pandas as pd
import pytest

from calib.run.export import run_files
from calib.simulate import simulate
from tests.intake.field_files import RIG_TOML

OPTIONS = ("--unit", "m", "--frame", "ground", "--pole", "applied", "--ids", "{pose}-{target}")


@pytest.fixture(scope="module")
def travelled(rig):
    """An invented run of 12 poses from two stands, with pins of the house in most poses."""
    return simulate(rig, np.random.default_rng(3), poses=12, stands=2,
                    stand=np.repeat([0, 1], 6),
                    targets=("boom_foot_left", "boom_foot_right", "stick_pin", "edge_left",
                             "edge_right"))[0]


@pytest.fixture
def files(tmp_path, travelled, monkeypatch):
    """shots.csv and sheet.csv that say nothing of stands: `change` may alter the frames."""
    monkeypatch.chdir(tmp_path)
    made = run_files(travelled, RIG_TOML)
    for name in ("shots.csv", "readings.csv"):
        (tmp_path / name).write_text(made[name])
    all_shots, all_readings = (
        pd.read_csv(tmp_path / name, dtype={"pose": str, "stand": str}, comment="#")
        for name in ("shots.csv", "readings.csv"))
    stands = dict(zip(all_readings["pose"], all_readings["stand"], strict=True))
    all_shots["point"] = all_shots["pose"] + "-" + all_shots["target"]

    def write(change=lambda shots, sheet: None, columns=()):
        shots, sheet = all_shots.copy(), all_readings.copy()
        change(shots, sheet)
        shots[["point", "east", "north", "up"]].dropna().to_csv("a.csv", index=False)
        kept = [c for c in sheet if c == "pose" or c in travelled.rig.reading_names or c in columns]
        sheet[kept].to_csv("b.csv", index=False)
        return stands

    return write


def stands_of(folder):
    table = pd.read_csv(f"{folder}/readings.csv", dtype=str, comment="#")
    return dict(zip(table["pose"], table["stand"], strict=True))


def same_parting(one, other):
    """Whether two tables put the same poses together."""
    return len(set(zip((one[p] for p in other), other.values(), strict=True))) \
        == len(set(one.values())) == len(set(other.values()))


def test_pins_that_moved_begin_a_stand(calib, files):
    """Metres apart: taken, told, and written; also where a pose has no pin of the house."""
    def bare(shots, sheet):
        first = next(p for p in stands if stands[p] == list(stands.values())[-1])
        shots.loc[(shots["pose"] == first) & shots["target"].str.startswith("boom"), "point"] = None

    stands = files()
    for change in (lambda shots, sheet: None, bare):
        files(change)
        status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", "--replace", *OPTIONS)
        assert status == 0 and same_parting(stands_of("run"), stands), err
        assert "a new stand begins" in err and err.splitlines()[-1] == "Next: calib solve run"


def test_a_bad_pin_is_no_move(calib, files):
    """One shot of a pin that no other bears out, by centimetres: the machine stood still."""
    def off(shots, sheet):
        shots.loc[shots.index[shots["target"] == "boom_foot_left"][2], "north"] += 0.14

    stands = files(off)
    status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", *OPTIONS)
    assert status == 0 and same_parting(stands_of("run"), stands), err


def test_what_may_be_a_move_is_asked(calib, files):
    """Twenty centimetres for the rest of the day: a command for each, and each of them works."""
    def crept(shots, sheet):
        last = shots["pose"].isin(list(stands)[9:])
        shots.loc[last, "north"] += 0.2

    stands = files()
    files(crept)
    status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", *OPTIONS)
    first = [list(stands)[6], list(stands)[9]]
    told = " ".join(f"--moved-before {pose}" for pose in first)
    assert status == 3 and told in err.splitlines()[-1], err
    for said, count in ((first, 3), (first[:1], 2)):
        more = [word for pose in said for word in ("--moved-before", pose)]
        status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", "--replace", *OPTIONS,
                               *more)
        assert status == 0 and len(set(stands_of("run").values())) == count, err


def test_one_stand_said_of_poses_metres_apart_is_left_open(calib, files):
    """What the crew says is taken, but the next command is not to solve it."""
    files()
    status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", "--stand", "A", *OPTIONS)
    assert status == 0 and set(stands_of("run").values()) == {"A"}
    assert "Left open: between poses" in err
    assert err.splitlines()[-1] == "Next: calib diagnose run"


@pytest.mark.parametrize("heading", ["Setup", "Position", "Standort"])
def test_the_column_of_the_stand_by_its_plain_headings(calib, files, heading):
    """Words that mean others at the head of shots mean the stand on a sheet of readings."""
    def named(shots, sheet):
        sheet[heading] = sheet["stand"] + "x"

    stands = files(named, (heading,))
    status, _, err = calib("a.csv", "b.csv", "--into", "run", "--yes", *OPTIONS)
    assert status == 0 and stands_of("run") == {p: s + "x" for p, s in stands.items()}, err


def test_east_and_north_exchanged(calib, files):
    """A mirrored machine is refused; the next line reads each as the other, or goes on."""
    def mirrored(shots, sheet):
        shots[["east", "north"]] = shots[["north", "east"]].to_numpy()

    files()
    calib("a.csv", "b.csv", "--into", "run", "--yes", *OPTIONS)
    meant = pd.read_csv("run/shots.csv")
    files(mirrored)
    told = ("a.csv", "b.csv", "--into", "other", "--yes", *OPTIONS)
    status, _, err = calib(*told)
    assert status == 3 and "only mirrored" in err
    assert err.splitlines()[-1].endswith("--east-north exchanged")
    status, _, err = calib(*told, "--east-north", "exchanged")
    assert status == 0 and err.splitlines()[-1] == "Next: calib solve other"
    pd.testing.assert_frame_equal(pd.read_csv("other/shots.csv"), meant)
    status, _, err = calib(*told, "--east-north", "as-written", "--replace")
    assert status == 0 and err.splitlines()[-1] == "Next: calib diagnose other"


def test_a_shot_twice_has_a_next_line_that_solves_it(calib, files):
    """The same id again, centimetres off: what counts is asked, and said how far they lie apart."""
    def twice(shots, sheet):
        shots.loc[len(shots)] = shots.iloc[-1]
        shots.loc[len(shots) - 1, "up"] += 0.031

    files(twice)
    told = ("a.csv", "b.csv", "--into", "run", "--yes", *OPTIONS)
    status, _, err = calib(*told)
    assert status == 3 and err.splitlines()[-1].endswith("--repeats WHICH"), err
    assert "31.0 mm apart" in err
    status, _, err = calib(*told, "--repeats", "last")
    assert status == 0, err
