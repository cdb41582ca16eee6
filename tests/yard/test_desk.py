"""At the desk: field files brought in, the run solved, what to enter and whether it was entered."""

import json

import numpy as np
import pytest

from calib.edge import edge_positions
from calib.operations import result_files
from calib.results import load_result
from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.run.write import csv_text
from calib.yard import changes, desk
from calib.yard.session import Session


@pytest.fixture
def solved(grown, monkeypatch):
    """A session of a solved run; its report is drawn in other tests."""
    monkeypatch.setattr(result_files, "draw", lambda *_: None)
    session = Session(grown)
    desk.solve_run(session, b"{}")
    return session


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


def test_the_sheet_and_the_display(solved, rig):
    session, grown = solved, solved.notebook.folder
    view = desk.make_sheet(session, b'{"lengths": "ft-in", "angles": "dms"}')
    assert {one["name"] for one in view["files"]} >= {"sheet.html", "sheet.pdf"}
    assert len(view["says"]) == 3 and not view["stale"]
    assert b"Nobody stands" in desk.result_file(session, "sheet.html")
    read = load_result(grown / "result")
    readings = {name: 0.0 for name in rig.reading_names} | {"boom": 30.0, "stick": -60.0}
    rows = []
    for pose, more in (("1", {}), ("2", {"tilt": 20.0}), ("3", {"rotate": 90.0})):
        at = {**readings, **more}
        points, _ = edge_positions(read.rig, read.values_si,
                                   np.radians([[at[n] for n in rig.reading_names]]), [0, 1])
        for target, (ahead, left, up) in zip(rig.target_names[:2], points.position[0],
                                             strict=True):
            rows.append({"pose": pose, "target": target, "forward": f"{ahead:.3f}",
                         "left": f"{left:.3f}", "up": f"{up:.3f}", **at})
    said = desk.confirm_shown(session, csv_text(rows).encode())
    assert said["says"]
    wrong = [{**row, "up": f"{float(row['up']) + 0.4:.3f}"} for row in rows]
    assert desk.confirm_shown(session, csv_text(wrong).encode())["agrees"] is False


def test_a_result_of_another_run_than_this_is_told(solved):
    assert desk.desk_view(solved)["stale"] is False
    first = solved.state().progress.run.shots.ids[0]
    changes.mark("set_aside", solved, json.dumps({"names": [first]}).encode())
    assert desk.desk_view(solved)["stale"] is True
    changes.mark("set_aside", solved, json.dumps({"names": [first], "on": False}).encode())
    assert desk.desk_view(solved)["stale"] is False
    shots = solved.notebook.folder / "shots.csv"
    shots.write_text(shots.read_text() + "\n# later\n")
    assert desk.desk_view(solved)["stale"] is True


def test_before_a_result_there_is_nothing_to_fill_in(grown):
    view = desk.desk_view(Session(grown))
    assert (view["solved"], view["says"], view["files"]) == (False, [], [])
    with pytest.raises(InputError):
        desk.blank_shown(Session(grown))


def test_the_file_to_fill_in_has_poses_and_cautions(solved):
    text = desk.blank_shown(solved)
    assert "Nobody stands" in text and "pose,target" in text


def test_a_list_of_entries_is_taken_in_or_refused_whole(grown):
    session = Session(grown)
    with pytest.raises(InputError):
        desk.take_entries(session, b"[[entry]]\nname = 1\n")
    assert not (grown / "entries.toml").exists()
    said = desk.take_entries(session, desk.BLANKS["entries.toml"](session).encode())
    assert said["entries"] and said["determines"]
    assert len(read_run(grown).entries.entries) > 3
    before = (grown / "entries.toml").read_bytes()
    assert "kept as" not in str(desk.take_entries(session, before))
    said = desk.take_entries(session, before + b"# mine\n")["determines"]
    assert "earlier-entries.toml" in said[-1]
    assert (grown / "earlier-entries.toml").read_bytes() == before
