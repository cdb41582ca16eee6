"""The dialogue of an import: answers are kept, taken back, and protested; only yes writes."""

import shlex
from pathlib import Path

import numpy as np
import pytest

from calib.cli import asking
from calib.intake.declaration import read_profile
from tests.intake.layouts import layouts, shots_of


@pytest.fixture
def answering(calib, monkeypatch):
    """Runs `calib import` with a person at the terminal; gives status, stderr and what was left."""

    def run(answers, *arguments):
        left = list(answers)

        def typed(_):
            if not left:
                raise EOFError
            return left.pop(0)

        monkeypatch.setattr(asking, "somebody_answers", lambda: True)
        monkeypatch.setattr("builtins.input", typed)
        status, _, err = calib(*arguments)
        return status, err, left

    return run


@pytest.fixture
def lettered(tmp_path, run, monkeypatch):
    """a.csv, whose corners are called A and B, and a bench mark."""
    monkeypatch.chdir(tmp_path)
    lines = [f"{'A' if side == 'left' else 'B'}{int(pose):02d},{e:.4f},{n:.4f},{u:.4f}"
             for pose, side, (e, n, u), _ in shots_of(run)]
    text = "\n".join(["point,east (m),north (m),up (m)", *lines, "12 nail,1.0001,2.0002,3.0003"])
    (tmp_path / "a.csv").write_text(text + "\n")
    return tmp_path


def numbered(err, answer):
    """The number of an answer in the last menu that has it."""
    return next(line.split()[0] for line in reversed(err.splitlines()) if line.endswith(answer))


def test_an_interrupted_dialogue_keeps_its_answers(answering, lettered):
    """The next command holds what was answered: it asks only what is left."""
    _, err, _ = answering([], "a.csv")
    left, right = numbered(err, "edge_left"), numbered(err, "edge_right")
    status, err, _ = answering([left, right], "a.csv")
    following = err.splitlines()[-1]
    assert status == 3 and following == \
        "Next: calib import a.csv --target A=edge_left --target B=edge_right"
    status, err, rest = answering(["1", "yes"], *following.split()[3:])
    assert status == 0 and not rest, err
    kept = read_profile((lettered / "run" / "import.toml").read_bytes(), "import.toml")
    assert kept.targets == {"A": "edge_left", "B": "edge_right"} and kept.others == "leave-out"
    status, err, _ = answering([], "a.csv", "--replace", "--yes")
    assert status == 0, err


def test_a_word_that_may_be_a_target_has_no_default(answering, lettered):
    """Enter is no answer there; menus keep one order; one target for two words is protested."""
    status, err, left = answering(["", "", "4", "4", "back", "back", "5"], "a.csv")
    assert not left and status == 3
    assert err.count("Type a number from 1 to") == 3  # back of the first is none
    menus = [part.split("\n(")[0] for part in err.split("? ")[1:]]
    assert len({menu.partition("\n")[2] for menu in menus if "points are called" in menu}) == 1
    assert 'is what "A" was said to be' in err
    assert err.splitlines()[-1].endswith(f"--target A={_fifth(err)}")


def _fifth(err):
    return next(line.split()[1] for line in err.splitlines() if line.startswith("  5  "))


@pytest.mark.parametrize(("said", "written"), [
    (["on the ground", "1", "no"], False), (["maybe", "yes"], True), ([""], True)])
def test_only_yes_writes(answering, tmp_path, run, monkeypatch, said, written):
    """What is neither yes nor no is asked again."""
    monkeypatch.chdir(tmp_path)
    layout = layouts(run)[0]
    for name, text in layout.files.items():
        (tmp_path / name).write_text(text)
    status, err, left = answering(said, *layout.files, "--unit", "m")
    assert not left and (status == 0) == written, err
    assert (tmp_path / "run").exists() == written


def test_names_with_spaces_before_the_pose(run, tmp_path, calib, monkeypatch):
    """Left corner, foot pin left: words of different number, all taken for targets."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(1)
    lines = ["point,description,east (m),north (m),up (m)"]
    for i, (pose, side, (e, n, u), _) in enumerate(shots_of(run)):
        lines.append(f'{i},"{side.title()} corner, pose {int(pose)}",{e:.4f},{n:.4f},{u:.4f}')
        e, n, u = rng.normal(0, 0.003, 3)
        lines.append(f'{i + 900},"Foot pin {side}, pose {int(pose)}",{e:.4f},'
                     f"{n + (side == 'left'):.4f},{u:.4f}")
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    status, _, err = calib("a.csv", "--yes")
    assert status == 0 and '"Left corner, pose 1"' in err, err
    text = (tmp_path / "run" / "shots.csv").read_text()
    assert text.count("boom_foot_left") == text.count("edge_right") == 12


def test_most_of_a_run_is_never_left_out(run, tmp_path, calib, monkeypatch):
    """Where many points do not fit, leaving them out is not what is proposed."""
    monkeypatch.chdir(tmp_path)
    lines = ["point,east (m),north (m),up (m)"]
    for i, (pose, side, (e, n, u), _) in enumerate(shots_of(run)):
        lines += [f"{pose}-{side},{e:.4f},{n:.4f},{u:.4f}", f"zq {i},{e:.4f},{n:.4f},{u - 1:.4f}"]
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    status, _, err = calib("a.csv", "--yes")
    assert status == 3 and "leave-out" not in err and "NAME=TARGET" in err


def test_an_instrument_is_the_same_by_answer_and_by_option():
    """What is proposed where nobody is asked declares what the first answer does."""
    from calib.cli.import_options import read_instrument
    from calib.intake.declaration import declare
    from calib.intake.proposal.instrument import observed_choices
    from calib.intake.proposal.looks import Look

    look = Look(Path("raw.csv"), "pointings", (), (), (), "", b"")
    (choice,) = observed_choices({"pointings": [look], "setups": []},
                                 declare({"angles": "gon"}))
    usual = choice.alternatives[0]
    said = [word for word in shlex.split(usual.option) if word != "--instrument"]
    assert read_instrument(said, "--instrument") == dict(usual.declares["instrument"])


def test_a_spreadsheet_is_to_be_saved_as_csv(calib, tmp_path, monkeypatch):
    """The next command names the file that is to be there then."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "day.xlsx").write_bytes(b"PK\x03\x04\x14\0 and so on")
    status, _, err = calib("day.xlsx", "--unit", "m")
    assert status == 3 and "saved as CSV" in err and "--known" not in err
    assert err.splitlines()[-1] == "Next: calib import day.csv --unit m"


def test_a_pipe_is_told_that_nobody_is_asked(calib, lettered):
    """And what is to be filled in stands right before the command."""
    (lettered / "a.csv").write_text((lettered / "a.csv").read_text().replace("A", "Q"))
    status, _, err = calib("a.csv")
    assert status == 3 and "Nobody can be asked here" in err
    *_, fill_in, following = err.splitlines()
    assert "TARGET" in following and fill_in.startswith("To be filled in below: TARGET")


@pytest.mark.parametrize("ids_in", [None, "point"])
def test_a_description_makes_no_file_worse_understood(run, tmp_path, calib, monkeypatch, ids_in):
    """Letters of the crew in the id, words in the description; the id alone if that is said."""
    monkeypatch.chdir(tmp_path)
    letters = {"left": "EL", "right": "ER"}
    lines = [f"{int(pose)}{letters[side]},{e:.4f},{n:.4f},{u:.4f},edge {side[0].upper()}"
             for pose, side, (e, n, u), _ in shots_of(run)]
    (tmp_path / "a.csv").write_text("\n".join(
        ["point,east (m),north (m),up (m),remark", *lines]) + "\n")
    status, _, err = calib("a.csv", "--yes", *(["--ids-in", ids_in] if ids_in else []))
    assert status == 0, err
    assert ("(the point id)" if ids_in else "edge") in err
    shots = (tmp_path / "run" / "shots.csv").read_text()
    assert shots.count("edge_left") == shots.count("edge_right") == len(lines) // 2


def test_words_of_a_declared_pattern_are_proposed(run, tmp_path, calib, monkeypatch):
    """The next command has what the first lacked, and can succeed."""
    monkeypatch.chdir(tmp_path)
    lines = [f"P{int(pose):02d}.{'EL' if side == 'left' else 'ER'},{e:.4f},{n:.4f},{u:.4f}"
             for pose, side, (e, n, u), _ in shots_of(run)]
    (tmp_path / "a.csv").write_text("\n".join(
        ["point,east (m),north (m),up (m)", *lines, "nail,1.0001,2.0002,3.0003"]) + "\n")
    status, _, err = calib("a.csv", "--yes", "--ids", "{pose}.{target}")
    following = shlex.split(err.splitlines()[-1])
    assert status == 3 and following[:3] == ["Next:", "calib", "import"]
    status, _, err = calib(*following[3:])
    assert status == 0, err
