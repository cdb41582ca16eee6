"""The answer before the drawings, and nothing loaded for what is not asked."""

import json
import subprocess
import sys

import pytest

from calib.cli.app import COMMANDS
from calib.operations import result_files
from calib.run.result_folder import result_place
from calib.run.write import manifest_of, stage

#: What takes longer to load than --help may take.
HEAVY = {"numpy", "scipy.optimize", "scipy.stats", "pandas", "matplotlib", "uncertainties",
         "typst", "jinja2"}


def loaded(*statements):
    """The heavy libraries that are loaded after the statements, in a process of its own."""
    code = "\n".join([*statements, "import sys", "print('\\n'.join(sys.modules))"])
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return HEAVY & set(ran.stdout.split("\n"))


def command(words):
    """The statements that run one command and stay alive."""
    return ["import io, sys", "from contextlib import redirect_stdout, suppress",
            "from calib.cli import main", f"sys.argv = ['calib', *{words!r}]",
            "with suppress(SystemExit), redirect_stdout(io.StringIO()):", "    main()"]


def test_import_loads_nothing_heavy():
    """Names are looked up when they are asked for."""
    assert loaded("import calib") == set()


def test_words_are_answered_before_libraries_are_loaded():
    """Help, version and wrong usage wait for nothing but the command line's own libraries."""
    lines = [["--version"], ["--help"], ["--nonsense"], ["slove"], *(
        [name, "--nonsense"] for name in COMMANDS)]
    assert loaded(*(statement for words in lines for statement in command(words))) == set()


def test_solving_loads_no_drawing_and_no_library_of_distributions(run):
    """What solve --no-report, next and diagnose have in common."""
    left = loaded(*command(["solve", str(run), "--no-report"]))
    assert not left & {"scipy.stats", "matplotlib", "typst", "jinja2", "pandas"}
    assert "numpy" in left


@pytest.fixture
def run(simulated, tmp_path):
    """A small run."""
    simulated(tmp_path / "run", "--poses", 12, "--seed", 4)
    return tmp_path / "run"


class Killed(BaseException):
    """The process ends here."""


def killed_while_drawing(document):
    raise Killed


def test_numbers_are_there_before_anything_is_drawn(calib_command, run, monkeypatch, capsys):
    """Printed and written; killed while drawing, the folder is whole and says what is missing."""
    monkeypatch.setattr(result_files, "drawn_files", killed_while_drawing)
    with pytest.raises(Killed):
        calib_command("solve", run)
    out = capsys.readouterr().out
    result = run / "result"
    reasons = json.loads((result / "result.json").read_text("utf-8"))["verdict"]["reasons"]
    assert reasons[0] in " ".join(out.split()) and "boom_length" in out
    assert "not" in (result / "report.html").read_text("utf-8")
    assert "calib report" in (result / "report.html").read_text("utf-8")
    assert set(manifest_of(result)) == {f.name for f in result.iterdir()} - {"files.json"}
    assert result_place(result, run).held == manifest_of(result)


def test_a_missing_report_is_drawn_by_calib_report(calib_command, run, monkeypatch):
    """--no-report leaves a page that says so; calib report puts the report there."""
    calib_command("solve", run, "--no-report")
    result = run / "result"
    assert {f.name for f in result.iterdir()} == {
        "result.json", "parameters.csv", "shots.csv", "readings.csv", "report.html", "files.json"}
    monkeypatch.setattr("calib.cli.report.report_files",
                        lambda document, named: {"report.html": b"drawn"})
    calib_command("report", result)
    assert (result / "report.html").read_text("utf-8") == "drawn"


def test_drawings_are_not_put_into_anothers_result(calib_command, run, monkeypatch):
    """Solved again by somebody else while this one draws: the other's result stays as it is."""

    def meanwhile(document):
        monkeypatch.setattr(result_files, "drawn_files", lambda *_: iter([{"plot.png": b"b"}]))
        (run / "tape.csv").unlink()
        calib_command("solve", run)
        return iter([{"plot.png": b"a", "report.html": "a"}])

    monkeypatch.setattr(result_files, "drawn_files", meanwhile)
    _, _, err = calib_command("solve", run)
    assert "another calib wrote a result there meanwhile; nothing was added to it" in err
    assert (run / "result" / "plot.png").read_bytes() == b"b"


@pytest.mark.slow
def test_former_drawings_are_not_called_gone(calib_command, run, monkeypatch):
    """They are drawn anew; with --no-report they are gone, and that is said."""
    drawn = dict.fromkeys(result_files.DRAWN, b"x")
    monkeypatch.setattr(result_files, "drawn_files", lambda *_: iter([drawn]))
    calib_command("solve", run)
    assert "gone" not in calib_command("solve", run)[2]
    assert "report.pdf" in calib_command("solve", run, "--no-report")[2]
    assert not (run / "result" / "report.pdf").exists()


def test_trouble_with_the_disk_after_the_numbers(calib_command, run, monkeypatch):
    """The numbers stay; what is missing, and the command that draws it, are told."""
    monkeypatch.setattr(result_files, "drawn_files", lambda *_: iter([{"report.html": "x"}]))

    def full(folder, files):
        if files["report.html"] == "x":
            raise OSError(28, "No space left on device")
        stage(folder, files)

    monkeypatch.setattr("calib.run.write.stage", full)
    status, out, err = calib_command("solve", run)
    assert status == 3 and "boom_length" in out
    assert "no space left" in err and "The numbers are written, the report is not." in err
    assert (run / "result" / "result.json").exists()
