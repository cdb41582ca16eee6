"""What is to be done with a result, said alike everywhere: enter, not yet, do not enter."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calib.adjust.distributions import chi2_isf
from calib.calibration import solve
from calib.cli.onward import follow_on
from calib.cli.solve import next_commands
from calib.console import talk
from calib.document.record import Decision
from calib.document.solved import Job
from calib.fleet.row import FAILED, NOT_YET, PASSED, columns_of, flat, solved_row
from calib.judge.gates import OF_THE_REST
from calib.judge.judgement import judge
from calib.judge.shot_checks import Offset, Origin, check_shots, common_offset
from calib.report.fleet_record import fleet_document
from calib.report.pages.checked import checked_document
from calib.report.pages.contents import contents
from calib.report.pages.fleet import fleet_sections
from calib.report.pages.report import foot
from calib.report.pages.sheet import sheet_files
from calib.report.pages.summary import summary
from calib.report.press.terminal import plain
from calib.report.words.cautions import CAUTIONS
from calib.report.words.gate import global_test_says, offset_says
from calib.report.words.requirement import three_sentences
from calib.report.words.status import not_to_enter
from calib.simulate import simulate
from tests.report.conftest import document_of, record
from tests.report.reading import Page
from tests.report.test_requirement import changed


@pytest.fixture(scope="module")
def gained(rig):
    """A run whose stick sensor shows 3 % too much, with check shots."""
    run, _ = simulate(rig, np.random.default_rng(4), poses=16, check_poses=3)
    readings = run.poses.readings.copy()
    readings[:, run.rig.reading_names.index("stick")] *= 1.03
    return replace(run, poses=replace(run.poses, readings=readings))


@pytest.fixture(scope="module")
def of_gain(gained):
    """Its result."""
    return record(document_of(gained))


@pytest.fixture
def untold(document):
    """A result that passed every gate, without a taped length."""
    told = changed(document, met=True)
    told.scale = None
    return told


def test_gates_judge_the_solution_that_is_printed(gained):
    """What the check shots are off by is of the same predictions as their table."""
    solution = solve(gained)
    own = common_offset(solution, check_shots(solution, gained.check))
    assert judge(solution).offset.mean == pytest.approx(own.mean, abs=1e-12)


def test_one_error_that_explains_all_is_named_first(of_gain):
    """In the lead, by its gate; the tape and single readings are not blamed, nor set aside."""
    enter, _, taped = three_sentences(of_gain)
    assert enter.answer == "NO" and "The stick sensor shows 2.8" in str(enter)
    assert "systematic errors" in of_gain.verdict.failed
    assert taped.answer == "open" and "cannot be judged" in str(taped)
    text = " ".join(summary(of_gain).split())
    assert "tape it again" not in text and "--set-aside" not in text
    assert not any("--set-aside" in line for line in next_commands(
        of_gain, Path("run"), Path("run/result")))


@pytest.mark.parametrize(("alike", "sound", "words"), [
    (0.5, True, "all off by one vector: east +5.0, north +0.0, up +0.0 mm (1 sd 1.0, 1.0, 1.0). "
     "Another set-up"), (1e-6, True, "not all by one vector"),
    (0.5, False, "What does not fit in the run itself may do that.")])
def test_what_check_shots_are_off_by_is_called_common_only_if_it_is(alike, sound, words):
    """Misses that differ among themselves, or a run at fault, point to no other set-up."""
    offset = Offset(np.array([0.005, 0, 0]), np.full(3, 0.001), 1e-4, alike)
    assert words in offset_says(False, offset, 6, sound)


def test_one_test_has_one_sentence(rig):
    """Check shots off by more than 95 % of good ones, but not by enough: solve and check agree."""
    run, _ = simulate(rig, np.random.default_rng(5), poses=12, check_poses=2)
    position = run.check.position - np.array([0, 0.006, 0])
    run = replace(run, check=replace(run.check, position=position))
    solution, result = solve(run), record(document_of(run))
    told = checked_document(solution, check_shots(solution, run.check), Origin.PRACTICE, result)
    gate = next(g for g in result.verdict.gates if g.name == "check-shot offset")
    assert gate.level < gate.chance < 0.05 and "not by enough to condemn" in gate.says
    assert told.offset_says == gate.says and told.passed


def test_what_is_asked_without_the_suspects_says_so(document):
    """Held-out poses and the like are not those of the values that are printed."""
    says = {gate["name"]: gate["says"] for gate in document["verdict"]["gates"]}
    used = len(document["shots"]) - sum(s["kind"] == "shot" for s in document["suspects"])
    for name in OF_THE_REST:
        assert says[name].startswith(f"Without the suspects, with {used} of "), name
    assert not says["global test"].startswith("Without")


def test_what_cannot_be_judged_has_no_number(of_gain, document):
    """No edge error of a tape that a result at fault blames; the edge's own gate is in doubt."""
    sections = {s.name: plain([s]) for s in contents(of_gain)}
    assert "The tape cannot be judged" in sections["taped"]
    assert "With the taped values entered" not in sections["taped"]
    assert "in doubt" in sections["verdict"].split("By its sds alone")[0]


def test_without_a_taped_length_it_is_not_yet(untold, tmp_path, capsys):
    """No answer is yes, every page says so, and what settles it."""
    enter, trust, _ = three_sentences(untold)
    assert untold.decision is Decision.NOT_YET
    assert enter.answer == trust.answer == "NOT YET" and "write it into tape.csv" in str(enter)
    assert foot(untold).startswith("NOT TO BE ENTERED YET. ")
    sheet = Page(sheet_files(untold)["sheet.html"].decode()).words
    assert "Do not enter these values yet" in sheet and "not to be entered yet" in sheet
    assert untold.to_tape.name == "boom_length" and "boom length" in sheet.split("Check by hand")[1]
    (tmp_path / "result").mkdir()
    (tmp_path / "rig.toml").touch()
    follow_on(untold, tmp_path / "result")
    assert talk.following() == talk.command("solve", tmp_path)
    assert f"Once boom_length is in {tmp_path / 'tape.csv'}:" in capsys.readouterr().err


def test_only_what_is_to_be_entered_carries_calm_marks(of_gain, untold, document):
    """Sheet and report of the others: edge in doubt, a stamp where they are signed."""
    good = changed(document, met=True)
    for told, stamp in ((good, ""), (untold, "NOT TO BE ENTERED YET"), (of_gain, "NOT TO BE")):
        sections = {s.name: s for s in contents(told)}
        sheet = Page(sheet_files(told)["sheet.html"].decode()).words
        assert ("edge, not to be trusted" in sheet) == bool(stamp) == bool(not_to_enter(told))
        signed = plain([sections["sign-off"]])
        assert stamp in signed and ("To be entered as it is" in signed) == (not stamp)
        assert ("by its sds alone, which" in plain([sections["verdict"]])) == bool(stamp)
    assert "Check by hand" not in sheet and "cannot be judged" in sheet


def test_a_row_of_a_fleet_has_three_states(of_gain, untold, document):
    """What the sds of a failed result promise is not listed as known."""
    rows = [solved_row(d) for d in (changed(document, met=True), untold, of_gain)]
    assert [row["status"] for row in rows] == [PASSED, NOT_YET, FAILED]
    assert rows[0]["edge95_m"] and rows[2]["edge95_m"] is None


def test_pages_of_many_results_say_whose_they_are(document):
    """Machine, serial number, date and fingerprint of each run stand on a fleet's page."""
    whose = record(document).model_copy(update={
        "job": Job(machine="Digger", serial="7", date="1 May"), "fingerprint": "ab12cd34ef56"})
    columns = columns_of([solved_row(whose)])[0]
    row = {**dict.fromkeys(columns), **flat(solved_row(whose), columns), "run": "r", "message": ""}

    def column(name):
        return np.array([row[name]], object if isinstance(row[name], str) else float)

    listed = fleet_sections(fleet_document(column, {}, lambda _: None))[0].blocks[-1]
    assert listed.rows[0][1] == "Digger (serial number 7), 1 May, ab12 cd34 ef56"


def test_commands_after_a_result_that_is_not_yet(simulated, calib_command, tmp_path, monkeypatch):
    """Solve passes its gates; the sheet is not to be entered; none leads to it."""
    monkeypatch.setattr("calib.cli.report.report_files", lambda *_, **__: {})
    run = tmp_path / "run"
    simulated(run, "--poses", 12, "--seed", 5)
    lines = (run / "tape.csv").read_text("utf-8").splitlines(keepends=True)
    (run / "tape.csv").write_text("".join(x for x in lines if not x.endswith(",mm\n")), "utf-8")
    (run / "check.csv").unlink(missing_ok=True)
    status, out, err = calib_command("solve", run, "--no-report")
    assert (status, out[:35]) == (0, "Do not enter these values yet: ever") and CAUTIONS[0] in err
    for words, expected in ((("sheet",), 6), (("check",), 3), (("report",), 0)):
        status, _, err = calib_command(*words, run / "result")
        assert status == expected and err.splitlines()[-1] == f"Next: calib solve {run}", words
    status, out, err = calib_command("compare", run / "result", run / "tape.csv")
    assert out.startswith("- NO: The first: Do not enter these values yet"), out[:200]
    assert "NOT YET: no taped" in " ".join(calib_command("history", tmp_path)[1].split())


def test_a_fit_that_is_only_just_within_chance_says_so(rig):
    """A variance factor beyond 95 % of runs is not called within the sds, passed or not."""
    solution = solve(simulate(rig, np.random.default_rng(8), poses=12)[0])
    assert "within their stated sds" in global_test_says(True, solution, None)
    dof = solution.adjustment.dof
    worse = SimpleNamespace(adjustment=SimpleNamespace(dof=dof, chi2=float(chi2_isf(0.015, dof))))
    assert "a little worse than 95 % of runs" in global_test_says(True, worse, None)
