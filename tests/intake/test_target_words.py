"""What points beside the corners are called: proposed or asked, never dropped silently."""

import re

import pytest

from calib.intake.declaration import declare, read_profile
from calib.intake.files.ids import Booked, IdPattern
from calib.intake.proposal.propose import answered, propose
from calib.intake.proposal.words import target_meant
from tests.intake.layouts import sheet_of, shots_of

RIG = ("boom_foot_left", "boom_foot_right", "stick_pin", "bucket_pin", "edge_left", "edge_mid",
       "edge_right")


@pytest.mark.parametrize(("said", "target"), [
    ("stick", "stick_pin"), ("bucket", "bucket_pin"), ("foot L", "boom_foot_left"),
    ("Foot right", "boom_foot_right"), ("boom foot left", "boom_foot_left"),
    ("stick pin", "stick_pin"), ("Stielbolzen", "stick_pin"), ("L\u00f6ffel", "bucket_pin"),
    ("godet", "bucket_pin"), ("right corner", "edge_right"), ("edge middle", "edge_mid"),
    ("boom", ""), ("pin", ""), ("left", ""), ("nail in kerb", ""), ("foot", ""), ("", "")])
def test_words_of_the_machine(said, target):
    """Words that one target alone has mean it; what two have, or nobody knows, means none."""
    assert target_meant(said, RIG) == target


def points(run, name):
    """A point file and a sheet; `name` makes what a shot is called."""
    lines = ["point,east (m),north (m),up (m)"]
    for pose, side, (e, n, u), _ in shots_of(run):
        lines.append(f"{name(pose, side)},{e:.4f},{n:.4f},{u:.4f}")
        lines.append(f"{name(pose, {'left': 'foot L', 'right': 'stick'}[side])},{e:.4f},"
                     f"{n + 5:.4f},{u:.4f}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def files(tmp_path, run):
    """Writes a point file and a sheet, gives their paths."""
    def write(text):
        (tmp_path / "a.csv").write_text(text)
        (tmp_path / "s.csv").write_text(sheet_of(run))
        return [tmp_path / "a.csv", tmp_path / "s.csv"]
    return write


def test_pins_are_proposed(run, files):
    """Words beside the corner's are its part of the name: every point is taken."""
    corner = {"left": "left corner", "right": "right corner"}
    proposal = propose(files(points(run, lambda p, t: f"pose {p} {corner.get(t, t)}")), run.rig)
    assert not proposal.doubtful
    assert proposal.declared.targets["stick"] == "stick_pin"
    assert proposal.declared.targets["foot L"] == "boom_foot_left"
    assert proposal.declared.ids == "pose {pose} {target}"


@pytest.mark.parametrize("name", ["Stellung {p} Schneide {s}", "{p}-Schneide-{s}"])
def test_words_between_pose_and_corner_are_part_of_it(run, files, name):
    """Pins that are named without the word for the edge are taken too, not left out."""
    side = {"left": "li", "right": "re"}
    pins = {"foot L": "Stielbolzen", "stick": "L\u00f6ffelbolzen"}

    def called(pose, target):
        if target in side:
            return name.format(p=pose, s=side[target])
        return re.sub("Schneide[ -]", "", name).format(p=pose, s=pins[target])

    proposal = propose(files(points(run, called)), run.rig)
    assert not proposal.doubtful
    assert proposal.declared.targets["Stielbolzen"] == "stick_pin"


def test_codes_are_asked(run, files):
    """What nobody knows is asked word by word, with every target of the rig to choose from."""
    code = {"left": "L", "right": "R", "stick": "ST", "foot L": "FL"}
    paths = files(points(run, lambda p, t: f"{p}{code[t]}"))
    asked = [c for c in propose(paths, run.rig).doubtful if c.about.startswith("what \"")]
    assert [c.about for c in asked] == ['what "FL" is', 'what "ST" is']
    says = [a.option for a in asked[1].alternatives]
    assert says[0] == "--target ST=stick_pin" and "edge_" in says[-2]
    assert len(says) == len(run.rig.target_names) + 1
    declared = answered(declare({"targets": {"ST": "stick_pin"}}), asked[0],
                        next(a for a in asked[0].alternatives if "foot_left" in a.says))
    settled = propose(paths, run.rig, declared)
    assert not settled.doubtful
    assert settled.declared.targets == {"L": "edge_left", "R": "edge_right", "ST": "stick_pin",
                                        "FL": "boom_foot_left"}


def test_given_words_settle_what_an_id_is():
    """The longest word is meant, and capitals are no matter."""
    ids = IdPattern("{pose}{target}", {"L": "edge_left", "FL": "boom_foot_left"})
    assert ids.readings_of("12FL") == [Booked("12", "boom_foot_left")]
    assert ids.readings_of("12l") == [Booked("12", "edge_left")]
    words = IdPattern("pose {pose} {target}", {"left corner": "edge_left"})
    assert words.readings_of("Pose 3 Left Corner") == [Booked("3", "edge_left")]


def test_a_refusal_names_what_to_type(run, tmp_path, calib, monkeypatch):
    """The next line has the proposed answers; what was settled is kept."""
    monkeypatch.chdir(tmp_path)
    text = points(run, lambda p, t: f"{p}-{t}") + "BM1,1,2,3\n"
    (tmp_path / "a.csv").write_text(text)
    (tmp_path / "s.csv").write_text(sheet_of(run))
    status, _, err = calib("a.csv", "s.csv", "--yes")
    assert status == 3 and '"BM1"' in err
    assert err.splitlines()[-1] == "Next: calib import a.csv s.csv --yes --others leave-out"
    # Invented positions: the pins of the house are anywhere.
    status, _, err = calib("a.csv", "s.csv", "--yes", "--others", "leave-out", "--stand", "1")
    assert status == 0, err
    kept = read_profile((tmp_path / "run" / "import.toml").read_bytes(), "import.toml")
    assert kept.others == "leave-out" and kept.targets["stick"] == "stick_pin"


def test_what_a_reading_is_not(run, tmp_path, calib, monkeypatch):
    """A name that the rig has not is refused, not passed over."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text(points(run, lambda p, t: f"{p}-{t}"))
    (tmp_path / "s.csv").write_text(sheet_of(run))
    status, _, err = calib("a.csv", "s.csv", "--yes", "--reading", "nonsense=boom")
    assert status == 3 and '"nonsense"' in err and "house_pitch" in err
    assert not (tmp_path / "run").exists()


def test_a_column_that_may_be_the_pole_is_asked(run, files):
    """Its heading is none that is known, but speaks of a pole: nothing is taken for granted."""
    lines = points(run, lambda p, t: f"{p}-{t}").splitlines()
    text = "\n".join([lines[0] + ",top of pole", *(line + ",1.8" for line in lines[1:])]) + "\n"
    paths = files(text)
    (choice,) = propose(paths, run.rig).doubtful
    assert '"top of pole"' in choice.why and len(choice.alternatives) == 2
    settled = propose(paths, run.rig, answered(declare({}), choice, choice.alternatives[1]))
    assert not settled.doubtful and settled.declared.pole == "column"


def test_a_wrong_answer_leaves_the_other_words_asked(run, files):
    """Two words for one target make the naming doubtful; the words left are asked before it."""
    code = {"left": "L", "right": "R", "stick": "ST", "foot L": "FL"}
    paths = files(points(run, lambda p, t: f"{p}{code[t]}"))
    doubtful = propose(paths, run.rig, declare({"targets": {"ST": "edge_left"}})).doubtful
    assert [c.about for c in doubtful] == ['what "FL" is', "how points name pose and target"]


def test_a_word_can_be_declared_no_target(run, tmp_path, calib, monkeypatch):
    """It is left out by name, also next time; a name never seen is refused then."""
    monkeypatch.chdir(tmp_path)
    code = {"left": "L", "right": "R", "stick": "ST", "foot L": "XX"}
    text = points(run, lambda p, t: f"{p}-{code[t]}")
    (tmp_path / "a.csv").write_text(text)
    (tmp_path / "s.csv").write_text(sheet_of(run))
    status, out, err = calib("a.csv", "s.csv", "--yes", "--target", "ST=stick_pin", "--target",
                             "XX=-")
    assert status == 0, err
    assert "declared to be no target" in err and "36 shots" in out
    assert "36 shots of 3 targets in 12 poses" in err
    (tmp_path / "a.csv").write_text(text.replace("-ST", "-SZ"))
    status, _, err = calib("a.csv", "s.csv", "--yes", "--replace")
    assert status == 3 and "-SZ" in err


@pytest.mark.parametrize(("slip", "instead", "meant"), [
    ("rihgt corner", "right corner", "edge_right"), ("lfet corner", "left corner", "edge_left"),
    ("left coner", "right corner", None), ("ight corner", "", None)])
def test_a_mistyped_word_is_what_its_pose_lacks(run, files, slip, instead, meant):
    """Nothing is proposed where the pose has the likeliest already."""
    corner = {"left": "left corner", "right": "right corner"}
    text = points(run, lambda p, t: f"pose {p} {corner.get(t, t)}")
    if instead:
        text = text.replace(f"pose 05 {instead}", f"pose 05 {slip}")
    else:
        text += f"pose 05 {slip},1.0,2.0,3.0\n"
    asked = [c for c in propose(files(text), run.rig).doubtful if slip in c.about]
    assert len(asked) == 1 and asked[0].unseen == (meant is not None)
    if meant:
        assert asked[0].alternatives[0].says == meant and not asked[0].option
    else:
        assert "TARGET" in asked[0].option and "already" in asked[0].why


@pytest.mark.parametrize("apart", [0.001, 0.07])
def test_a_target_shot_again_is_asked_of_as_such(run, files, calib, tmp_path, apart):
    """A mean is proposed of shots that agree; of others nothing, and no mean is offered."""
    text = points(run, lambda p, t: f"pose {p} {t}")
    line = next(row for row in text.splitlines() if row.startswith("pose 05 left,"))
    name, e, *rest = line.split(",")
    again = ",".join([name, f"{float(e) + apart:.4f}", *rest])
    shots, sheet = map(str, files(text + again + "\n"))
    into = ("--into", str(tmp_path / "RUN"))
    status, _, err = calib(shots, sheet, "--yes", *into)
    assert status == 3 and "settles how points name" not in err
    assert err.rstrip().endswith("--repeats pool" if apart < 0.01 else "--repeats WHICH")
    status, _, err = calib(shots, sheet, "--yes", "--repeats", "pool", *into)
    assert ("mean of 2 shots" in err) == (apart < 0.01)
    assert err.rstrip().endswith("--repeats WHICH") == (apart > 0.01)


@pytest.mark.parametrize(("declared", "scale", "doubtful"), [
    ("m", 1.0, False), ("m", 1000.0, True), ("mm", 1.0, True), ("m", 0.25, False)])
def test_a_declared_unit_in_which_no_edge_is_so_wide(run, files, declared, scale, doubtful):
    """Millimetres declared as metres are doubted; a narrow edge that no other unit suits is not."""
    lines = ["point,east,north,up"]
    lines += [f"{pose}-{side}," + ",".join(f"{v * scale:.4f}" for v in at)
              for pose, side, at, _ in shots_of(run)]
    found = propose(files("\n".join(lines) + "\n"), run.rig, declare({"unit": declared})).doubtful
    asked = [c for c in found if c.about == "the unit of lengths"]
    assert bool(asked) == doubtful
    assert not asked or asked[0].alternatives[0].declares["unit"] != declared


def test_words_in_a_column_of_targets(run, files):
    """They are understood as in a description; one that nobody knows is asked of."""
    words = {"left": "Schneide links", "right": "Klecks"}
    lines = ["point,pose,target,east (m),north (m),up (m)"]
    lines += [f"{i},{pose},{words[side]},{e:.4f},{n:.4f},{u:.4f}"
              for i, (pose, side, (e, n, u), _) in enumerate(shots_of(run))]
    found = propose(files("\n".join(lines) + "\n"), run.rig)
    assert found.declared.targets["Schneide links"] == "edge_left"
    assert [c.option for c in found.doubtful] == ["--target Klecks=TARGET"]


@pytest.mark.parametrize(("told", "found", "follows"), [
    (["left=edge_left", "right=edge_right", "stick=stick_pin"], "expected an id like",
     "--target foot=TARGET"),
    ([], '"foot", expected a target of the rig', "--target foot=TARGET")])
def test_words_left_unknown_are_named_in_the_next_command(run, files, calib, tmp_path,
                                                          monkeypatch, told, found, follows):
    """All is declared but what a word means: the same command again would end the same."""
    monkeypatch.chdir(tmp_path)
    files(points(run, lambda p, t: f"{p}-{t.partition(' ')[0]}"))
    status, _, err = calib(
        "a.csv", "--unit", "m", "--frame", "ground", "--pole", "applied", "--ids",
        "{pose}-{target}", *(word for one in told for word in ("--target", one)))
    assert status == 3 and found in err
    assert follows in err.splitlines()[-1]
