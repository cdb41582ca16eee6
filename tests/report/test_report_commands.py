"""The commands that start from a result, and a result read back in Python."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli.app import application
from calib.console import talk
from calib.report.pages.contents import contents
from calib.report.pages.entries import writer
from calib.report.pages.sheet import sheet_files, sheet_sections
from calib.report.pages.summary import summary
from calib.report.words.status import mark
from calib.results import load_result
from calib.run.complaints import InputError
from tests.report.conftest import record, with_example
from tests.report.reading import Page, leaves, paper


@pytest.fixture(scope="module")
def folder(document, tmp_path_factory):
    """A folder with a result in it."""
    folder = tmp_path_factory.mktemp("result")
    (folder / "result.json").write_text(json.dumps(document), "utf-8")
    return folder


def called(*words):
    """A command's exit code and output, in this process."""
    result = CliRunner().invoke(application(), [str(w) for w in words])
    return result


def test_report_is_made_from_the_result_alone(folder, tmp_path):
    """calib report writes page and PDF, and adds the postures that are asked for."""
    done = called("report", folder, "--out", tmp_path, "--at", "boom=30,stick=-85,coupler=55")
    assert done.exit_code == 0, done.output
    named = Page((tmp_path / "report.html").read_text("utf-8"))
    assert "boom 30 deg, stick -85 deg, coupler 55 deg" in named.words
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")


def test_a_posture_that_is_none_is_refused(folder):
    """A joint that the rig does not have, or an angle that is no number: wrong usage."""
    for posture in ("bom=30", "boom=steep"):
        assert called("report", folder, "--at", posture).exit_code == 2


def test_compare_prints_one_json_document(folder, tmp_path, document):
    """calib compare RESULT tape.csv --json, with the files written when asked for."""
    rows = "".join(f"{r['quantity']},{r['tape']},{r['tape_sd']},{r['unit']}\n"
                   for r in document["taped"]["rows"])
    (tmp_path / "tape.csv").write_text("quantity,value,sd,unit\n" + rows, "utf-8")
    done = called("compare", folder, tmp_path / "tape.csv", "--json", "--out", tmp_path / "out")
    assert done.exit_code == 6, done.output  # the values of one are not to be entered
    printed = json.loads(done.stdout)
    assert printed["edge"]["summary"] == pytest.approx(document["taped"]["edge"]["summary"])
    assert [r["z"] for r in printed["rows"]] == pytest.approx(
        [-r["z"] for r in document["taped"]["rows"]], abs=1e-6)
    known, _ = leaves(printed)
    for raw, factor, _shown in Page((tmp_path / "out/compare.html").read_text("utf-8")).numbers:
        assert factor is None or float(raw) in known


def test_sheet_in_feet_and_minutes(document):
    """The sheet writes the values in the units asked for, on one page, with the cautions."""
    files = sheet_files(record(document), "ft-in", "dms", 2)
    read = Page(files["sheet.html"].decode())
    boom = next(p for p in document["parameters"] if p["name"] == "boom_length")
    inches = boom["value"] / 0.0254
    shown = next(s for raw, _, s in read.numbers if float(raw) == boom["value"])
    feet, rest = shown.rstrip('"').split("' ")
    assert 12 * int(feet) + float(rest) == pytest.approx(inches, abs=0.005001)
    assert "signaller" in read.words and "checked by" in read.words
    assert "entered by" not in read.words  # a gate failed: nobody enters them
    old = next(p["tape"] for p in document["parameters"] if p["name"] == "boom_length")
    assert old in [float(raw) for raw, _, _ in read.numbers]
    for name in ("pin_to_edge", "edge_below_pin"):
        assert name in read.words
    assert len(paper(files["sheet.pdf"])) == 1


def test_report_and_sheet_list_the_same_values_to_enter(document):
    """To the digit, what moves the edge alone; and the yard's own list where there is one."""
    one = record(document)
    own = with_example(one)

    def tables(result):
        pages = contents(result), sheet_sections(result, writer(), lambda _: None)
        sections = [next(s for s in page if s.name == "enter") for page in pages]
        return [[[*map(str, row)] for row in section.blocks[0].rows] for section in sections]

    report, sheet = tables(one)
    assert report == sheet
    listed = {row[0]: row[2] for row in report}
    assert "boom_foot_width" not in listed
    boom = next(p.value for p in one.parameters if p.name == "boom_length")
    assert listed["boom_length"] == f"{1000 * boom:.0f}"
    report, sheet = tables(own)
    assert report == sheet and [row[0] for row in report] == [row.name for row in own.entries.rows]


def test_history_resumes(folder, tmp_path):
    """A second call adds nothing; a further result adds one line and changes none."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    text = (folder / "result.json").read_text("utf-8")
    (tmp_path / "one/result.json").write_text(text, "utf-8")
    assert called("history", tmp_path).exit_code == 0
    first = (tmp_path / "history.csv").read_text("utf-8")
    assert called("history", tmp_path).exit_code == 0
    assert (tmp_path / "history.csv").read_text("utf-8") == first
    (tmp_path / "two/result.json").write_text(text + "\n", "utf-8")
    done = called("history", tmp_path, "--json")
    assert len(json.loads(done.stdout)["results"]) == 2
    assert (tmp_path / "history.csv").read_text("utf-8").startswith(first)
    assert "<svg" in (tmp_path / "history.html").read_text("utf-8")


def test_drift_of_a_changed_machine_ends_with_six(folder, document, tmp_path):
    """An edge 9 mm shorter than before, and shots of another day: status 6, with its documents."""
    later = json.loads(json.dumps(document))
    later["run"]["files"]["shots.csv"] = "ef" * 32
    same_day = called("drift", folder, _written(tmp_path / "same", later))
    assert isinstance(same_day.exception, InputError)
    assert "come from the same shots" in str(same_day.exception)
    for shot in later["shots"]:
        shot["position"]["east"] += 100.0
    for p in later["parameters"]:
        if p["name"] == "edge_drop":
            p["value"] -= 0.009
    path = _written(tmp_path / "later", later)
    # The run of the fixture has two gross errors: its gates failed, whatever moved.
    done = called("drift", folder, path, "--json", "--out", tmp_path / "out")
    found = json.loads(done.stdout)
    assert done.exit_code == 6 and not found["passed"]
    assert found["failed_gates"]["older"] and found["test"]["pooled_variance_factor"] > 5
    edge = next(r for r in found["rows"] if r["name"] == "edge_drop")
    assert edge["difference"] == pytest.approx(-0.009)
    known, _ = leaves(found)
    for raw, factor, _shown in Page((tmp_path / "out/drift.html").read_text("utf-8")).numbers:
        assert factor is None or float(raw) in known
    same = called("drift", folder, folder)
    assert isinstance(same.exception, InputError)


def test_drift_without_a_change_ends_with_zero_if_the_gates_passed(document, tmp_path):
    """The same values from other shots, no gate failed: nothing has moved."""
    older, newer = (json.loads(json.dumps(document)) for _ in range(2))
    newer["run"]["files"]["shots.csv"] = "ef" * 32
    for shot in newer["shots"]:
        shot["position"]["east"] += 100.0
    for one in (older, newer):
        for gate in one["verdict"]["gates"]:
            gate["passed"] = True
    paths = _written(tmp_path / "a", older), _written(tmp_path / "b", newer)
    done = called("drift", *paths)
    assert done.exit_code == 0 and "Nothing has moved beyond chance." in done.stdout
    for one, day in ((older, "2026-05-01"), (newer, "2025-11-01")):
        for pose in one["poses"]:
            pose["time"] = day
    paths = _written(tmp_path / "late", older), _written(tmp_path / "early", newer)
    assert "the wrong way round" in called("drift", *paths).stdout
    assert talk.following() == talk.command("drift", *reversed(paths))
    paths = paths[::-1]
    older["parameters"][12]["value"] += 0.5
    assert older["parameters"][12]["name"] == "rotation_axis_lean"
    other = called("drift", paths[0], _written(tmp_path / "c", older))
    assert other.exit_code == 6 and other.stdout.startswith("The two results are of different")


def _written(folder, document):
    folder.mkdir()
    (folder / "result.json").write_text(json.dumps(document), "utf-8")
    return folder


@pytest.mark.parametrize(("text", "words"), [
    ("", "no JSON"), ("[1]", "schema None"), ('{"schema": 1}', "parameters"),
    ('{"schema": 99}', "schema 99"),
])
def test_no_result_is_the_inputs_fault(calib_command, tmp_path, text, words):
    """A file that is no result: a complaint, status 3, nothing written."""
    (tmp_path / "result.json").write_text(text, "utf-8")
    status, out, err = calib_command("report", tmp_path)
    assert status == 3
    assert words in err and out == ""
    assert [p.name for p in tmp_path.iterdir()] == ["result.json"]


def test_a_result_is_pandas_and_correlated_numbers(folder, document):
    """Tables come back as DataFrames, quantities as numbers that know their correlation."""
    result = load_result(folder)
    assert len(result.shots) == len(document["shots"])
    assert {"residual_east", "w", "components_along"} <= set(result.shots.columns)
    assert list(result.parameters["name"]) == [p["name"] for p in document["parameters"]]
    assert result.poses["edge_sd"].notna().all()
    drop, below = result.numbers["edge_drop"], result.numbers["tilt_axis_drop"]
    names = document["covariance"]["names"]
    i, j = names.index("edge_drop"), names.index("tilt_axis_drop")
    m = np.array(document["covariance"]["matrix"])
    assert (drop + below).s == pytest.approx(np.sqrt(m[i, i] + m[j, j] + 2 * m[i, j]))
    derived = document["derived"][2]
    assert derived["name"] == "edge_below_pin"
    assert derived["sd"] == pytest.approx((drop + below).s, rel=0.05)
    assert result.numbers["tilt_axis_side"].s == 0


def test_sheet_of_a_failed_result_warns_and_ends_with_six(folder, document, tmp_path):
    """The box is the first thing on the page and the terminal says the same; one that passed has
    neither, but names what was set aside."""
    failed = [g["name"] for g in document["verdict"]["gates"] if not g["passed"]]
    warning = f"Do not enter these values as they are. Failed: {', '.join(failed)}."
    done = called("sheet", folder, "--out", tmp_path)
    assert failed and done.exit_code == 6 and warning in done.output
    html = (tmp_path / "sheet.html").read_text("utf-8")
    assert html.index(warning) < html.index("<header>")
    good = json.loads(json.dumps(document))
    good["verdict"] |= {"passed": True, "says": "Solved; every gate passed."}
    good["set_aside"]["values"] = [{"name": "S-07", "reason": "named by the user"}]
    (tmp_path / "result.json").write_text(json.dumps(good), "utf-8")
    done = called("sheet", tmp_path)
    assert done.exit_code == 0 and "Do not enter" not in done.output
    words = Page((tmp_path / "sheet.html").read_text("utf-8")).words
    assert "Do not enter" not in words and "Set aside, so that it took no part: shot S-07." in words


def test_only_what_is_beyond_chance_is_called_suspect(document):
    """A value flagged within chance is "flagged", in the tables of the report and terminal."""
    told = record(document)
    shot = next(s for s in told.shots if s.suspect)
    changed = json.loads(json.dumps(document))
    assert mark(shot, told) == "suspect"
    for suspect in changed["suspects"]:
        suspect["beyond_chance"] = False
    changed = record(changed)
    assert mark(shot, changed) == "flagged"
    assert "SUSPECT" in summary(told) and "SUSPECT" not in summary(changed)
