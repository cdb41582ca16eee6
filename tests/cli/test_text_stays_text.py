"""Markup, formulas and commands in names: every page shows them, and nothing runs."""

import csv
import io
import re
import shutil
from html.parser import HTMLParser

import pytest
from typer.testing import CliRunner

from calib.cli.app import application
from tests.cli.commands import mistake, prepare, writing

SCRIPT, PICTURE, FORMULA = "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "=cmd|1!A"

JOB = f"""
[job]
machine = '''{SCRIPT}'''
attachment = '''{PICTURE}'''
notes = '''{FORMULA} {{{{ 1 + 1 }}}} $x^2$ #import "a" </svg>{SCRIPT}'''
"""
LIST = f"""
title = '''{PICTURE}'''

[[entry]]
name = '''{SCRIPT}'''
unit = "mm"
is = "boom_length"

[[entry]]
name = "{FORMULA}"
unit = "mm"
is = "stick_length"
"""


class Seen(HTMLParser):
    """What the scripts of a page hold, and attributes that would run."""

    def __init__(self, text):
        super().__init__()
        self.running, self.scripts, self._inside = [], [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.running += [name for name, value in attrs
                         if name.startswith("on") or (name, value) == ("src", "x")
                         or (value or "").strip().startswith("javascript")]
        # Data for a script are not run; `points` is read as JSON and shown as text.
        self._inside = tag == "script" and ("type", "application/json") not in attrs

    def handle_data(self, data):
        if self._inside:
            self.scripts.append(data)

    def handle_endtag(self, tag):
        self._inside = False


def hostile(run):
    """Ids, stands, job and entries of a run become what a page, a sheet or a shell might run."""
    def renamed(name, columns):
        lines = (run / name).read_text("utf-8").splitlines(keepends=True)
        remarks = [line for line in lines if line.startswith("#")]
        table = list(csv.reader(line for line in lines if not line.startswith("#")))
        for row in table[1:]:
            for k, column in enumerate(table[0]):
                if column in columns:
                    row[k] = columns[column].format(row[k])
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(table)
        (run / name).write_text("".join(remarks) + out.getvalue(), "utf-8")

    pose = "{}" + SCRIPT
    renamed("readings.csv", {"pose": pose, "stand": PICTURE + "{}"})
    for name in ("shots.csv", "check.csv"):
        if (run / name).exists():
            renamed(name, {"pose": pose, "shot": FORMULA + "{}../../up"})
    with open(run / "rig.toml", "a", encoding="utf-8") as stream:
        stream.write(JOB)
    (run / "entries.toml").write_text(LIST, "utf-8")


@pytest.fixture(scope="module")
def field(solved, tmp_path_factory):
    """What the commands work on, with such names, solved again."""
    folder = tmp_path_factory.mktemp("hostile")
    prepare(folder, solved)
    for run in (folder / "one", folder / "two", folder / "many" / "one"):
        shutil.rmtree(run / "result")
        hostile(run)
    # Of a fleet the names of folders are shown.
    (folder / "many" / "one").rename(folder / "many" / PICTURE)
    mistake(folder)
    for run in (folder / "one", folder / "two"):
        ended = CliRunner().invoke(application(), ["solve", str(run), "--no-report"])
        assert ended.exit_code in (0, 6), ended.output
    return folder


def looked_at(folder):
    """Every page and table below a folder; how many pages showed such a name."""
    shown = 0
    for path in sorted(folder.rglob("*.html")):
        text = path.read_text("utf-8")
        seen = Seen(text)
        assert not seen.running and not any("alert(" in s for s in seen.scripts), path
        assert SCRIPT not in text and PICTURE not in text, path
        shown += "&lt;script" in text or "&lt;img" in text
    for path in [p for p in folder.rglob("*.csv") if "result" in p.parts]:
        for line in csv.reader(path.open(encoding="utf-8", newline="")):
            assert not any(re.match(r"[=+@]|-(?![\d.])", cell) for cell in line), (path, line)
    return shown


@pytest.mark.parametrize("name", [
    "sheet", "compare", "drift", "history", "confirm", "plan",
    *(pytest.param(name, marks=pytest.mark.slow)
      for name in ("report", "diagnose", "together", "fleet")),
])
def test_names_are_only_text(field, tmp_path, calib_command, name, monkeypatch):
    folder = shutil.copytree(field, tmp_path / "field")
    monkeypatch.chdir(folder)
    outside = {p.name for p in tmp_path.iterdir()}
    words, _ = writing(folder)[name]
    status, out, err = calib_command(name, *(w for w in words if w != "--no-report"))
    assert status in (0, 5, 6), err
    assert "\x1b" not in out + err
    shown = looked_at(folder)
    # A plan, and what is drawn of numbers alone, names nothing of these.
    assert shown or name in ("plan", "diagnose"), "nothing of these names was shown"
    assert {p.name for p in tmp_path.iterdir()} == outside
