"""A collector's file that grows: points become shots, in the order in which they are shot."""

import csv
import io
import json

import numpy as np
import pytest

from calib.edge import edge_positions
from calib.results import load_result
from calib.run.folder import read_run
from calib.run.write import csv_text
from calib.yard import changes, desk
from calib.yard.session import Session
from calib.yard.view import view_of


@pytest.fixture
def at_pose(planned, tmp_path):
    """A run of the plan with the readings of its first pose, and the shots to come."""
    import shutil

    blank, script = planned
    folder = tmp_path / "run"
    shutil.copytree(blank, folder)
    collected = tmp_path / "job.csv"
    session = Session(folder, collected)
    pose, values, shots = script[0]
    do(changes.note_readings, session, pose=pose["pose"], stand=pose["stand"],
       readings={n: v for n, v in values.items() if n not in ("pose", "stand")})
    return session, collected, pose, shots


def do(action, session, **body):
    answer = action(session, json.dumps(body).encode())
    session.look()
    return answer


def rows(folder):
    text = (folder / "shots.csv").read_text()
    return list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))


HEAD = "point,east,north,up\n"


def settled(folder):
    """As an import at the desk leaves it."""
    (folder / "import.toml").write_text('unit = "m"\nframe = "ground"\npole = "applied"\n')


def line(number, shot):
    return f"{number},{shot['east']},{shot['north']},{shot['up']}\n"


def test_points_become_the_shots_that_are_expected(at_pose):
    session, collected, pose, shots = at_pose
    settled(session.notebook.folder)
    by_target = {shot["target"]: shot for shot in shots}
    collected.write_text(HEAD)
    for number, target in enumerate(pose["shoot"], 1):
        with collected.open("a") as out:
            out.write(line(number, by_target[target]))
        session.look()
        found = rows(session.notebook.folder)
        assert [(r["pose"], r["target"]) for r in found] == [
            (pose["pose"], t) for t in pose["shoot"][:number]]
    assert view_of(session.look())["left"] == []
    # One more, and nobody knows what it is.
    with collected.open("a") as out:
        out.write("99,1.0,2.0,3.0\n")
    view = view_of(session.look())
    assert [w["name"] for w in view["waiting"]] == ["99"]
    do(changes.settle, session, name="99", pose=pose["pose"], target="edge_left")
    assert rows(session.notebook.folder)[-1]["shot"] == "99"
    assert view_of(session.state())["waiting"] == []


def test_the_same_file_again_adds_nothing(at_pose):
    session, collected, _, shots = at_pose
    settled(session.notebook.folder)
    collected.write_text(HEAD + line(1, shots[0]))
    session.look()
    before = rows(session.notebook.folder)
    again = Session(session.notebook.folder, collected)
    again.look()
    collected.touch()
    again.look()
    assert rows(session.notebook.folder) == before and len(before) == 1


def test_a_line_that_is_still_being_written_is_not_read(at_pose):
    session, collected, _, shots = at_pose
    settled(session.notebook.folder)
    whole = line(1, shots[0])
    for end in range(len(whole)):
        collected.write_text(HEAD + whole[:end])
        session.look()
        assert not rows(session.notebook.folder)
    collected.write_text(HEAD + whole)
    session.look()
    assert len(rows(session.notebook.folder)) == 1


def test_what_is_doubtful_is_told_and_nothing_is_guessed(at_pose):
    session, collected, _, _ = at_pose
    collected.write_text("1;2;3\n4;5;6\n")
    state = session.look()
    assert state.collector_trouble and not rows(session.notebook.folder)


def test_a_file_is_brought_in_at_the_desk(made_files, folder):
    session = Session(folder)
    for name in ("shots.csv", "readings.csv"):
        content = made_files[name].replace("shot,pose", "point,pose")
        desk.take_file(session, f"../../{name}\n{content}".encode())
    proposal = desk.propose(session, b"{}")
    while proposal["doubtful"]:
        first = next(c for c in proposal["choices"] if not c["sure"])
        proposal = desk.answer(session, json.dumps({"about": first["about"], "number": 0}).encode())
    said = desk.write_import(session, json.dumps({"replace": True}).encode())
    assert "Counts:" in said["says"]
    assert len(read_run(folder).shots) == 32
    assert sorted(p.name for p in folder.parent.iterdir()) == ["run"]


def test_the_sheet_and_the_display_at_the_desk(grown, rig):
    session = Session(grown)
    desk.solve_run(session, b"{}")
    names = desk.make_sheet(session, b"{}")["files"]
    assert {"sheet.html", "sheet.pdf", "report.html"} <= set(names)
    assert b"Nobody stands" in desk.result_file(session, "sheet.html")
    read = load_result(grown / "result")
    readings = {name: 0.0 for name in rig.reading_names} | {"boom": 30.0, "stick": -60.0}
    rows = []
    for pose, more in (("1", {}), ("2", {"tilt": 20.0}), ("3", {"rotate": 90.0})):
        at = {**readings, **more}
        place = edge_positions(read.rig, read.values_si,
                               np.radians([[at[n] for n in rig.reading_names]]), [0, 1])[0][0]
        for target, (ahead, left, up) in zip(rig.target_names[:2], place, strict=True):
            rows.append({"pose": pose, "target": target, "forward": f"{ahead:.3f}",
                         "left": f"{left:.3f}", "up": f"{up:.3f}", **at})
    said = desk.confirm_shown(session, csv_text(rows).encode())
    assert said["says"]
    wrong = [{**row, "up": f"{float(row['up']) + 0.4:.3f}"} for row in rows]
    assert desk.confirm_shown(session, csv_text(wrong).encode())["agrees"] is False
