"""The printed commands, each typed as it stands: they lead on, and never round in a circle."""

import csv
import re
import shlex
import shutil
from pathlib import Path

import pytest
import typer

import calib.cli.confirm
from calib.cli.app import application
from tests.cli.commands import POINTS, SHEET, lines, prepare
from tests.cli.test_last_line import next_of

#: What goes on until it is stopped, and the list of all commands.
ENDS = {"yard", "--watch", "--help"}

#: Fewer poses to choose from than usual, and no drawings.
QUICK = {"solve": ["--no-report"], "next": ["--candidates", "1000"],
         "plan": ["--candidates", "1000", "--poses", "3"], "new": ["--yes"]}

#: What a command makes: from this word on a path need not be there.
MADE = {"new": 1, "diagnose": 2, "explore": 2, "solve": 2}


def _once(provable):
    """The proof of a result is the same each time."""
    found = {}

    def kept(read, document):
        if document.fingerprint not in found:
            found[document.fingerprint] = provable(read, document)
        return found[document.fingerprint]

    return kept


@pytest.fixture
def chain(calib_command, monkeypatch, tmp_path):
    """``chain(*words)``: the command lines from one on, each as the one before printed it."""
    monkeypatch.setattr("calib.cli.report.report_files", lambda *_: {})
    monkeypatch.setattr("calib.cli.confirm.provable", _once(calib.cli.confirm.provable))
    monkeypatch.chdir(tmp_path)
    group = typer.main.get_command(application())

    def follow(*words, quick=QUICK, most=9):
        typed, by_hand = [], False
        words = list(map(str, words))
        while not ENDS & set(words) and not by_hand:
            typed.append(shlex.join(words))
            assert len(typed) < most, typed
            words, file = (words[:-2], words[-1]) if ">" in words else (words, None)
            _, command, rest = group.resolve_command(typer.Context(group), list(words))
            command.make_context(words[0], rest)  # which understands every word
            if file:  # as a shell does, before the command has begun
                assert not Path(file).exists(), typed
                Path(file).touch()
            status, out, err = calib_command(*words, *quick.get(words[0], ()))
            assert status in (0, 3, 5, 6), (typed, err)
            if file:
                Path(file).write_text(out, "utf-8")
            words = next_of(err)
            paths = words[1:MADE.get(words[0])] if ">" not in words else words[1:-2]
            assert all(Path(word).exists() for word in paths if "/" in word), (typed, words)
            # Files are to be put right, or what is told is to be done, before the next is typed.
            by_hand = "nothing was written" in err or re.search("^(Once|Then again).*:", err, re.M)
            assert by_hand or shlex.join(words) not in typed, (typed, words)
        return [*typed, shlex.join(words)]

    return follow


@pytest.fixture
def yard(solved, tmp_path):
    """Two solved runs of one machine in a folder with a space in its name."""
    folder = tmp_path / "my yard"
    prepare(folder, solved)
    return folder


def commands(typed):
    """The first word of each line."""
    return [line.split()[0] for line in typed]


def test_from_a_result_to_its_proof(chain, yard):
    """Check, sheet, a file for the display; filled in by hand; and back from its record."""
    one = yard / "one" / "result"
    typed = chain("check", one)
    assert commands(typed) == ["check", "sheet", "confirm", "confirm", "confirm", "confirm"]
    shown = shlex.join(["confirm", str(one), str(yard / "one" / "shown.csv")])
    assert typed[-2:] == [shown, shown]  # again, once it is filled in
    assert (yard / "one" / "shown.csv").is_file()
    # What is there already, filled in or not, is used and not printed over.
    assert chain("confirm", one)[1] == shown
    # The latest has its sheet: the next run begins.
    assert chain("history", yard / "one")[1] == shlex.join(["new", str(yard / "run-1")])


@pytest.mark.parametrize(("first", "then"), [
    ("entries example", ["entries", "entries", "entries", "new", "plan", "yard"]),
    ("rig show no-such", ["rig", "rig"]),
    ("help", ["help", "help", "--help"]),
    ("schema", ["schema", "--help"]),
    ("new --rig nothing 'my run'", ["new", "rig"]),
    ("new 'my run'", ["new", "plan", "yard"]),
])
def test_from_nothing(chain, first, then):
    """In an empty folder."""
    assert commands(chain(*shlex.split(first))) == then


def test_a_run_that_is_there_goes_on(chain, yard):
    """What is refused leads to the run; a result that is not there yet, to its solution."""
    one = yard / "one"
    assert chain("simulate", one)[1] == shlex.join(["solve", str(one)])
    shutil.rmtree(one / "result")
    assert chain("sheet", one / "result")[1] == shlex.join(["solve", str(one)])
    assert chain("diagnose", one, "--apply", yard / "two")[1] == shlex.join(
        ["solve", str(yard / "two")])


def test_a_run_where_a_result_is_asked(calib_command, yard):
    """Its newest result, in it or beside it and of its files; to be solved if there is none."""
    one, two = yard / "one", yard / "two"

    def led(*words):
        status, _, err = calib_command(*words)
        assert status == 3, err
        return next_of(err)

    for name in ("check", "sheet", "report", "confirm"):
        assert led(name, one) == [name, str(one / "result")]
    assert led("compare", one, two / "result", "--out", two) == [
        "compare", str(one / "result"), str(two / "result"), "--out", str(two)]
    (one / "result").rename(yard / "of-one")
    assert led("drift", one, two) == ["drift", str(yard / "of-one"), str(two / "result")]
    assert led("solve", two, "--machine", one) == [
        "solve", str(two), "--machine", str(yard / "of-one")]
    (one / "shots.csv").write_text("# another")  # which is no longer what was solved
    assert led("report", one) == ["solve", str(one)]


@pytest.mark.parametrize(("words", "then"), [
    ("solve 'my run'", "new 'my run'"), ("diagnose nosuch", "new nosuch"),
    ("next nosuch", "new nosuch"), ("explore nosuch", "new nosuch"), ("yard nosuch", "new nosuch"),
    ("plan nosuch", "rig list"), ("rig check nosuch", "rig list"),
    ("together nosuch.toml", "together --help"), ("fleet nosuch", "fleet --help"),
    ("import nosuch.txt", "import --help"), ("history nosuch", "history --help"),
    ("compare nosuch nothing/result", "compare --help")])
def test_a_path_that_does_not_exist(calib_command, tmp_path, monkeypatch, words, then):
    """What makes one, or how the command is typed: the same again would end the same."""
    monkeypatch.chdir(tmp_path)
    status, _, err = calib_command(*shlex.split(words))
    assert (status, next_of(err)) == (3, shlex.split(then))
    assert not [*tmp_path.iterdir()]


@pytest.mark.parametrize("name", ["solve", "diagnose", "next", "explore"])
def test_a_run_without_shots(calib_command, tmp_path, name):
    """Its poses are planned first."""
    run = tmp_path / "my run"
    calib_command("new", run, "--yes")
    _, _, err = calib_command(name, run)
    assert next_of(err) == ["plan", str(run)]


def test_an_import_where_one_is(calib_command, tmp_path, monkeypatch):
    """Into a new folder, with what was settled before; again, into another one."""
    monkeypatch.chdir(tmp_path)
    Path("points.txt").write_text(POINTS, "utf-8")
    Path("sheet.csv").write_text(SHEET, "utf-8")
    first = ["import", *map(str, lines(Path())["import"])]
    assert calib_command(*first)[0] == 0
    kept = {path: path.read_bytes() for path in Path("imported").iterdir()}
    for folder in ("imported-2", "imported-3"):
        status, _, err = calib_command(*first)
        assert status == 3 and f"{folder} gets the standard rig" in err
        words = next_of(err)
        assert words[-2:] == ["--into", folder] and words.count("--into") == 1
        status, _, err = calib_command(*words)
        assert status == 0 and next_of(err) == ["solve", folder]
    assert kept == {path: path.read_bytes() for path in Path("imported").iterdir()}


def test_what_is_set_aside_for_once_keeps_the_result(calib_command, yard):
    """As `solve` and `diagnose` say it: the result with everything stays to compare."""
    one = yard / "one"
    aside = ["--set-aside", "pose:03"]
    _, out, err = calib_command("next", one, "--goal", "40mm", "--candidates", "200", *aside)
    assert "Enough" in out
    assert next_of(err) == ["solve", str(one), *aside, "--out", str(one / "result-without")]


@pytest.mark.slow
def test_a_plan_short_of_its_goal_looks_for_the_minutes(chain, tmp_path):
    """Not to the yard with it: the same again, without what bounds the minutes."""
    quick = {"plan": ["--candidates", "1000"]}
    chain("new", "my run")
    typed = chain("plan", "my run", "--goal=9mm", "--minutes", "12", quick=quick)
    assert typed[1:] == ["plan 'my run' --goal=9mm --candidates 1000", "yard 'my run'"]


def test_no_taped_length(chain, simulated, tmp_path, calib_command):
    """What is to be taped is told before the same command again."""
    run = tmp_path / "few poses"
    simulated(run, "--poses", 7, "--seed", 7)
    (run / "tape.csv").unlink()
    calib_command("solve", run, "--no-report")
    typed = chain("check", run / "result")
    assert commands(typed) == ["check", "solve"]


@pytest.mark.slow
@pytest.mark.parametrize("name", [
    "diagnose", "explore", "next", "report", "compare", "drift", "history", "together", "fleet",
    "import", "demo", "plan", "simulate", "solve"])
def test_from_every_command(chain, yard, name):
    """Whatever it is that somebody starts with."""
    chain(name, *lines(yard)[name] if name != "plan" else [yard / "one"], most=12)


def _gain(run):
    """The stick sensor shows 3 % too much."""
    rows = list(csv.DictReader(line for line in (run / "readings.csv").open("r", encoding="utf-8")
                               if not line.startswith("#")))
    with (run / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, rows[0])
        table.writeheader()
        table.writerows(row | {"stick": f"{1.03 * float(row['stick']):.3f}"} for row in rows)


def _strict(run):
    """A goal that nothing reaches."""
    with (run / "rig.toml").open("a", encoding="utf-8") as file:
        file.write('\n[goal]\nedge = "2 mm"\n')


def _corner_lost(run):
    """Nothing tells where the right corner is."""
    rows = (run / "shots.csv").read_text("utf-8").splitlines(keepends=True)
    (run / "shots.csv").write_text("".join(row for row in rows if "edge_right" not in row), "utf-8")
    (run / "tape.csv").unlink()


@pytest.mark.slow
@pytest.mark.parametrize(("spoil", "gross", "last"), [
    (_gain, 0, "confirm"), (_strict, 0, "yard"), (_corner_lost, 0, "next"),
    (lambda run: None, 3, "confirm")])
def test_from_a_run_at_fault(chain, simulated, tmp_path, spoil, gross, last):
    """A gain, a goal out of reach, an edge that is not determined, wrong shots."""
    run = tmp_path / "my run"
    simulated(run, "--poses", 16, "--seed", 5, "--gross", gross)
    spoil(run)
    typed = chain("solve", run, most=14, quick=QUICK | {"plan": ["--candidates", "1000"]})
    assert commands(typed)[-1] == last
