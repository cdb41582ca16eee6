"""Every command where a disk is full or may not be read, and in odd company; one table of them."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from calib.cli.app import COMMANDS
from calib.run.write import MANIFEST, manifest_of
from tests.cli.commands import NEW, lines, mistake, prepare, writing

resource = pytest.importorskip("resource", reason="POSIX limits")

CALIB = [sys.executable, "-m", "calib"]

#: What they end with: done, not enough for the edge, or a gate that failed.
SOUND = (0, 5, 6)

#: Those of the quick tests; the others take seconds each.
_LONG = ("demo", "diagnose", "explore", "together", "confirm")
def writing_names():
    return list(writing(Path()))


EACH = [pytest.param(name, marks=[pytest.mark.slow] if name in _LONG else [])
        for name in writing_names()]

ODD = {"LC_ALL": "C", "TZ": "Mars/Olympus",
       "MPLBACKEND": "module://matplotlib_inline.backend_inline", "XDG_CONFIG_HOME": "/dev/null"}


@pytest.fixture(scope="module")
def sound(solved, tmp_path_factory):
    """What the commands work on."""
    folder = tmp_path_factory.mktemp("every")
    prepare(folder, solved)
    mistake(folder)
    return folder


@pytest.fixture
def folder(sound, tmp_path):
    return shutil.copytree(sound, tmp_path / "field")


@pytest.fixture(autouse=True)
def _quickly(monkeypatch, unspawned):
    """Pages and paper in no time: how they look is none of this."""
    monkeypatch.setattr("calib.cli.report.report_files",
                        lambda *_, **__: {"report.html": "x" * 5000})
    for where in ("sheet", "together"):
        monkeypatch.setattr(f"calib.cli.{where}.sheet_files",
                            lambda *_, **__: {"sheet.html": "x" * 5000})
    unspawned()


def content(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes()
            for p in sorted(folder.rglob("*")) if p.is_file()}


def as_it_was(folder, before):
    """Nothing but a journal that goes on may be another than before."""
    after = content(folder)
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


def test_the_table_has_every_command(tmp_path):
    assert set(lines(tmp_path)) == set(COMMANDS) - {"yard"}
    reading = {"rig", "next", "check", "entries", "help", "schema"}
    assert set(writing(tmp_path)) == set(lines(tmp_path)) - reading


@pytest.mark.parametrize("name", EACH)
def test_no_file_can_grow(folder, calib_command, name, monkeypatch):
    """As on a full disk: a complaint, and everything as it was before."""
    monkeypatch.chdir(folder)
    words, _ = writing(folder)[name]
    if name not in NEW:
        assert calib_command(name, *words)[0] in SOUND
    before, was = content(folder), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, was[1]))
    try:
        status, _, err = calib_command(name, *words)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, was)
    assert status == 3 and "file too large" in err.lower(), err
    assert not as_it_was(folder, before)


@pytest.fixture
def disk(sound, tmp_path):
    """A small disk with what the commands work on; only who may mount one has it."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=20m", "none", place],
                                      capture_output=True).returncode:
        pytest.skip("no disk can be mounted")
    try:
        yield shutil.copytree(sound, place / "field")
    finally:
        os.chdir(tmp_path)
        # What a traceback still holds open is let go with it.
        subprocess.run(["umount", "--lazy", place], check=True)


@pytest.mark.slow
@pytest.mark.parametrize("state", ["full", "read-only"])
@pytest.mark.parametrize("name", EACH)
def test_a_disk_that_takes_no_more(disk, calib_command, name, state):
    """Full but for what a first file takes, or not to be written at all: as it was, and said."""
    os.chdir(disk)
    words, _ = writing(disk)[name]
    if name not in NEW:
        assert calib_command(name, *words)[0] in SOUND
    if state == "full":
        with open(disk.parent / "filler", "wb", buffering=0) as filler:
            try:
                while True:
                    filler.write(bytes(4096))
            except OSError:
                filler.truncate(filler.tell() - 4096)
    else:
        subprocess.run(["mount", "-o", "remount,ro", disk.parent], check=True)
    before = content(disk)
    status, _, err = calib_command(name, *words)
    assert status == 3 and ("no space left" if state == "full" else "read-only") in err.lower(), err
    assert not as_it_was(disk, before)


def started(*words, cwd, env, **options):
    # Nothing of this process's own: what is not named is not there.
    return subprocess.Popen(
        [*CALIB, *map(os.fspath, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cwd,
        env={"PYTHONPATH": os.getcwd(), "PATH": os.environ["PATH"], **env}, **options)


#: One of each way to write.
_EACH_WAY = ("solve", "new", "import", "plan", "sheet", "drift", "history", "together", "fleet",
             "demo")


@pytest.mark.slow
@pytest.mark.parametrize("name", _EACH_WAY)
def test_two_at_once(folder, name):
    """One of them well, the other too or refused; what is there is whole and nothing besides."""
    words, made = writing(folder)[name]
    both = [started(name, *words, cwd=folder, env={}) for _ in range(2)]
    ended = [(p.communicate(timeout=300), p.returncode) for p in both]
    said = b"".join(err for (_, err), _ in ended).decode()
    statuses = sorted(status for _, status in ended)
    assert "Traceback" not in said and "cannot be written" not in said
    # The demo makes a new folder for its run.
    refused = (3,) if name in (*NEW, "demo") else ()
    assert statuses[0] in SOUND and statuses[1] in (*SOUND, *refused), said
    held = manifest_of(made)
    if held is not None:
        assert {n for n in content(made) if n != MANIFEST} == set(held)
    assert not list(folder.rglob(".*"))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"yard"}))
def test_odd_company(sound, tmp_path, name):
    """No home, no locale, letters that the output lacks, a notebook's variables, nobody who reads
    on, in a folder of an odd name."""
    odd = shutil.copytree(sound, tmp_path / "a b 100%s %d größe Ж\n=1")
    words = {**lines(odd), **{n: w for n, (w, _) in writing(odd).items()}}[name]
    process = started(name, *words, cwd=tmp_path, env={**ODD, "PYTHONIOENCODING": "ascii"})
    out, err = process.communicate(timeout=300)
    assert process.returncode in SOUND and b"Traceback" not in err, err
    assert (out + err).isascii()
    process = started(name, *words, cwd=odd, env={**ODD, "PYTHONIOENCODING": "cp1252",
                                                  "TZ": "UTC-14"})
    process.stdout.close()
    err = process.stderr.read()
    assert process.wait(300) in ((3,) if name in NEW else SOUND), err
    assert b"Traceback" not in err and b"BrokenPipe" not in err


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"yard"}))
def test_a_path_that_leads_round_in_circles(sound, tmp_path, calib_command, name, monkeypatch):
    """Each path of a command in turn is a link to itself: a complaint, and nothing is touched."""
    monkeypatch.chdir(tmp_path)
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    words = {**lines(sound), **{n: w for n, (w, _) in writing(sound).items()}}[name]
    before = content(sound)
    for k, word in enumerate(words):
        if isinstance(word, Path):
            status, _, err = calib_command(name, *words[:k], loop, *words[k + 1:])
            assert status in (2, 3) and "Traceback" not in err, (k, status, err)
    assert content(sound) == before
