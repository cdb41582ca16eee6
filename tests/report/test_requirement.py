"""The three sentences on top, the job, the fingerprint, the noise of readings at the edge."""

import json

import numpy as np
import pytest

from calib.calibration import solve
from calib.edge import edge_positions, envelope_edge
from calib.entries.listed import entry_list
from calib.judge.goal import enough
from calib.report.entered import with_entries
from calib.report.evidence import taped_record
from calib.report.pages.sheet import sheet_files
from calib.report.pages.summary import summary
from calib.report.record import fingerprint
from calib.report.words.requirement import three_sentences
from calib.run.complaints import Findings, InputError
from calib.run.records import Tape
from calib.run.rig_file import read_rig
from calib.simulate import simulate
from calib.solved_machine import covariance_of, rig_and_parameters
from tests.report.conftest import record
from tests.report.reading import Page, paper


def changed(document, **goal):
    """A result that passed every gate, with another goal."""
    other = json.loads(json.dumps(document))
    other["goal"] |= goal
    for gate in other["verdict"]["gates"]:
        gate["passed"] = True
    other["verdict"]["passed"] = True
    return record(other)


def said(document):
    return [(a.answer, str(a)) for a in three_sentences(document)]


def test_a_result_that_failed_is_not_to_be_entered_nor_trusted(document):
    """Its gates are named; what its sds promise is no promise."""
    enter, trust, taped = said(record(document))
    assert enter[0] == "NO" and "Failed: global test, suspects" in enter[1]
    assert trust[0] == "NO" and trust[1].startswith("Do not yet trust the edge to the")
    assert taped[0] == "open" and taped[1].startswith("The taped set-up cannot be judged by this")


def test_a_result_that_passed_says_how_much_of_the_requirement(document):
    """Both figures are at 95 %, the one with the noise of the readings is the larger."""
    goal = document["goal"]
    enter, trust, taped = said(changed(document, met=True, edge=0.02, source="rig.toml"))
    assert enter == ("yes", "Enter these values: every gate passed.")
    assert trust == ("yes, but", (
        f"Trust the edge to {1000 * goal['within95']:.1f} mm of the 20 mm required (95 %, worst "
        "over the envelope, readings exact). But an error that readings or shots share, just too "
        f"small to be found, could hide up to {1000 * goal['hidden']:.1f} mm, more than is "
        "required: hold the edge against a few known points before you rely on it. In work, with "
        "the noise of the readings on top, for which nothing is required: "
        f"{1000 * goal['in_use95']:.1f} mm."))
    assert goal["in_use95"] > goal["within95"] and goal["hidden"] > 0.02
    assert taped[1].startswith("The taped set-up is")
    answer, trust = said(changed(document, met=True, edge=0.03))[1]
    assert answer == "yes" and "could hide up" in trust and "more than is required" not in trust
    assert "hide" not in said(changed(document, met=True, hidden=0.001))[1][1]


def test_in_work_the_list_is_on_top_as_well(document):
    """What the list costs is in both figures, so that the second is never the smaller."""
    told = changed(document, met=True, edge=0.05, source="rig.toml")
    rig, _ = rig_and_parameters(told)
    told = with_entries(told, entry_list({"entry": [
        {"name": p.name, "unit": "deg", "is": p.name, "round": 0.2} if p.unit == "deg" else
        {"name": p.name, "unit": "mm", "is": p.name} for p in rig.parameters
        if p.name in rig.moving_edge]}, rig))
    off, goal = told.entries.off, told.goal
    says = said(told)[1][1]
    assert off > 0.002 and f"and {1000 * off:.1f} mm for the list; an error that readings" in says
    assert f"could hide up to {1000 * goal.hidden:.1f} mm" in says
    assert f"required: {1000 * (goal.in_use95 + off):.1f} mm." in says


def test_a_list_of_steps_too_coarse_names_the_coarsest(document):
    """No entry lacks: which one costs most is said, and what to do about it."""
    told = changed(document, met=True, edge=0.05, source="rig.toml")
    rig, _ = rig_and_parameters(told)
    told = with_entries(told, entry_list({"entry": [
        {"name": p.name, "unit": "deg", "is": p.name, "round": 2 if p.name == "boom_zero" else 0.01}
        if p.unit == "deg" else {"name": p.name, "unit": "mm", "is": p.name}
        for p in rig.parameters if p.name in rig.moving_edge]}, rig))
    says = said(told)[0][1]
    assert "half a step of boom_zero is worth" in says and "finer steps" in says


def test_a_requirement_that_is_not_kept(document):
    """No: what it is known to, and what is asked for, with where that is from."""
    _, trust, _ = said(changed(document, met=False, edge=0.004))
    assert trust[0] == "NO" and "only, not to the 4 mm required (common practice" in trust[1]
    _, trust, _ = said(changed(document, met=False, sd=None, within95=None))
    assert trust[1].startswith("Trust the edge to nothing")


@pytest.mark.parametrize(("low", "high", "answer"), [
    (0.001, 0.02, True), (0.021, 0.04, False), (0.01, 0.03, None)])
def test_the_taped_set_up_is_good_enough_or_not_or_open(low, high, answer):
    """Only what 95 % leave no doubt of is called enough, or not enough."""
    assert enough(0.02, low, high) is answer


def test_without_tape_the_taped_set_up_stays_open(document):
    """Nothing is said of what was not taped."""
    told = changed(document)
    told.taped = None
    answer, says = said(told)[2]
    assert answer == "open" and says.startswith("Nothing was taped")


def test_a_set_up_of_which_little_was_taped_is_not_judged(document):
    """One taped length agrees, the rest is taken as solved: never good enough, and it is said."""
    told = changed(document, met=True, edge=1.0)
    rig, parameters = rig_and_parameters(told)
    width = rig.parameter_names.index("edge_width")
    tape = Tape(("edge_width",), parameters[[width]] + 0.001, np.array([0.003]), ("m",), (2,))
    told.taped = taped_record(envelope_edge(rig, parameters), covariance_of(told, rig), tape, 1.0)
    assert told.taped.good_enough is None and told.taped.edge.worst_high95 < 0.01
    answer, says = said(told)[2]
    assert answer == "open" and says.startswith(
        "The taped set-up cannot be judged: 14 of the 15 values that move the edge have no old "
        "value (boom length, stick length, tilt axis drop and 11 more). With the taped values "
        "entered (1 of 15, the others as solved), the edge is off by 1 mm")
    assert "there are (14 missing, taken as solved)" in Page(
        sheet_files(told)["sheet.html"].decode()).words


def test_the_sentences_stand_on_top_everywhere(document, read):
    """Page, sheet and terminal say the same three sentences, before anything else."""
    told = record(document)
    sentences = [str(a) for a in three_sentences(told)]
    text = " ".join(summary(told).split())
    files = sheet_files(told)
    sheet, (paper_sheet,) = Page(files["sheet.html"].decode()), paper(files["sheet.pdf"])
    assert read.words.index("Decision") < read.words.index("Do not enter these")
    for sentence in sentences:
        start = sentence[:22]
        assert sentence in text
        assert start in read.words and start in sheet.words and start in paper_sheet
    digits = f"{told.fingerprint[:4]} {told.fingerprint[4:8]}"
    assert digits in read.words and digits in sheet.words and digits in paper_sheet


def test_the_noise_of_the_readings_at_the_edge(rig):
    """The second figure is the scatter of the edge under noisy readings, by simulation."""
    run, _ = simulate(rig, np.random.default_rng(3), poses=14)
    solution = solve(run)
    nodes = envelope_edge(rig, solution.parameters)
    sd = np.array([r.sd for r in rig.readings])
    nothing = np.zeros_like(solution.covariance)
    told = nodes.sd_in_use(nothing, sd)[7]
    noise = np.random.default_rng(4).normal(size=(4000, len(sd))) * sd
    seen = edge_positions(rig, nodes.parameters, nodes.readings[7] + noise, nodes.targets)[0]
    scatter = np.sqrt(seen.position.var(0).sum(-1))
    assert told == pytest.approx(scatter, rel=0.04)
    both = nodes.sd_in_use(solution.covariance, sd)
    assert both**2 == pytest.approx(nodes.sd(solution.covariance) ** 2
                                    + nodes.sd_in_use(nothing, sd) ** 2)


RIG = 'template = "tilt_rotator"\n[shots]\nsd = {{ east = 0.002, north = 0.002, up = 0.002 }}\n{}'


def test_the_job_is_read_and_enters_no_number():
    """Text and dates; the rig's definition, from which numbers come, does not hold it."""
    findings = Findings()
    rig = read_rig(RIG.format('[job]\nmachine = "Digger"\ndate = 2031-05-04\n'), "rig.toml",
                   findings)
    assert rig.job == {"machine": "Digger", "date": "2031-05-04"}
    assert "job" not in rig.definition


@pytest.mark.parametrize(("line", "expected"), [
    ("serial = 4711", "text in quotes"), ('digger = "x"', "a key this file knows"),
    (f'notes = "{"x" * 400}"', "at most 300 characters")])
def test_a_job_that_is_none_is_complained_of(line, expected):
    """With its line."""
    findings = Findings()
    assert read_rig(RIG.format(f"[job]\n{line}\n"), "rig.toml", findings) is None
    with pytest.raises(InputError) as told:
        findings.stop_if_at_fault()
    assert "line 5" in str(told.value) and expected in str(told.value)


def test_the_fingerprint_is_of_the_files_and_of_what_was_set_aside():
    """Another file, another choice: other digits. A run in memory has none."""
    files = {"shots.csv": "ab", "rig.toml": "cd"}
    own = fingerprint(files)
    assert len(own) == 12 and own == fingerprint(dict(reversed(files.items())))
    assert len({own, fingerprint(files, ["S-7"]), fingerprint({**files, "rig.toml": "ce"})}) == 3
    assert fingerprint({}) == ""
