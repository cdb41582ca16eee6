"""A run that grows: what the page is told after each row, and that nothing is lost."""

import csv
import io
import json
import shutil
import threading
import time
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from calib.plan.further import task_so_far
from calib.report.words.yard import shot_says, to_do
from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.run.write import write_whole
from calib.yard import changes
from calib.yard.notebook import Changed, Notebook
from calib.yard.progress import _tested, progress_of
from calib.yard.session import Session
from calib.yard.view import sensors_view, state_of, view_of


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
    do(partial(changes.mark, "set_aside"), session, names=[bad])
    assert next(s for s in view_of(session.state())["shots"]
                if s["shot"] == bad)["state"] == "set aside"
    do(partial(changes.mark, "set_aside"), session, names=[bad], on=False)
    do(partial(changes.mark, "accepted"), session, names=[bad])
    assert next(s for s in view_of(session.state())["shots"] if s["shot"] == bad)["state"] == "kept"


def test_a_wrong_reading_is_named_with_what_was_typed_before_shooting_again(folder, made_files,
                                                                             monkeypatch):
    monkeypatch.setattr(Session, "_ask_advice", lambda *_: None)
    session = Session(folder)
    grow(session, made_files, slice(0, 8))
    row = rows(made_files["readings.csv"])[8]
    slip = f"{float(row['stick']) + 10:.2f}"
    wrong = made_files | {"readings.csv": made_files["readings.csv"].replace(
        ",".join(row.values()), ",".join((row | {"stick": slip}).values()))}
    grow(session, wrong, slice(8, 9))
    view = view_of(session.state())
    off = [s for s in view["shots"] if s["state"] == "does not fit"]
    assert {s["pose"] for s in off} == {row["pose"]} and len(off) == 2
    assert all(s["miss"] > 300 and "its reading of stick before" in s["says"] for s in off)
    assert [one["pose"] for one in view["doubts"]] == [row["pose"]]
    assert f"Look at stick: {slip} deg is noted" in view["doubts"][0]["says"]
    assert "look at the reading of stick before you shoot again" in view["to_do"]
    # Put right, nothing is left of it.
    do(changes.note_readings, session, pose=row["pose"], stand=row["stand"], readings={
        n: v for n, v in row.items() if n not in ("pose", "stand")},
       was=session.notebook.row("readings.csv", row["pose"]))
    view = view_of(session.state())
    assert view["doubts"] == [] and "does not fit" not in {s["state"] for s in view["shots"]}


def test_two_bad_shots_of_a_pose_are_not_put_down_to_a_reading(made):
    run = made[0]
    position = run.shots.position.copy()
    of = np.flatnonzero(run.shots.pose == 8)[:2]
    position[of] += [[0.5, 0.0, 0.1], [-0.1, 0.45, -0.3]]
    progress = progress_of(replace(run, shots=replace(run.shots, position=position)))
    assert [f.fits for f in progress.fits].count(False) == 2 and progress.doubts == ()


def test_a_shot_is_asked_for_again_only_while_the_machine_stands():
    assert "Shoot it again now" in shot_says("does not fit", 0.08, 0.01)
    left = shot_says("does not fit", 0.08, 0.01, here=False)
    assert "moved on" in left and "again now" not in left


@pytest.mark.slow
def test_how_the_next_pose_is_come_to_is_said(planned, tmp_path):
    folder = tmp_path / "run"
    shutil.copytree(planned[0], folder)
    assert view_of(Session(folder).state())["next"]["come_to"] == ""
    plan = json.loads((folder / "plan" / "plan.json").read_text())
    plan["poses"][0]["noted"] = {"approach": "up", "load": "hanging"}
    (folder / "plan" / "plan.json").write_text(json.dumps(plan))
    following = view_of(Session(folder).state())["next"]
    assert following["noted"] == {"approach": "up", "load": "hanging"}
    assert following["come_to"] == " Planned: approach up, load hanging."


def test_what_is_predicted_loosely_is_hardly_checked(made):
    run = made[0]
    fit = _tested(run, 0, np.array([0.161, 0.0, 0.0]), 7.6, 1e-4, False)
    assert fit.usual > 0.1 and fit.fits is None
    assert "hardly a check" in shot_says(state_of(fit, False), fit.length, fit.usual)


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
    do(partial(changes.mark, "skipped"), session, names=["07"])
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


def test_enough_is_not_said_over_what_is_undecided():
    enough = to_do(None, (), (), None, True)
    assert enough.startswith("Enough") and "not fit" not in enough
    assert "2 values do not fit: decide about them" in to_do(None, (), (), None, True, undecided=2)


def test_met_is_not_said_while_a_shot_is_undecided(folder, made_files):
    """What is left out is named until somebody decides, and the page's end leads to what helps."""
    lines = made_files["shots.csv"].splitlines()
    row = lines[-1].split(",")
    row[3] = f"{float(row[3]) + 0.9:.4f}"
    spoilt = {**made_files, "shots.csv": "\n".join([*lines[:-1], ",".join(row)]) + "\n"}
    write_whole(folder, spoilt)
    session = Session(folder)
    view = view_of(session.state())
    says = view["edge"]["says"]
    assert f"Left out, for it does not fit: {row[0]}. Decide about it" in says
    assert "met" not in says and not view["edge"]["met"] and session.state().onward == "diagnose"
    do(partial(changes.mark, "accepted"), session, names=[row[0]])
    view = view_of(session.state())
    assert ": met." in view["edge"]["says"] and session.state().onward == "solve"


def test_a_shot_booked_under_the_wrong_target_need_not_be_shot_again(made):
    run = made[0]
    here = np.flatnonzero(run.shots.pose == 15)
    left, right = (next(i for i in here if run.rig.target_names[run.shots.target[i]] == name)
                   for name in ("edge_left", "edge_right"))
    target = run.shots.target.copy()
    target[right] = target[left]
    shots = replace(run.shots, target=target).select(np.arange(len(target)) != left)
    progress = progress_of(replace(run, shots=shots))
    lies, = progress.lies.values()
    assert (lies.shot, lies.lies_target) == (run.shots.ids[right], "edge_right")
    says = shot_says("does not fit", 0.9, 0.01, lies=lies)
    assert "it lies on edge_right" in says and "Shoot it again" not in says
    assert "before you shoot again" in to_do(lies.pose, ("edge_right",), (), None, False,
                                             lies=[lies])


@pytest.mark.parametrize("damaged", [
    b'{"set_aside": ["3"', b"", b"\0" * 90, b'{"skipped": "07"}', b'{"taken_out": [{"pose": "1"}]}',
    b'{"later": 1}', b"[" * 9999, b'{"skipped": ["1"], "skipped": []}', None])
def test_notes_that_cannot_be_read_are_kept_and_told(tmp_path, damaged):
    """What was set aside and taken out is not written over; the person is told, until it is put
    right."""
    file, kept = tmp_path / "yard.json", tmp_path / "damaged-yard.json"
    notebook = Notebook(tmp_path)
    file.mkdir() if damaged is None else file.write_bytes(damaged)
    assert notebook.damaged()[0].startswith("yard.json: found")
    for pose in ("07", "08"):
        notebook.mark("skipped", [pose], on=True)
        assert kept.is_dir() if damaged is None else kept.read_bytes() == damaged
        assert [told.split(":")[0] for told in notebook.damaged()] == ["damaged-yard.json"]
    assert notebook.notes().skipped == ("07", "08")
    kept.rename(tmp_path / "looked-at")
    assert notebook.damaged() == ()


def test_damaged_notes_plan_and_profile_are_told_on_the_page(grown, tmp_path):
    (grown / "import.toml").write_bytes(b"\0\0")
    (grown / "plan").mkdir()
    (grown / "plan" / "plan.json").write_text("{}")
    (grown / "yard.json").write_text("{")
    session = Session(grown, log=tmp_path / "log.csv")
    told = view_of(session.state())["trouble"]
    assert [one.split(":")[0] for one in told] == ["yard.json", "plan/plan.json"]
    assert "import.toml" in sensors_view(session)["says"]
