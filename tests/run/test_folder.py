"""A run folder: read, or refused with every complaint in words."""

import hashlib
import os
import time

import numpy as np
import pytest

from calib.run.complaints import InputError
from calib.run.folder import read_run, rig_from_text

HEADER = "shot,pose,target,east,north,up"


def test_reads_a_sound_folder(folder):
    """Numbers in SI, in the rig's order, with the sds of the rig."""
    run = folder.read()
    assert run.notices == ()
    assert run.poses.ids[:2] == ("000", "001")
    assert run.poses.stand == ("here",) * 11
    first = [float(c) for c in folder["readings.csv"].split("\n")[1].split(",")[2:]]
    np.testing.assert_allclose(np.degrees(run.poses.readings[0]), first, rtol=1e-14)
    np.testing.assert_allclose(np.degrees(run.poses.sd[3]),
                               [0.03, 0.03, 0.05, 0.05, 0.05, 0.06, 0.10], rtol=1e-14)
    assert len(run.shots) == 20
    row = folder["shots.csv"].split("\n")[4].split(",")
    assert run.shots.ids[3] == row[0]
    assert run.poses.ids[run.shots.pose[3]] == row[1]
    assert run.rig.target_names[run.shots.target[3]] == row[2]
    assert run.shots.position[3].tolist() == [float(c) for c in row[3:]]
    np.testing.assert_allclose(run.shots.covariance[3], np.diag([4e-6, 4e-6, 9e-6]), rtol=1e-14)
    assert run.shots.line[3] == run.poses.line[3] == 5
    assert run.tape.quantities == ("boom_length", "edge_width", "tilt_zero", "pin_to_edge")
    np.testing.assert_allclose(run.tape.value, [5.702, 4.92 * 0.3048, np.radians(-1.5), 1.61],
                               rtol=1e-14)
    np.testing.assert_allclose(run.tape.sd, [0.005, 0.02 * 0.3048, np.radians(0.3), 0.01],
                               rtol=1e-14)
    assert run.tape.unit == ("mm", "ft", "deg", "m")
    assert run.check.ids == ("c1",)


def test_files_carry_the_hash_of_what_was_read(folder):
    """SHA-256 of the bytes, for every file read."""
    run = folder.read()
    assert run.files == {n: hashlib.sha256(data).hexdigest() for n, data in folder.files.items()}
    assert set(run.files) == {"rig.toml", "readings.csv", "shots.csv", "tape.csv", "check.csv"}


def test_tape_and_check_shots_are_optional(folder):
    """Without them, or with a header only, there are none."""
    folder["tape.csv"], folder["check.csv"] = None, HEADER + "\n"
    run = folder.read()
    assert (run.tape.quantities, run.check) == ((), None)
    assert "tape.csv" not in run.files
    assert run.notices == ("readings.csv line 12: poses without shots, not used: line 12",)


def test_ids_are_text(folder):
    """"001" stays "001", and a pose "1" is another pose than "001"."""
    folder.append("readings.csv", folder["readings.csv"].split("\n")[1].replace("000,", "1,"))
    folder.append("shots.csv", "1,1,edge_left,5001,1001,41")
    folder.append("shots.csv", "01,001,edge_left,5001,1001,41")
    run = folder.read()
    assert run.poses.ids[1] == "001"
    assert run.poses.ids[11] == "1"
    assert run.shots.ids[-2:] == ("1", "01")
    assert run.shots.pose[-2:].tolist() == [11, 1]


def test_columns_in_any_order_and_of_any_case(folder):
    """The header says what is where."""
    before = folder.read()
    rows = [line.split(",") for line in folder["shots.csv"].split("\n")[:-1]]
    turned = [row[::-1] for row in rows]
    turned[0] = [name.title() for name in turned[0]]
    folder["shots.csv"] = "\r\n".join(" , ".join(row) for row in turned) + "\r\n"
    after = folder.read()
    np.testing.assert_array_equal(after.shots.position, before.shots.position)
    assert after.shots.ids == before.shots.ids


def test_extra_columns_are_kept_out_with_a_notice(folder):
    """A misspelt optional column would be one: the notice names the nearest."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    folder["shots.csv"] = "\n".join([lines[0] + ",code,sd_est"] +
                                    [line + ",CS1,0.01" for line in lines[1:]]) + "\n"
    assert folder.read().notices == (
        'shots.csv line 1: columns not used: "code", "sd_est" (nearest: "sd_east")',
    )


def test_own_sds_and_covariances(folder):
    """Cells of a row win over the rig file; empty ones leave it to the rig file."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    rows = [line + ",,,," for line in lines[1:]]
    rows[0] = lines[1] + ",0.004,,0.006,-1.2e-5"
    folder["shots.csv"] = "\n".join(
        [lines[0] + ",sd_east,sd_north,sd_up,cov_east_up", *rows]) + "\n"
    covariance = folder.read().shots.covariance
    np.testing.assert_allclose(
        covariance[0], [[1.6e-5, 0, -1.2e-5], [0, 4e-6, 0], [-1.2e-5, 0, 3.6e-5]], rtol=1e-12)
    np.testing.assert_allclose(covariance[1], np.diag([4e-6, 4e-6, 9e-6]), rtol=1e-12)


def test_own_sds_of_readings(folder):
    """A column sd_boom, in deg, wins where it has a value."""
    lines = folder["readings.csv"].rstrip("\n").split("\n")
    rows = [line + "," for line in lines[1:]]
    rows[2] = lines[3] + ",0.2"
    folder["readings.csv"] = "\n".join([lines[0] + ",sd_boom", *rows]) + "\n"
    sd = np.degrees(folder.read().poses.sd)
    assert sd[:, 2] == pytest.approx([0.05, 0.05, 0.2] + [0.05] * 8, rel=1e-12)


def test_times_are_kept_as_written(folder):
    """Text, or None where there is none."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    rows = [line + "," for line in lines[1:]]
    rows[0] = lines[1] + ",2031-05-04T09:30:00+02:00"
    folder["shots.csv"] = "\n".join([lines[0] + ",time", *rows]) + "\n"
    assert folder.read().shots.time[:2] == ("2031-05-04T09:30:00+02:00", None)


def test_a_file_written_by_an_european_spreadsheet(folder):
    """Semicolons, decimal commas, UTF-16 and quotes give the same numbers."""
    before = folder.read()
    text = folder["shots.csv"].replace(",", ";").replace(".", ",").replace("edge_left",
                                                                          '"edge_left"')
    folder["shots.csv"] = text.encode("utf-16")
    after = folder.read()
    np.testing.assert_array_equal(after.shots.position, before.shots.position)
    assert after.notices == (
        "shots.csv: read as UTF-16",
        "shots.csv: read with semicolons between columns, decimal commas",
    )


@pytest.mark.parametrize(
    ("line", "complaints"),
    [
        ("S1,003,edge_left,5001,1O.2,41",
         ['column north: found "1O.2", expected a number (letter O for zero?)']),
        ("S1,003,edge_left,nan,inf,", [
            'column east: found "nan", expected a finite number',
            'column north: found "inf", expected a finite number',
            "column up: found nothing, expected a number",
        ]),
        ("S1,003,edge_left,5001,1002,4e12",
         ['column up: found "4e12", expected a coordinate within 100,000,000 m']),
        ("S1,003,edge_lft,5001,1002,41",
         ['column target: found "edge_lft", expected a target of the rig (nearest: "edge_left")']),
        ("S1,003,tooth,5001,1002,41",
         ['column target: found "tooth", expected a target of the rig: boom_foot_left, '
          "boom_foot_right, stick_pin, bucket_pin, edge_left, edge_mid, edge_right"]),
        ("S1,3,edge_left,5001,1002,41",
         ['column pose: found "3", expected a pose of readings.csv (did something drop zeros from '
          '"003"?)']),
        ("S1,elsewhere,edge_left,5001,1002,41",
         ['column pose: found "elsewhere", expected a pose of readings.csv']),
        ("001-edge_left,003,edge_left,5001,1002,41",
         ['column shot: found "001-edge_left" again (first in line 4), expected each shot id '
          "once"]),
        (",,,5001,1002,41", [
            "column shot: found nothing, expected an id",
            "column pose: found nothing, expected an id",
            "column target: found nothing, expected an id",
        ]),
        ("S1,003,edge_left,5001", [": found 4 cells (cut off?), expected 6 cells as in the header "
                                   "(line 1)"]),
        ("S1,003,edge_left,5001,25,1002,5,41", [
            ": found 8 cells, expected 6 cells as in the header (line 1) (decimal commas need "
            "semicolons or tabs between columns)"]),
    ],
)
def test_a_bad_shot(folder, line, complaints):
    """One complaint for every bad cell: file, line, column, found, expected."""
    folder.append("shots.csv", line)
    starts = ["shots.csv line 22" + ("" if c.startswith(":") else ", ") for c in complaints]
    assert sorted(folder.complaints()) == sorted(
        s + c for s, c in zip(starts, complaints, strict=True))


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("004,here,0,0,10,20,30,0,0",
         'readings.csv line 13, column pose: found "004" again (first in line 6), expected each '
         "pose once"),
        ("011,here,0,0,10,20,360.1,0,0",
         'readings.csv line 13, column coupler: found "360.1", expected an angle from -360 to 360 '
         "deg"),
        ("011,here,0,0,10,20,30,0,12.3°",
         'readings.csv line 13, column rotate: found "12.3°", expected a number in decimal degrees '
         "(without the degree sign)"),
        ("011,,0,0,10,20,30,0,0",
         "readings.csv line 13, column stand: found nothing, expected an id"),
        ("011,here,0,0,10,20,30,0,",
         "readings.csv line 13, column rotate: found nothing, expected a number"),
    ],
)
def test_a_bad_pose(folder, line, complaint):
    """The same for readings."""
    folder.append("readings.csv", line)
    assert folder.complaints() == [complaint]


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("edge_drop,1100,0,mm", 'sd: found "0", expected a standard deviation above zero (1e-9 to '
                                "1e6)"),
        ("edge_drop,1100,-5,mm", 'sd: found "-5", expected a standard deviation above zero (1e-9 '
                                 "to 1e6)"),
        ("edge_drop,1100,5,inch", 'unit: found "inch", expected a unit: m, mm, ft, deg'),
        ("edge_drop,1100,5,deg", 'unit: found "deg", expected the unit of a length for edge_drop: '
                                 "m, mm, ft"),
        ("boom_zero,1,5,mm", 'unit: found "mm", expected the unit of an angle for boom_zero: deg'),
        ("boom_zero,361,5,deg", "value: found 361 deg, expected an angle from -360 to 360 deg"),
        ("edge_drop,1100,5,m", "value: found 1100 m, expected a length of a machine, within "
                               "1000 m"),
        ("boom_lenght,1,5,mm", 'quantity: found "boom_lenght", expected a parameter or derived '
                               'quantity of the rig (nearest: "boom_length")'),
        ("boom_length,5700,5,mm", 'quantity: found "boom_length" again (first in line 2), expected '
                                  "each quantity once (of several tapings: the mean, with its sd)"),
    ],
)
def test_a_bad_tape_row(folder, line, complaint):
    """Unknown quantity or unit, a unit of another kind, an sd of zero or less."""
    folder.append("tape.csv", line)
    assert folder.complaints() == ["tape.csv line 6, column " + complaint]


def test_all_complaints_of_all_files_at_once(folder):
    """Nobody should have to mend one cell at a time."""
    folder.change("rig.toml", "boom = 0.05", "boom = -0.05")
    folder.append("readings.csv", "011,here,0,0,x,20,30,0,0")
    folder.append("shots.csv", "S1,777,edge_left,5001,y,41")
    folder.append("tape.csv", "edge_drop,z,5,mm")
    folder.append("check.csv", "c2,010,edge_mid,5001,1001,")
    # Without a rig the names of readings and quantities are not known: those have to wait.
    assert folder.complaints() == [
        "rig.toml line 9, key readings.sd.boom: found -0.05, expected a number above 0",
        'shots.csv line 22, column north: found "y", expected a number',
        'shots.csv line 22, column pose: found "777", expected a pose of readings.csv',
        "check.csv line 3, column up: found nothing, expected a number",
        'tape.csv line 6, column value: found "z", expected a number',
    ]
    folder.change("rig.toml", "boom = -0.05", "boom = 0.05")
    assert folder.complaints()[0] == \
        'readings.csv line 13, column boom: found "x", expected a number'


@pytest.mark.parametrize(
    ("name", "what"),
    [("rig.toml", "a file that describes the rig"),
     ("readings.csv", "a file with one row per pose"),
     ("shots.csv", "a file with one row per shot")],
)
def test_a_missing_file(folder, name, what):
    """Needed files are named with what they hold."""
    folder[name] = None
    assert folder.complaints() == [f"{name}: found no such file, expected {what}"]


def test_a_file_of_nearly_the_right_name(folder):
    """The likely cause of a missing file is said; of an optional one it is a notice."""
    for name, other in (("shots.csv", "Shots.CSV"), ("tape.csv", "tape.csv.txt")):
        os.rename(folder.path / name, folder.path / other)
    assert folder.complaints() == [
        'shots.csv: found no such file (but "Shots.CSV"), expected a file with one row per shot'
    ]
    os.rename(folder.path / "Shots.CSV", folder.path / "shots.csv")
    assert folder.read().notices == ("tape.csv.txt: not read: the name would have to be tape.csv",)


def test_no_folder(tmp_path):
    """No such folder, or a file in its place."""
    (tmp_path / "file").write_text("x")
    expected = "a run folder: rig.toml, readings.csv, shots.csv, perhaps tape.csv and check.csv"
    for name, found in (("none", "no such folder"), ("file", "a file")):
        with pytest.raises(InputError) as caught:
            read_run(tmp_path / name)
        assert str(caught.value) == f"{tmp_path / name}: found {found}, expected {expected}"


def test_a_folder_or_a_pipe_in_place_of_a_file(folder):
    """Neither hangs nor crashes."""
    folder["shots.csv"] = folder["tape.csv"] = None
    (folder.path / "shots.csv").mkdir()
    os.mkfifo(folder.path / "tape.csv")
    assert folder.complaints() == [
        "shots.csv: found a folder, expected a text file of at most 50 MB",
        "tape.csv: found no ordinary file, expected a text file of at most 50 MB",
    ]


def test_a_file_too_large(folder):
    """A log in place of shots is refused before it fills the memory."""
    with (folder.path / "shots.csv").open("wb") as stream:
        stream.truncate(2_000_000_000)
    assert folder.complaints() == [
        "shots.csv: found 2,000 MB, expected a text file of at most 50 MB"
    ]


def test_a_file_that_may_not_be_read(folder, monkeypatch):
    """The reason of the system is passed on (made up here: the tests may run as root)."""
    def refuse(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("pathlib.Path.read_bytes", refuse)
    assert folder.complaints()[0] == (
        "rig.toml: found a file that cannot be read (permission denied), expected a file that you "
        "may read"
    )


def test_missing_columns(folder):
    """Each missing column is named, with the extra one it may be."""
    folder.change("shots.csv", "target,east,north", "tarjet,east,y")
    folder.change("readings.csv", "stick", "arm")
    assert folder.complaints() == [
        'readings.csv line 1, column stick: found no column "stick", expected columns pose, stand, '
        "house_pitch, house_roll, boom, stick, coupler, tilt, rotate",
        'shots.csv line 1, column target: found no column "target" (nearest: "tarjet"), expected '
        "columns shot, pose, target, east, north, up",
        'shots.csv line 1, column north: found no column "north", expected columns shot, pose, '
        "target, east, north, up",
    ]


def test_a_column_twice(folder):
    """Which of the two is meant is not guessed."""
    folder.change("shots.csv", "up", "East")
    assert folder.complaints() == [
        'shots.csv line 1, column east: found column "East" twice, expected each column once',
        'shots.csv line 1, column up: found no column "up", expected columns shot, pose, target, '
        "east, north, up",
    ]


def test_no_rows_yet(folder):
    """A folder just made says what is to be filled in, and no more."""
    folder["readings.csv"] = folder["readings.csv"].split("\n")[0] + "\n"
    folder["shots.csv"] = HEADER + "\n"
    folder["check.csv"] = None
    assert folder.complaints() == [
        "readings.csv line 1: found no rows yet, only column names, expected one row per pose",
        "shots.csv line 1: found no rows yet, only column names, expected one row per shot",
    ]


def test_no_shot_of_the_edge(folder):
    """Without one nothing is known of the bucket."""
    folder["shots.csv"] = folder["shots.csv"].replace(",edge_left,", ",stick_pin,").replace(
        ",edge_right,", ",bucket_pin,")
    assert folder.complaints() == [
        "shots.csv, column target: found no shot of the cutting edge, expected at least one shot "
        "of an edge target (edge_left, edge_mid, edge_right)"
    ]


def test_fewer_observations_than_unknowns(folder):
    """The count is shown, so that it is clear what would help."""
    folder["shots.csv"] = "\n".join(folder["shots.csv"].split("\n")[:5]) + "\n"
    folder["tape.csv"] = folder["check.csv"] = None
    rig = rig_from_text(folder["rig.toml"])
    free = sum(not p.held for p in rig.parameters)
    assert folder.complaints() == [
        "shots.csv: found 12 observations (4 shots of 3 coordinates, 0 taped values), expected at "
        f"least {free + 4}, one for each unknown ({free} free parameters, 4 for 1 stand)"
    ]


def test_just_as_many_observations_as_unknowns(folder):
    """The count is exact: with the tape it is enough, with a row less it is not."""
    rig = rig_from_text(folder["rig.toml"])
    unknowns = sum(not p.held for p in rig.parameters) + 4
    n_shots = (unknowns - 4) // 3
    hold = [p.name for p in rig.parameters if not p.held and "zero" not in p.name]
    hold = hold[: unknowns - 4 - 3 * n_shots]
    folder["rig.toml"] = f"hold = {hold}\n" + folder["rig.toml"]
    folder["check.csv"] = None
    folder["shots.csv"] = "\n".join(folder["shots.csv"].split("\n")[: n_shots + 1]) + "\n"
    folder["tape.csv"] = ("quantity,value,sd,unit\ntilt_zero,0,1,deg\nboom_zero,0,1,deg\n"
                          "stick_zero,0,1,deg\npin_to_edge,1.6,0.01,m\n")
    assert len(folder.read().shots) == n_shots
    # A taped value of a held parameter is no observation.
    folder.change("tape.csv", "stick_zero,0,1,deg\n", "tilt_axis_side,0,1,mm\n")
    assert "observations" in folder.complaints()[0]


def test_each_stand_in_use_counts(folder):
    """Four unknowns for every stand that has shots."""
    folder["readings.csv"] = folder["readings.csv"].replace("001,here", "001,there")
    folder["shots.csv"] = "\n".join(folder["shots.csv"].split("\n")[:5]) + "\n"
    folder["check.csv"] = folder["tape.csv"] = None
    assert "4 for each of 2 stands)" in folder.complaints()[0]


def test_check_shots_must_be_new_and_placeable(folder):
    """Not a shot of the solve, and on a stand whose place the solve finds."""
    folder.append("readings.csv", "011,far away,0,0,10,20,30,0,0")
    folder.append("check.csv", "003-edge_left,003,edge_left,5001,1001,41")
    folder.append("check.csv", "c3,011,edge_left,5001,1001,41")
    assert folder.complaints() == [
        'check.csv line 3, column shot: found "003-edge_left", also in shots.csv line 8, expected '
        "a check shot that is not in the solve",
        'check.csv line 4, column pose: found "011" on stand "far away", expected a pose on a '
        "stand that shots.csv has shots of (else the place of the stand is unknown)",
    ]


def test_notices_between_files(folder):
    """Poses without shots, check shots that share readings."""
    folder.append("readings.csv", "011,here,0,0,10,20,30,0,0")
    folder.append("check.csv", "c2,009,edge_mid,5001,1001,41")
    assert folder.read().notices == (
        "check.csv line 3: not fully independent: shots of poses that shots.csv has too (line 3) "
        "share their readings",
        "readings.csv line 13: poses without shots, not used: line 13",
    )


def test_a_shot_out_of_reach(folder):
    """East and north swapped in one row; the others of its stand show it."""
    folder.append("shots.csv", "S1,003,edge_left,1001.5,5001.5,41")
    folder.append("check.csv", "c2,010,edge_mid,5001,1001,4100")
    assert folder.complaints() == [
        'shots.csv line 22: found a point 5,657 m from the middle of the shots of stand "here", '
        "expected at most 50 m (columns swapped, another unit, or a new stand?)",
        'check.csv line 3: found a point 4,058 m from the middle of the shots of stand "here", '
        "expected at most 50 m (columns swapped, another unit, or a new stand?)",
    ]


def test_stands_far_apart_are_no_fault(folder):
    """A machine may move between stands: distances count within a stand only."""
    folder.append("readings.csv", "011,there,0,0,10,20,30,0,0")
    folder.append("shots.csv", "S1,011,edge_left,6001.5,5001.5,41")
    assert folder.read().notices == ()


def test_rows_left_out_as_comments_are_said(folder):
    """Leaving a shot out is allowed, but not in silence."""
    folder.change("shots.csv", "001-edge_left", "# 001-edge_left")
    assert folder.read().notices == ("shots.csv: 1 row(s) left out as comments (#): line 4",)


def test_a_taped_value_of_a_held_parameter_is_said(folder):
    """Its sd has no say."""
    folder.append("tape.csv", "tilt_axis_side,3,2,mm")
    assert folder.read().notices == (
        "tape.csv line 6: tilt_axis_side is held: its taped value is taken as exact and its sd is "
        "not used (to estimate it, name it under free in rig.toml)",
    )


def test_a_file_without_a_last_line_end(folder):
    """It may have been cut off inside the last number: nothing else would show it."""
    folder["shots.csv"] = folder["shots.csv"][:-3]
    assert folder.read().notices == (
        "shots.csv line 21: no line end after the last row: check that the file is whole",
    )


def test_covariances_that_cannot_be(folder):
    """Larger than the sds allow, or at odds with each other."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    rows = [line + ",,," for line in lines[1:]]
    rows[1] = lines[2] + ",4.1e-6,,"
    rows[3] = lines[4] + ",3.6e-6,5.4e-6,-5.4e-6"
    folder["shots.csv"] = "\n".join(
        [lines[0] + ",cov_east_north,cov_east_up,cov_north_up", *rows]) + "\n"
    assert folder.complaints() == [
        "shots.csv line 3, column cov_east_north: found 4.1e-06, expected less than sd_east times "
        "sd_north (4e-06 m^2) in size",
        "shots.csv line 5: found covariances 3.6e-06, 5.4e-06, -5.4e-06 m^2, expected three that "
        "fit together (a positive definite matrix)",
    ]


def test_sds_that_are_nowhere(folder):
    """Neither in rig.toml nor in a column: both places are named."""
    folder["rig.toml"] = 'template = "tilt_rotator"\n[readings.sd]\nboom = 0.05\nstick = 0.05\n' \
        "coupler = 0.05\ntilt = 0.06\nrotate = 0.1\nhouse_roll = 0.03\n"
    assert folder.complaints() == [
        "rig.toml, key readings.sd.house_pitch: found nothing, expected the sd of a reading in "
        "deg, here or in a column sd_house_pitch of readings.csv",
        *(f"rig.toml, key shots.sd.{axis}: found nothing, expected the sd of a shot in m, here or "
          f"in a column sd_{axis} of {name}"
          for name in ("shots.csv", "check.csv") for axis in ("east", "north", "up")),
    ]


def test_gaps_in_sds_that_rig_toml_does_not_fill(folder):
    """An empty cell and one at fault have one complaint each."""
    folder["rig.toml"] = folder["rig.toml"].replace("boom = 0.05\n", "")
    lines = folder["readings.csv"].rstrip("\n").split("\n")
    rows = [line + ",0.05" for line in lines[1:]]
    rows[0], rows[1] = lines[1] + ",", lines[2] + ",0"
    folder["readings.csv"] = "\n".join([lines[0] + ",sd_boom", *rows]) + "\n"
    assert folder.complaints() == [
        "readings.csv line 2, column sd_boom: found nothing, expected a standard deviation, here "
        "or under readings.sd in rig.toml",
        'readings.csv line 3, column sd_boom: found "0", expected a standard deviation above zero '
        "(1e-9 to 1e6)",
    ]


def test_a_sd_of_the_rig_file_that_would_overflow(folder):
    """It is refused before anything is computed from it."""
    folder.change("rig.toml", "north = 0.002", "north = 2e305")
    assert folder.complaints() == [
        "rig.toml line 4, key shots.sd.north: found 2e+305, expected a standard deviation above "
        "zero (1e-9 to 1e6)"
    ]


@pytest.mark.parametrize("cell", ["yesterday", "2031-05-04", "9:30", "04.05.2031 09:30"])
def test_a_time_that_could_be_misread(folder, cell):
    """Day-first dates and times of day without a date are refused."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    rows = [line + "," for line in lines[1:]]
    rows[2] = lines[3] + "," + cell
    folder["shots.csv"] = "\n".join([lines[0] + ",time", *rows]) + "\n"
    assert folder.complaints() == [
        f'shots.csv line 4, column time: found "{cell}", expected a date and time such as '
        "2031-05-04T09:30:00+02:00"
    ]


def test_times_with_and_without_a_zone(folder):
    """They cannot be put in order."""
    lines = folder["shots.csv"].rstrip("\n").split("\n")
    rows = [line + ",2031-05-04T09:30:00Z" for line in lines[1:]]
    rows[2] = rows[2][:-1]
    folder["shots.csv"] = "\n".join([lines[0] + ",time", *rows]) + "\n"
    assert folder.complaints() == [
        "shots.csv, column time: found times without a zone (line 4) among times with one, "
        "expected a zone in all or in none, such as Z or +02:00"
    ]


@pytest.mark.parametrize("where", ["header", "rows", "both"])
def test_empty_columns_at_the_end(folder, where):
    """Exporters leave them, in the header, in all rows or in both."""
    before = folder.read()
    header, *rows = folder["shots.csv"].rstrip("\n").split("\n")
    header += ",," * (where != "rows")
    folder["shots.csv"] = "\n".join([header, *(row + ",," * (where != "header") for row in rows)]) \
        + "\n"
    after = folder.read()
    np.testing.assert_array_equal(after.shots.position, before.shots.position)
    assert after.notices == ()


def test_one_comma_too_many_is_no_empty_column(folder):
    """41.865, may have been 41.8657: a cell cut short must not pass."""
    folder.append("shots.csv", "S1,003,edge_left,5001,1002,41.865,")
    assert folder.complaints() == [
        "shots.csv line 22: found 7 cells, expected 6 cells as in the header (line 1) (decimal "
        "commas need semicolons or tabs between columns)"
    ]


def test_reading_time_grows_with_the_rows_and_not_faster(folder):
    """Eight times the shots take about eight times as long: twice that is already a fault."""
    header, *rows = folder["shots.csv"].rstrip("\n").split("\n")
    seconds = []
    for copies in (50, 400):
        folder["shots.csv"] = "\n".join(
            [header, *(f"{i}-{row}" for i in range(copies) for row in rows)]) + "\n"
        times = []
        for _ in range(3):
            start = time.process_time()
            folder.read()
            times.append(time.process_time() - start)
        seconds.append(min(times))
    assert seconds[1] < 16 * seconds[0]
