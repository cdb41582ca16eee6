"""A run that grows: what the page is told after each row, and that nothing is lost."""

import csv
import io
import json
import threading
import time
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from calib.plan.further import task_so_far
from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.yard import changes
from calib.yard.notebook import Changed
from calib.yard.progress import progress_of
from calib.yard.session import Session
from calib.yard.view import view_of


def rows(text):
    return list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))


def do(action, session, **body):
    answer = action(session, json.dumps(body).encode())
    session.look()
    return answer


def grow(session, made_files, poses, spoil=None):
    """Note the readings and shots of some poses as the page would, and look at the end."""
    readings, shots = (rows(made_files[name]) for name in ("readings.csv", "shots.csv"))
    for row in readings[poses]:
        names = [n for n in row if n not in ("pose", "stand")]
        changes.note_readings(session, json.dumps({
            "pose": row["pose"], "stand": row["stand"],
            "readings": {n: row[n] for n in names}}).encode())
        for shot in shots:
            if shot["pose"] == row["pose"]:
                one = {n: shot[n] for n in ("shot", "pose", "target", "east", "north", "up")}
                if shot["shot"] == spoil:
                    one["up"] = str(float(one["up"]) + 0.08)
                changes.note_shot(session, json.dumps(one).encode())
    session.look()


def test_a_run_noted_row_by_row_is_the_run(folder, made_files, made):
    session = Session(folder)
    assert view_of(session.state())["trouble"] == []
    grow(session, made_files, slice(None))
    run = read_run(folder)
    np.testing.assert_allclose(run.shots.position, made[0].shots.position, atol=6e-5)
    assert run.shots.ids == made[0].shots.ids and run.poses.ids == made[0].poses.ids
    view = view_of(session.state())
    assert view["edge"]["now"] > 0 and len(view["shots"]) == len(run.shots)
    assert {shot["state"] for shot in view["shots"]} == {"fits"}
    assert view["suspects"] == []


def test_a_bad_shot_is_seen_when_it_comes_in_and_taken_back_by_shooting_again(folder, made_files):
    session = Session(folder)
    bad = rows(made_files["shots.csv"])[24]["shot"]
    pose = rows(made_files["shots.csv"])[24]["pose"]
    order = [row["pose"] for row in rows(made_files["readings.csv"])]
    grow(session, made_files, slice(0, order.index(pose) + 1), spoil=bad)
    by_name = {shot["shot"]: shot for shot in view_of(session.state())["shots"]}
    assert by_name[bad]["state"] == "does not fit"
    assert 60 < by_name[bad]["miss"] < 110
    assert [n for n, shot in by_name.items() if shot["state"] == "does not fit"] == [bad]
    # Before anybody decides: what it does to the edge.
    answer = do(changes.weigh, session, names=[bad])
    assert "everything else fits" in answer["says"] and answer["unknown"] == []
    do(changes.set_aside, session, names=[bad])
    assert next(s for s in view_of(session.state())["shots"]
                if s["shot"] == bad)["state"] == "set aside"
    do(changes.set_aside, session, names=[bad], on=False)
    do(changes.keep, session, names=[bad])
    assert next(s for s in view_of(session.state())["shots"] if s["shot"] == bad)["state"] == "kept"


def test_the_first_shots_are_not_judged(folder, made_files):
    session = Session(folder)
    grow(session, made_files, slice(0, 1))
    view = view_of(session.state())
    assert {shot["state"] for shot in view["shots"]} == {"not checked yet"}
    assert view["edge"]["now"] is None and "Too few shots" in view["edge"]["says"]


def test_rows_of_two_pages_do_not_meet(grown):
    one, other = Session(grown), Session(grown)
    row = one.notebook.row("readings.csv", one.state().poses[0]["pose"])
    names = [n for n in row if n not in ("pose", "stand")]
    new = {n: row[n] for n in names} | {"boom": "12.5"}
    body = {"pose": row["pose"], "stand": row["stand"], "readings": new, "was": row}
    do(changes.note_readings, one, **body)
    with pytest.raises(Changed) as told:
        do(changes.note_readings, other, **{**body, "readings": new | {"boom": "13.5"}})
    assert told.value.now["boom"] == "12.5"
    assert one.notebook.row("readings.csv", row["pose"])["boom"] == "12.5"


def test_shots_from_many_threads_are_all_there(grown):
    session = Session(grown)
    before = len(read_run(grown).shots)
    pose = session.state().poses[0]["pose"]

    def note(number):
        changes.note_shot(session, json.dumps({
            "shot": f"again {number}", "pose": pose, "target": "edge_left", "east": "1.0",
            "north": "2.0", "up": f"{number}.5"}).encode())

    threads = [threading.Thread(target=note, args=(i,)) for i in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(read_run(grown, unfinished=True).shots) == before + 12


@pytest.mark.parametrize("body, says", [
    ({"pose": "no such"}, "a pose of readings.csv"),
    ({"target": "bucket"}, "a target of the rig"),
    ({"east": "1.2.3"}, "a number"),
    ({"up": ""}, "a number"),
    ({"east": "1e400"}, "a"),
    ({"shot": "1.0E+03"}, "an id"),
])
def test_what_could_not_be_read_back_is_not_written(grown, body, says):
    session = Session(grown)
    before = (grown / "shots.csv").read_bytes()
    good = {"pose": session.state().poses[0]["pose"], "target": "edge_left", "east": "1",
            "north": "2", "up": "3"}
    with pytest.raises(InputError, match=says):
        do(changes.note_shot, session, **{**good, **body})
    assert (grown / "shots.csv").read_bytes() == before


def test_the_same_shot_twice_is_refused(grown):
    session = Session(grown)
    first = session.notebook.row("shots.csv", read_run(grown).shots.ids[0])
    with pytest.raises(InputError, match="shot"):
        do(changes.note_shot, session, **{**first, "shot": "again"})


def test_decimal_commas_are_read(grown):
    session = Session(grown)
    do(changes.note_shot, session, shot="x", pose=session.state().poses[0]["pose"],
       target="edge_left", east="1,25", north="2.5", up="-0,125")
    row = session.notebook.row("shots.csv", "x")
    assert (row["east"], row["north"], row["up"]) == ("1.25", "2.5", "-0.125")


def test_a_file_at_fault_is_told_and_what_can_be_is_still_noted(grown):
    session = Session(grown)
    shots = (grown / "shots.csv").read_text()
    (grown / "shots.csv").write_text(shots + "broken,row\n")
    state = session.look()
    assert state.progress is None and "broken" not in state.trouble[0]
    assert "shots.csv line" in state.trouble[0]
    do(changes.skip, session, names=["07"])
    assert session.state().notes.skipped == ("07",)


def test_progress_of_a_run_is_that_of_its_solution(made):
    progress = progress_of(made[0])
    again = progress_of(made[0], (), progress.clean)
    assert progress.edge95 == pytest.approx(again.edge95, rel=1e-6)
    np.testing.assert_allclose([f.length for f in progress.fits], [f.length for f in again.fits],
                               atol=1e-6)


def test_a_shot_moved_by_its_miss_is_where_the_others_put_it(made):
    run = made[0]
    fit = progress_of(run).fits[5]
    position = run.shots.position.copy()
    position[5] -= fit.miss
    moved = progress_of(replace(run, shots=replace(run.shots, position=position))).fits[5]
    assert fit.length > 0.001 and moved.length < 0.02 * fit.length


def test_without_a_plan_the_best_next_pose_is_looked_for(made_files, folder, monkeypatch):
    monkeypatch.setattr("calib.yard.session.task_so_far", partial(task_so_far, count=800))
    rig_toml = (folder / "rig.toml").read_text()
    (folder / "rig.toml").write_text(rig_toml + '\n[goal]\nedge = "2 mm"\n')
    (folder / "tape.csv").write_text(made_files["tape.csv"])
    session = Session(folder)
    grow(session, made_files, slice(0, 9))
    for _ in range(200):
        time.sleep(0.1)
        session.look()
        if view_of(session.state())["to_come"]:
            break
    view = view_of(session.state())
    assert view["next"]["pose"] not in [row["pose"] for row in session.state().poses]
    assert view["to_do"].startswith(f"Drive to pose {view['next']['pose']}")
    assert view["edge"]["later"] < view["edge"]["now"]
