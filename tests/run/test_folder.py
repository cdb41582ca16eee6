"""A run folder: read, or refused with every complaint in words."""

import hashlib
import os

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


PLAY = """
[parameters.stick_play]
unit = "deg"
start = 0
means = "half the play of the stick"

[[motions]]
rotate = "y"
after = "stick"
varying = [{ by = { stick_play = 1 }, times = "pose column", of = "load" }]
"""


def _with_load(folder, *cells):
    """A column load, the cells in turn; an effect that depends on it is estimated."""
    rows = folder["readings.csv"].splitlines()
    folder["readings.csv"] = "\n".join(
        [f"{rows[0]},load",
         *(f"{row},{cells[i % len(cells)]}" for i, row in enumerate(rows[1:]))]) + "\n"


def test_a_pose_column_in_words_and_numbers(folder):
    """Words in any capitals; numbers between them; kept in the run, in the rig's order."""
    folder.append("rig.toml", PLAY)
    _with_load(folder, "hanging", "Resting", "0", "0.5")
    run = folder.read()
    assert run.notices == ()
    assert run.poses.noted["load"][:5].tolist() == [-1, 1, 0, 0.5, -1]
    assert [c.name for c in run.rig.pose_columns] == ["approach", "load"]
    assert run.noted[:4].tolist() == [[0, -1], [0, 1], [0, 0], [0, 0.5]]


def test_a_pose_column_that_is_missing_or_wrong(folder):
    """A parameter that depends on it needs it in every pose."""
    folder.append("rig.toml", PLAY)
    assert folder.complaints() == [
        'readings.csv line 1, column load: found no column "load", expected hanging or resting in '
        "every pose (the attachment hangs free or rests its weight on the ground): stick_play "
        "cannot be estimated without"]
    _with_load(folder, "hanging", "", "up", "2")
    assert folder.complaints()[:3] == [
        f"readings.csv line {line}, column load: found {found}, "
        "expected hanging, resting, or a number from -1 to 1"
        for line, found in ((3, "nothing"), (4, '"up"'), (5, '"2"'))]


def test_a_pose_column_that_nothing_depends_on(folder):
    """It does no harm, whatever stands in it; what is understood is kept."""
    _with_load(folder, "hanging", "3 t of gravel")
    run = folder.read()
    assert run.poses.noted["load"][:2].tolist() == [-1, 0]
    assert run.notices == (
        "readings.csv line 3: column load is not used: no parameter that depends on it is "
        'estimated, and "3 t of gravel" is none of hanging, resting',)


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
        ("edge_drop,1100,5,inch", 'unit: found "inch", expected a unit: m, cm, mm, ft, deg'),
        ("edge_drop,1100,5,deg", 'unit: found "deg", expected the unit of a length for edge_drop: '
                                 "m, cm, mm, ft"),
        ("boom_zero,1,5,mm", 'unit: found "mm", expected the unit of an angle for boom_zero: deg'),
        ("boom_zero,361,5,deg", "value: found 361 deg, expected an angle from -360 to 360 deg"),
        ("stick_length,235,5,m", "value: found 235 m, expected a value from 0.5 to 12 m: a machine "
                                 "beyond that states its own range under [ranges] in rig.toml, "
                                 "such as stick_length = [least, most]"),
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


def test_a_check_shot_of_a_pin_that_is_not_shot(folder):
    """Where its mark sits is unknown: a complaint, unless its side is held on purpose."""
    folder.change("check.csv", ",edge_mid,", ",stick_pin,")
    rows = folder["check.csv"].split("\n")
    line = 1 + next(i for i, row in enumerate(rows) if "stick_pin" in row)
    assert folder.complaints() == [
        f'check.csv line {line}, column target: found "stick_pin", expected a target that '
        "shots.csv has shots of (else where it is on the machine is unknown), or its parameters "
        "under hold in rig.toml"]
    folder["rig.toml"] = 'hold = ["stick_pin_side"]\n' + folder["rig.toml"]
    folder.read()


def test_a_taped_pin_that_is_not_shot_is_noted(folder):
    folder.append("tape.csv", "stick_pin_side,0.2,0.003,m")
    assert any("stick_pin_side: no shot depends on it" in n for n in folder.read().notices)
