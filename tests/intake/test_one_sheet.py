"""One file with both shots and readings, as a crew's own sheet has them."""

import re

import numpy as np
import pytest

from calib.intake.choices import Doubtful
from calib.intake.declaration import declare
from calib.intake.gather import gather_import
from calib.intake.proposal.propose import propose
from calib.run.complaints import Findings, InputError
from tests.intake.layouts import shots_of

TOLD = {"unit": "m"}


def cells_of(run):
    """Cells of each shot: pose, left or right, east, north, up, readings."""
    readings = dict(zip(run.poses.ids, np.degrees(run.poses.readings), strict=True))
    return [[pose, side, *(f"{x:.4f}" for x in at), *(f"{v:.2f}" for v in readings[pose])]
            for pose, side, at, _ in shots_of(run)]


def own_line(run):
    """Readings in rows of their own, above the shots of their pose."""
    rows, before = [], None
    for cells in cells_of(run):
        if cells[0] != before:
            rows.append(["reading", cells[0], "", "", "", "", *cells[5:]])
        rows.append(["shot", cells[0], f"edge_{cells[1]}", *cells[2:5], *[""] * 7])
        before = cells[0]
    return [["kind", "pose", "target", "easting", "northing", "height", *run.rig.reading_names],
            *rows]


def in_ids(run):
    """The pose in the ids alone; a title above, a note below."""
    return [["Job", "7"], ["No", "E", "N", "Z", *run.rig.reading_names], *(
        [f"P{pose}-{side}", *rest] for pose, side, *rest in cells_of(run)), ["note: dry"]]


def once(run):
    """The readings in the first row of each pose; the others end before them."""
    rows, seen = [], set()
    for pose, side, *rest in cells_of(run):
        rows.append([pose, side, *(rest[:3] if pose in seen else rest)])
        seen.add(pose)
    return [["pose", "corner", "E", "N", "Z", *run.rig.reading_names], *rows]


def imported(folder, rows, rig, delimiter=","):
    path = folder / "sheet.csv"
    path.write_text("".join(delimiter.join(row) + "\n" for row in rows))
    proposal = propose([path], rig, declare(TOLD))
    if proposal.doubtful:
        raise Doubtful(proposal.doubtful)
    return gather_import(proposal.request(folder / "run"), Findings())


@pytest.mark.parametrize("rows", [own_line, in_ids, once])
def test_both_are_taken(rows, run, tmp_path):
    found = imported(tmp_path, rows(run), run.rig, "\t" if rows is once else ",")
    assert len(found.shots) == len(shots_of(run))
    for shot, (pose, side, at, _) in zip(found.shots, shots_of(run), strict=True):
        assert (int(shot.booked.pose), shot.booked.target) == (int(pose), f"edge_{side}")
        assert np.abs(shot.position - at).max() < 1e-4
    for name, row in zip(run.poses.ids, np.degrees(run.poses.readings), strict=True):
        of = {int(pose): readings for pose, readings in found.readings.items()}[int(name)]
        assert np.abs(of.values - row).max() < 0.006


def test_a_machine_that_moved_between_the_rows_of_a_pose_is_told(run, tmp_path):
    rows = [["pose", "target", "east", "north", "up", *run.rig.reading_names],
            *([pose, f"edge_{side}", *rest] for pose, side, *rest in cells_of(run))]
    rows[2][8] = f"{float(rows[2][8]) + 1.3:.2f}"
    with pytest.raises(InputError) as error:
        imported(tmp_path, rows, run.rig)
    (told,) = error.value.complaints
    assert told.line == 3 and told.column == "stick" and "+1.3 from line 2" in told.found


def test_two_tables_in_one_file_are_told_apart(run, tmp_path):
    readings = dict.fromkeys((cells[0], *cells[5:]) for cells in cells_of(run))
    rows = [["pose", "target", "east", "north", "up"],
            *([pose, f"edge_{side}", *rest[:3]] for pose, side, *rest in cells_of(run)),
            ["pose", *run.rig.reading_names], *readings]
    with pytest.raises(InputError, match="a file of its own"):
        imported(tmp_path, rows, run.rig)


def test_a_row_that_is_there_twice_counts_once(run, tmp_path):
    rows = in_ids(run)
    found = imported(tmp_path, [*rows[:5], rows[4], *rows[5:]], run.rig)
    assert len(found.shots) == len(shots_of(run))


def test_a_sheet_on_its_side_is_told(run, tmp_path):
    turned = [*zip(*([c[0], *c[5:]] for c in cells_of(run)), strict=True)]
    rows = [[name, *cells] for name, cells in
            zip(("pose", *run.rig.reading_names), turned, strict=True)]
    with pytest.raises(InputError, match="each reading has a column"):
        imported(tmp_path, rows, run.rig)


def test_several_points_in_a_row_are_told(run, tmp_path):
    head = ["pose", *(f"{side} {axis}" for side in ("left", "right") for axis in "ENH"),
            *run.rig.reading_names]
    with pytest.raises(InputError, match=re.escape("a row for each point")):
        imported(tmp_path, [head, ["1", *["1.25"] * 13], ["2", *["2.25"] * 13]], run.rig)


def test_readings_of_other_poses_are_left_open(run, tmp_path):
    """As they are: nothing. Two columns exchanged in the header: said, and diagnosed next."""
    rows = [["pose", "corner", "E", "N", "Z", *run.rig.reading_names], *cells_of(run)]
    assert not imported(tmp_path, rows, run.rig).left_open
    rows[0][7:9] = rows[0][8:6:-1]
    (says,) = imported(tmp_path, rows, run.rig).left_open
    assert "from where the readings put them" in says


@pytest.mark.parametrize("heading", ["Point", "Punkt", "Corner"])
@pytest.mark.parametrize("sparse", [False, True])
def test_a_column_of_points_beside_poses_names_targets(run, tmp_path, heading, sparse):
    """The words repeat in every pose; poses and readings may be written once, in its first row."""
    rows, before = [["Pose", heading, "E", "N", "Z", *run.rig.reading_names]], None
    for pose, side, *rest in cells_of(run):
        again = sparse and pose == before
        rows.append(["" if again else pose, f"{side} corner", *rest[:3],
                     *([""] * len(rest[3:]) if again else rest[3:])])
        before = pose
    made = imported(tmp_path, rows, run.rig)
    booked = [(shot.booked.pose, shot.booked.target) for shot in made.shots]
    assert booked == [(cells[0], f"edge_{cells[1]}") for cells in cells_of(run)]
    assert len(made.readings) == len(run.poses.ids)


def test_a_pose_that_was_lost_is_none_written_once(run, tmp_path):
    """One cell of many: nothing is filled in."""
    rows = [["Pose", "Target", "E", "N", "Z", *run.rig.reading_names],
            *([pose, f"edge_{side}", *rest] for pose, side, *rest in cells_of(run))]
    rows[4][0] = ""
    with pytest.raises(InputError, match=r"line 5, column pose: found nothing|pattern"):
        imported(tmp_path, rows, run.rig)
