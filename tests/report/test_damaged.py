"""A result.json that somebody changed: a complaint, or a page; never a traceback."""

import json
import random
import time

import pytest

from calib.console.talk import json_text
from calib.report.figures.plots import plot_files
from calib.report.pages.report import report_files
from calib.report.pages.sheet import sheet_files
from calib.results import load_result
from calib.run.complaints import InputError
from tests.report.conftest import record
from tests.report.damaged import places, tried
from tests.run.oracle import REFUSE, SPELLINGS, json_with, spelt


@pytest.fixture(scope="module")
def other(document_aside, tmp_path_factory):
    """A sound result to compare with."""
    file = tmp_path_factory.mktemp("other") / "result.json"
    file.write_text(json.dumps(document_aside), "utf-8")
    return load_result(file)


def campaign(document, other, tmp_path, count, seed, drawn):
    rng, where = random.Random(seed), places(document)
    counts = {"refused": 0, "used": 0}
    for k in range(count):
        outcome, _ = tried(document, where, other, tmp_path / "result.json", rng,
                           drawn=drawn and k % drawn == 0)
        counts[outcome] += 1
    return counts


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_changed_results(document, other, tmp_path):
    """38 % of such files gave a traceback in sheet and compare."""
    counts = campaign(document, other, tmp_path, 25, 5, drawn=0)
    assert counts["refused"] > 10 and counts["used"] > 1


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_changed_results_often(document, other, tmp_path):
    """More of them, some drawn."""
    counts = campaign(document, other, tmp_path, 300, int(time.time()), drawn=40)
    assert counts["refused"] > 150 and counts["used"] > 15


@pytest.mark.parametrize(("spelling", "value"), SPELLINGS)
def test_numbers_of_a_result(document, tmp_path, spelling, value):
    """Numbers as JSON knows them; everything else is asked back."""
    value = spelt(spelling, value, toml=False)
    file = tmp_path / "result.json"
    file.write_text(json_with(document, ("parameters", 0, "value"), spelling), "utf-8")
    try:
        found = load_result(file).values_si[0]
    except InputError:
        found = REFUSE
    assert found == value


@pytest.mark.parametrize(("text", "says"), [
    ("[" * 100_000, "nested too deeply"), ('{"schema": 1, "schema": 1}', "a key twice"),
    ('{"schema": 1, "rig": {"title": "a", "t\\u0069tle": "b"}}', "a key twice"),
    ("\x00", "no JSON"), ("{" * 3 + '"a":' * 2, "no JSON"),
])
def test_no_json(tmp_path, text, says):
    """Nested without end, keys twice, no JSON at all."""
    (tmp_path / "result.json").write_text(text, "utf-8")
    with pytest.raises(InputError, match=says):
        load_result(tmp_path)


@pytest.mark.parametrize(("change", "key"), [
    (lambda d: d["covariance"]["matrix"][0].__setitem__(1, 9.0), "covariance"),
    (lambda d: d["parameters"].reverse(), "parameters"),
    (lambda d: d["shots"][0].__setitem__("target", "elsewhere"), "shots.target"),
    (lambda d: d["shots"][0].__setitem__("pose", "elsewhere"), "poses that are listed"),
    (lambda d: d["parameters"][0].__setitem__("value", 1e7), "parameters.boom_length.value"),
    (lambda d: d["rig"].__setitem__("title", "\x1b[31mred"), "rig.title"),
    (lambda d: d["rig"]["definition"].__setitem__("motions", []), "rig.definition.motions"),
    (lambda d: d["edge"]["sd"][0].pop(), "edge"),
])
def test_tables_that_do_not_belong_together(document, tmp_path, change, key):
    """Each is named by its key."""
    changed = json.loads(json.dumps(document))
    change(changed)
    (tmp_path / "result.json").write_text(json.dumps(changed), "utf-8")
    with pytest.raises(InputError, match=key):
        load_result(tmp_path)


def test_json_for_a_terminal_says_the_same(document):
    """Escapes, and the same document when it is read back."""
    changed = document | {"note": "\x9b31m \u202e größe \U0001f600 \U000e0001"}
    text = json_text(changed)
    assert json.loads(text) == changed
    assert "\x9b" not in text and "\u202e" not in text and "größe" in text
    assert all(line.isprintable() for line in text.splitlines())


@pytest.mark.slow
def test_names_in_drawings_are_only_names(document):
    """Dollars, markup and long names stay text in every picture, and nothing runs."""
    text = json.dumps(document)
    for k, shot in enumerate(document["shots"]):
        name = ("$\\frac{", "<script>x</script>", "$x^2$", "&amp;", "=1+1")[k % 5] + str(k)
        text = text.replace(json.dumps(shot["shot"]), json.dumps(name))
    changed = json.loads(text)
    changed["rig"]["title"] = "$\\badcommand{ <script>alert(1)</script>"
    changed = record(changed)
    files = {**report_files(changed), **sheet_files(changed), **plot_files(changed)}
    for name, content in files.items():
        if name.endswith(".html"):
            assert b"<script>x</script>" not in content and b"<script>alert" not in content
    assert b"$\\badcommand{" in files["report.html"]
