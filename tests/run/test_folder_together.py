"""A run folder whose files are sound alone: what they must be together, and at the edges."""

import time

import numpy as np
import pytest

from calib.run.folder import rig_from_text

HEADER = "shot,pose,target,east,north,up"


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
    folder.append("shots.csv", "S1,011,edge_left,6001.5,5001.5,41.25")
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
    whole = folder["shots.csv"]
    folder["shots.csv"] = whole[:-1]
    assert folder.read().notices == (
        "shots.csv line 21: no line end after the last row: check that the file is whole",
    )
    for digits in (1, 2, 4):
        folder["shots.csv"] = whole[:-1 - digits]
        assert "was it cut off" in str(folder.complaints())


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
        'readings.csv line 3, column sd_boom: found "0", expected a standard deviation in deg, '
        "from 0.0001 to 20",
    ]


def test_a_sd_of_the_rig_file_that_would_overflow(folder):
    """It is refused before anything is computed from it."""
    folder.change("rig.toml", "north = 0.002", "north = 2e305")
    assert folder.complaints() == [
        "rig.toml line 4, key shots.sd.north: found 2e+305, expected a standard deviation in m, "
        "from 0.00001 to 0.5"
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


def _moved(row, times):
    """The same shot some tenths of a millimetre further east: a copy would be refused."""
    cells = row.split(",")
    cells[3] = f"{float(cells[3]) + 1e-4 * times:.4f}"
    return ",".join(cells)


def test_reading_time_grows_with_the_rows_and_not_faster(folder):
    """Eight times the shots take about eight times as long: twice that is already a fault."""
    header, *rows = folder["shots.csv"].rstrip("\n").split("\n")
    seconds = []
    for copies in (50, 400):
        folder["shots.csv"] = "\n".join(
            [header, *(f"{i}-{_moved(row, i)}" for i in range(copies) for row in rows)]) + "\n"
        times = []
        for _ in range(3):
            start = time.process_time()
            folder.read()
            times.append(time.process_time() - start)
        seconds.append(min(times))
    assert seconds[1] < 16 * seconds[0]
