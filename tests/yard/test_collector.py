"""A collector's file that grows: points become shots, in the order in which they are shot."""

import csv
import io
import json

import pytest

from calib.run.complaints import InputError
from calib.yard import changes
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


@pytest.mark.parametrize(("end", "encoding"), [("\r", "utf-8"), ("\n", "utf-16")])
def test_other_line_ends_and_letters_are_waited_for_too(at_pose, end, encoding):
    """With CR the page saw no line and said nothing; UTF-16 cut at a byte was called no text."""
    session, collected, _, shots = at_pose
    settled(session.notebook.folder)
    text = (HEAD + line(1, shots[0]) + line(2, shots[1])[:-4]).replace("\n", end)
    collected.write_bytes(text.encode(encoding))
    assert not session.look().collector_trouble
    assert len(rows(session.notebook.folder)) == 1


def test_what_is_doubtful_is_told_and_nothing_is_guessed(at_pose):
    session, collected, _, _ = at_pose
    collected.write_text("1;2;3\n4;5;6\n")
    state = session.look()
    assert state.collector_trouble and not rows(session.notebook.folder)


def test_a_shot_again_is_known_by_where_it_lies(at_pose):
    session, collected, pose, shots = at_pose
    settled(session.notebook.folder)
    by_target = {shot["target"]: shot for shot in shots}
    first, second = pose["shoot"][:2]
    off = {**by_target[second], "up": str(float(by_target[second]["up"]) + 0.09)}
    collected.write_text(HEAD + line(1, by_target[first]) + line(2, off))
    session.look()
    do(changes.note_shot, session, pose=pose["pose"], target=second,
       **{axis: by_target[second][axis] for axis in ("east", "north", "up")})
    view = view_of(session.state())
    twins = [s for s in view["shots"] if s["target"] == second]
    assert {s["state"] for s in twins} == {"does not fit"}
    assert all("of the same target: one of them is wrong" in s["says"] for s in twins)
    assert f"{second.replace('_', ' ')} again, then" in view["to_do"]
    # Again: this one lies where it was shot; two of three agree.
    near = {**by_target[second], "up": str(float(by_target[second]["up"]) + 0.002)}
    with collected.open("a") as out:
        out.write(line(3, near))
    view = view_of(session.look())
    states = {s["shot"]: s["state"] for s in view["shots"] if s["target"] == second}
    assert len(states) == 3
    assert [shot for shot, state in states.items() if state == "does not fit"] == ["2"]
    assert "fits: take this one out" in next(s["says"] for s in view["shots"] if s["shot"] == "2")


def test_a_crew_that_goes_on_after_a_bad_shot_shifts_nothing(at_pose):
    session, collected, pose, shots = at_pose
    settled(session.notebook.folder)
    by_target = {shot["target"]: shot for shot in shots}
    first, second, third = pose["shoot"][:3]
    off = {**by_target[second], "up": str(float(by_target[second]["up"]) + 0.09)}
    collected.write_text(HEAD + line(1, by_target[first]) + line(2, off))
    session.look()
    do(changes.note_shot, session, pose=pose["pose"], target=second,
       **{axis: by_target[second][axis] for axis in ("east", "north", "up")})
    assert view_of(session.state())["left"][:2] == [second, third]
    with collected.open("a") as out:
        out.write(line(3, by_target[third]))
    session.look()
    assert rows(session.notebook.folder)[-1]["target"] == third


def test_a_point_of_the_pose_before_is_none_of_the_next(at_pose, planned):
    session, collected, pose, shots = at_pose
    settled(session.notebook.folder)
    by_target = {shot["target"]: shot for shot in shots}
    collected.write_text(HEAD + "".join(
        line(k, by_target[t]) for k, t in enumerate(pose["shoot"])) + "99,1.0,2.0,3.0\n")
    session.look()
    after, values, _ = planned[1][1]
    do(changes.note_readings, session, pose=after["pose"], stand=after["stand"],
       readings={n: v for n, v in values.items() if n not in ("pose", "stand")})
    view = view_of(session.state())
    assert view["left"] and [w["name"] for w in view["waiting"]] == ["99"]
    do(changes.settle, session, name="99")
    view = view_of(session.state())
    assert view["waiting"] == [] and view["taken_out"][0]["shot"] == "99"
    # Another start of the page remembers it, and gives it back.
    again = Session(session.notebook.folder, collected)
    assert view_of(again.look())["waiting"] == []
    do(changes.bring_back, again, names=["99"])
    assert [w["name"] for w in view_of(again.state())["waiting"]] == ["99"]


def test_what_was_taken_out_does_not_come_in_again(at_pose):
    session, collected, _, shots = at_pose
    settled(session.notebook.folder)
    collected.write_text(HEAD + line(1, shots[0]))
    session.look()
    was = session.notebook.row("shots.csv", "1")
    do(changes.change_shot, session, shot="1", was=was)
    assert rows(session.notebook.folder) == []
    collected.touch()
    session.look()
    assert rows(session.notebook.folder) == []
    do(changes.bring_back, session, names=["1"])
    assert session.notebook.row("shots.csv", "1") == was


def test_a_file_dropped_on_the_page_is_taken_in(at_pose):
    session, _, _, shots = at_pose
    settled(session.notebook.folder)
    text = HEAD + "".join(line(k, shot) for k, shot in enumerate(shots[:2]))
    said = changes.take_points(session, f"../job 7.csv\n{text}".encode())
    assert said["says"] == "job_7.csv: 2 new shots."
    said = changes.take_points(session, f"../job 7.csv\n{text}{line(9, shots[2])}".encode())
    assert said["says"] == "job_7.csv: 1 new shot."
    with pytest.raises(InputError, match="no points taken in"):
        changes.take_points(session, b"x.csv\n1;2;3\n4;5\n")
    assert view_of(session.look())["trouble"] == []


def test_a_stick_that_is_pulled_while_its_file_is_read(at_pose, monkeypatch):
    """No fault of the program: what there is to say, until the file is there again."""
    session, collected, _, shots = at_pose
    settled(session.notebook.folder)
    collected.write_text(HEAD + line(1, shots[0]))
    with monkeypatch.context() as pulled:
        def gone(self):
            raise OSError(5, "Input/output error")

        pulled.setattr("calib.yard.collector.Collector._read", gone)
        assert session.look().collector_trouble == ("job.csv: Input/output error",)
    assert session.look().collector_trouble == () and len(rows(session.notebook.folder)) == 1
