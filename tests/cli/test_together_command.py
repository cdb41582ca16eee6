"""Several runs, a known machine and a bootstrap from the command line."""

import contextlib
import json
import shutil
import signal
from collections import namedtuple

import numpy as np
import pytest

from calib.cli import together
from calib.cli.simulate import STANDARD_RIG
from calib.console.interrupt import Interrupted
from calib.document.record import Decision
from calib.results import load_result
from calib.run import result_folder
from calib.run.export import run_files
from calib.simulate import drawn_parameters, simulate
from tests.together.family import family

Done = namedtuple("Done", "returncode stdout stderr")


@pytest.fixture
def calib(calib_command, monkeypatch):
    """Runs a command in a folder."""

    def run(*words, cwd):
        monkeypatch.chdir(cwd)
        return Done(*calib_command(*words))

    return run


def written(run, folder):
    folder.mkdir(parents=True)
    for name, text in run_files(run, STANDARD_RIG, "Invented data").items():
        (folder / name).write_text(text, "utf-8")


@pytest.fixture(scope="module")
def machine(rig, tmp_path_factory):
    """Three runs of two attachments, a sensor remounted before the third; the file of all."""
    root = tmp_path_factory.mktemp("machine")
    runs, visits, _ = family(rig, 15, ("digging", "grading", "digging"), poses=14,
                             changed={2: {"coupler_zero": np.radians(0.5)}})
    text = ""
    for run, visit in zip(runs, visits, strict=True):
        written(run, root / visit.name)
        text += (f'[[runs]]\nfolder = "{visit.name}"\nattachment = "{visit.attachment}"\n'
                 f'day = "{visit.day}"\n\n')
    (root / "all.toml").write_text(text, "utf-8")
    return root


@pytest.mark.slow
def test_what_is_not_shared_is_named_and_can_be_split(calib, machine):
    """Status 6 and what to write; written, every gate passes and the results are usual ones."""
    first = calib("together", "all.toml", "--no-report", cwd=machine)
    assert first.returncode == 6, first.stderr
    assert 'remounted = ["coupler"] at run2' in first.stderr
    assert first.stderr.splitlines()[-1] == "Next: calib together all.toml"
    moved = calib("drift", "all.toml", "--out", "moved", "--json", cwd=machine)
    assert moved.returncode == 6
    difference = json.loads(moved.stdout)["sharing"]["differences"][0]
    assert difference["name"] == "coupler_zero" and difference["of"] == "run2"
    assert difference["change"] == pytest.approx(0.5, abs=4 * difference["sd"])
    page = (machine / "moved" / "drift.html").read_text("utf-8")
    assert "coupler_zero" in page and "<svg" in page

    split = machine / "split.toml"
    split.write_text((machine / "all.toml").read_text("utf-8").replace(
        'folder = "run2"', 'folder = "run2"\nremounted = ["coupler"]'), "utf-8")
    again = calib("together", "split.toml", "--no-report", "--json", cwd=machine)
    assert again.returncode == 0, again.stderr
    document = json.loads(again.stdout)
    assert document["sharing"]["justified"]
    names = document["covariance"]["names"]
    assert "coupler_zero of mounting of coupler since run2" in names
    matrix = np.array(document["covariance"]["matrix"])
    one, other = (names.index(f"edge_drop of attachment {a}") for a in ("digging", "grading"))
    assert abs(matrix[one, other]) > 0.05 * np.sqrt(matrix[one, one] * matrix[other, other])
    own = json.loads((machine / "split-together" / "run2" / "result.json").read_text("utf-8"))
    for row in own["parameters"]:
        if row["sd"] is not None:
            full = next(q for q in document["quantities"] if q["parameter"] == row["name"]
                        and "run2" in q["runs"])
            assert row["value"] == pytest.approx(full["value"], abs=1e-3 * row["sd"])
            assert row["sd"] == pytest.approx(full["sd"], rel=1e-3)
            assert all(row["sd"] < a["sd"] for a in full["alone"])
    assert {g["name"]: g["passed"] for g in own["verdict"]["gates"]}["sharing"]
    assert calib("sheet", "split-together/run2", cwd=machine).returncode == 0
    assert calib("compare", "split-together/run0", "split-together/run2", cwd=machine
                 ).returncode == 0


def test_no_result_of_what_is_not_shared_is_to_be_entered(calib, rig, tmp_path):
    """Each run passes all else, so that only this gate stands between its sheet and a machine."""
    runs, visits, _ = family(rig, 2, ("digging", "digging"), poses=14,
                             changed={1: {"coupler_zero": np.radians(0.2)}})
    for run, visit in zip(runs, visits, strict=True):
        written(run, tmp_path / visit.name)
    (tmp_path / "moved.toml").write_text("\n".join(
        f'[[runs]]\nfolder = "{v.name}"\nattachment = "digging"' for v in visits), "utf-8")
    done = calib("together", "moved.toml", "--json", "--no-report", cwd=tmp_path)
    document = json.loads(done.stdout)
    assert done.returncode == 6 and not document["sharing"]["justified"]
    assert [run["failed"] for run in document["runs"]] == [["sharing"]] * 2
    assert "A gate fails" not in document["says"]
    names = [f"moved-together/{visit.name}" for visit in visits]
    for name in names:
        result = load_result(tmp_path / name).document
        assert result.decision is Decision.DO_NOT and result.verdict.failed == ["sharing"]
        assert "do not share all that was asked" in result.verdict.reasons[0]
        sheet = calib("sheet", name, cwd=tmp_path)
        assert sheet.returncode == 6
        assert "Do not enter these values as they are. Failed: sharing." in " ".join(
            (sheet.stdout + sheet.stderr).split())
        assert "NOT TO BE ENTERED" in (tmp_path / name / "sheet.html").read_text("utf-8")
    both = calib("compare", *names, cwd=tmp_path)
    assert both.returncode == 6 and both.stdout.count("Failed: sharing.") == 2


def test_the_job_of_each_run(calib, machine):
    """[job] of a run names attachment and day where the file of runs does not, and the other way
    round; the page and each run's own sheet show it; two machines are not passed over."""
    for name, serial in (("run0", "7"), ("run1", "8")):
        shutil.copytree(machine / name, machine / f"{name}-job")
        rig = machine / f"{name}-job" / "rig.toml"
        rig.write_text(rig.read_text("utf-8") + '\n[job]\nmachine = "The <old> one"\n'
                       f'serial = "{serial}"\ndate = "day of {name}"\nby = "A. Invented"\n'
                       + ('attachment = "toothed"\n' if name == "run0" else ""), "utf-8")
    (machine / "jobs.toml").write_text(
        '[[runs]]\nfolder = "run0-job"\n\n[[runs]]\nfolder = "run1-job"\n'
        'attachment = "flat"\n', "utf-8")
    done = calib("together", "jobs.toml", "--json", "--no-report", cwd=machine)
    assert done.returncode in (0, 6), done.stderr
    first, second = json.loads(done.stdout)["runs"]
    assert (first["attachment"], first["day"]) == ("toothed", "day of run0")
    assert (second["attachment"], second["job"]["attachment"]) == ("flat", "flat")
    assert second["job"]["by"] == "A. Invented"
    moved = calib("drift", "jobs.toml", "--out", "jobs", cwd=machine)
    assert "different machines: run0-job The <old> one (serial number 7)" in " ".join(
        moved.stdout.split())
    assert "The &lt;old&gt; one" in (machine / "jobs" / "drift.html").read_text("utf-8")
    calib("sheet", "jobs-together/run1-job", cwd=machine)
    sheet = (machine / "jobs-together" / "run1-job" / "sheet.html").read_text("utf-8")
    assert "flat" in sheet and "day of run1" in sheet and "A. Invented" in sheet


def test_the_set_is_of_one_adjustment(tmp_path, monkeypatch, capsys):
    """Stopped before the first result, everything is as it was. Stopped between two, what is said
    of all is called former, and what is new is told. Made again, nothing of that is left."""
    monkeypatch.setattr(together, "number_files", lambda own: {"result.json": own})
    honest, out = result_folder.replace_result, tmp_path / "set"

    def made(age, *names, stops=9):
        count = iter(range(9))

        def replace_result(place, files, to_come=()):
            if next(count) == stops:
                raise Interrupted(signal.SIGINT)
            return honest(place, files, to_come)

        monkeypatch.setattr(together, "replace_result", replace_result)
        with contextlib.suppress(Interrupted):
            together.replace_set(out, [(result_folder.result_place(out / name), age, False)
                                       for name in names], {"together.json": age})
        return {str(p.relative_to(out)): p.read_text() for p in out.rglob("*.json")
                if p.name != "files.json"}

    one, two, all_ = "one/result.json", "two/result.json", "together.json"
    first = made("old", "one", "two")
    assert first == {one: "old", two: "old", all_: "old"}
    assert made("new", "one", "two", stops=0) == first
    assert made("new", "one", "two", stops=1) == {one: "new", two: "old", f"former-{all_}": "old"}
    assert "only this is of the new adjustment: one\n" in capsys.readouterr().err
    assert made("newer", "one", stops=0) == {one: "new", two: "old", f"former-{all_}": "old"}
    assert made("newest", "one") == {one: "newest", two: "old", all_: "newest"}
    assert "not of this adjustment: two\n" in capsys.readouterr().err
    assert [p for p in tmp_path.rglob("*set") if p != out] == []


def test_a_file_that_is_none_is_complained_of(calib, machine):
    """Line and key of everything that is wrong, in the file and in the runs."""
    bad = machine / "bad.toml"
    bad.write_text('[[runs]]\nfolder = "run0"\nmounted = 1\n\n[[runs]]\nfolder = ""\n', "utf-8")
    told = calib("together", "bad.toml", cwd=machine)
    assert told.returncode == 3
    assert "bad.toml line 3, key runs.0.mounted" in told.stderr
    assert "bad.toml line 6, key runs.1.folder" in told.stderr
    bad.write_text((machine / "all.toml").read_text("utf-8") + '[scopes]\nboom_zero = "weekly"\n',
                   "utf-8")
    told = calib("together", "bad.toml", cwd=machine)
    assert told.returncode == 3 and "scopes.boom_zero" in told.stderr and "weekly" in told.stderr
    assert not (machine / "bad-together").exists()


def test_a_new_bucket_and_its_bootstrap(calib, rig, tmp_path):
    """Not to be used alone; with the machine it is, also for next, with its intervals."""
    rng = np.random.default_rng(5)
    base = drawn_parameters(rig, rng)
    written(simulate(rig, rng, poses=30, stands=2, parameters=base)[0], tmp_path / "old")
    written(simulate(rig, rng, poses=5, parameters=base, taped=False)[0], tmp_path / "new")
    assert calib("solve", "old", "--no-report", "--bootstrap", 200, cwd=tmp_path).returncode == 0
    result = json.loads((tmp_path / "old" / "result" / "result.json").read_text("utf-8"))
    linear = {p["name"]: p for p in result["parameters"]}
    for row in result["bootstrap"]["rows"]:
        assert row["low95"] < linear[row["name"]]["value"] < row["high95"]
    assert result["bootstrap"]["replicates"] == 200

    alone = calib("solve", "new", "--no-report", cwd=tmp_path)
    assert alone.returncode in (3, 5, 6)  # nothing to go by, whatever comes out
    known = calib("solve", "new", "--machine", "old/result", "--no-report", cwd=tmp_path)
    assert known.returncode in (0, 6), known.stderr
    assert "with their full covariance" in known.stderr
    found = json.loads((tmp_path / "new" / "result" / "result.json").read_text("utf-8"))
    assert found["machine"]["source"] == "old/result" and len(found["machine"]["names"]) == 10
    assert found["fit"]["machine_values"] == 10
    assert found["taped"] is None
    # Taped as it was for the other result, it counts once, and is the old set-up all the same.
    shutil.copy(tmp_path / "old" / "tape.csv", tmp_path / "new" / "tape.csv")
    calib("solve", "new", "--machine", "old/result", "--no-report", cwd=tmp_path)
    once = json.loads((tmp_path / "new" / "result" / "result.json").read_text("utf-8"))
    assert {r["quantity"] for r in once["taped"]["rows"]} == {
        r["quantity"] for r in result["taped"]["rows"]}
    more = once["fit"]["dof"] - found["fit"]["dof"]  # only what is about the new bucket
    assert 0 < more < len(once["taped"]["rows"])
    further = calib("next", "new", "--machine", "old/result", "--candidates", 500, "--json",
                    cwd=tmp_path)
    assert further.returncode in (0, 6) and json.loads(further.stdout), further.stderr
    shutil.copy(tmp_path / "old" / "shots.csv", tmp_path / "new" / "shots.csv")
    twice = calib("solve", "old", "--machine", "old/result", "--no-report", cwd=tmp_path)
    assert twice.returncode == 3 and "these very shots" in twice.stderr
