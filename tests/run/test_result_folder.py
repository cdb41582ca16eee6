"""A result folder is replaced as a whole or not at all, and nobody's file is lost."""

import errno
import os
import random
import shutil
import threading

import pytest

from calib.run import result_folder
from calib.run.complaints import InputError
from calib.run.result_folder import recover_result, replace_result, result_place
from calib.run.write import MANIFEST, write_new_folder, write_whole

pytestmark = pytest.mark.skipif(os.name != "posix", reason="crashes are made with fork")

from tests.run.crashes import crash_points  # noqa: E402

OLD = {"result.json": "old", "shots.csv": "old shots", "plots/a.png": b"old picture"}
NEW = {"result.json": "new", "shots.csv": "new shots", "report.html": "new report"}


def content(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes()
            for p in folder.rglob("*") if p.is_file()}


def whole(files):
    return {n: c.encode() if isinstance(c, str) else c for n, c in files.items()}


def held(folder):
    """Content without the manifest."""
    return {n: c for n, c in content(folder).items() if n != MANIFEST}


@pytest.fixture(params=[True, False], ids=["one step", "two steps"])
def steps(request, monkeypatch):
    """With the exchange of two folders, and as on systems without it."""
    if not request.param:
        monkeypatch.setattr(result_folder, "_exchanged_at_once", lambda first, second: False)
    return request.param


def put(out, files):
    return replace_result(result_place(out), files)


def test_what_stays_and_what_goes(tmp_path, steps):
    """The former result goes, with what was made from it; notes and changed files stay."""
    out = tmp_path / "run" / "result"
    assert put(out, OLD) == [] and held(out) == whole(OLD)
    write_whole(out, {"sheet.html": "made from old"})
    (out / "notes.txt").write_text("mine")
    (out / "photos").mkdir()
    (out / "photos" / "edge.jpg").write_text("mine too")
    (out / "shots.csv").write_text("changed in a spreadsheet")
    said = put(out, NEW)
    assert held(out) == whole(NEW) | {
        "notes.txt": b"mine", "photos/edge.jpg": b"mine too",
        "earlier-shots.csv": b"changed in a spreadsheet",
    }
    assert said == [
        "gone with the result they were made from: plots/a.png, sheet.html",
        "shots.csv was changed after calib wrote it; kept as earlier-shots.csv",
    ]
    assert os.listdir(out.parent) == ["result"]


@pytest.mark.parametrize(("make", "says"), [
    (lambda out: (out / "shots.csv").write_text("another run"), "files in it that are no result"),
    (lambda out: (out / "notes.txt").write_text("x"), '"notes.txt"'),
    (lambda out: (out / MANIFEST).write_text("[]"), "files in it that are no result"),
    (lambda out: (out.rmdir(), out.write_text("x")), "found a file, expected a folder"),
    (lambda out: (out.rmdir(), out.symlink_to(out)), "loop|not a directory"),
    (lambda out: os.chdir(out), "found the current folder"),
])
def test_other_folders_are_refused(tmp_path, monkeypatch, make, says):
    """Another run, a folder of notes, a file, a loop, the current folder: all as before."""
    monkeypatch.chdir(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    make(out)
    before = content(tmp_path)
    with pytest.raises(InputError, match=says):
        put(out, NEW)
    assert content(tmp_path) == before


@pytest.mark.parametrize("out", ["run", "run/..", "run/x/.."])
def test_a_folder_with_the_run_in_it_is_refused(tmp_path, out):
    """Its files would go with the folder."""
    (tmp_path / "run").mkdir()
    with pytest.raises(InputError, match=r"run folder itself|the run lies in"):
        result_place(tmp_path / out, tmp_path / "run")


def test_killed_anywhere_it_is_the_old_result_or_the_new(tmp_path, steps):
    """Death before every single call: old or new as a whole, notes there, and the next solve
    clears away what was left."""
    out, seen = tmp_path / "result", set()

    def prepare():
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()
        put(out, OLD)
        (out / "notes.txt").write_text("mine")

    for nth in crash_points(prepare, lambda: put(out, NEW)):
        if not steps:
            recover_result(out)
        found = held(out)
        assert found.pop("notes.txt") == b"mine", nth
        assert found in (whole(OLD), whole(NEW)), nth
        seen.add(found["result.json"])
        put(out, NEW)
        assert held(out) == whole(NEW) | {"notes.txt": b"mine"}
        assert sorted(os.listdir(tmp_path)) == ["result"], nth
    assert seen == {b"old", b"new"}
    assert held(out) == whole(NEW) | {"notes.txt": b"mine"}


def test_killed_while_it_is_new_there_is_nothing_or_all(tmp_path, steps):
    """A first result, killed anywhere."""
    out = tmp_path / "result"

    def prepare():
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()

    for nth in crash_points(prepare, lambda: put(out, NEW)):
        assert not out.exists() or held(out) == whole(NEW), nth


@pytest.mark.parametrize("name", ["fsync", "link", "mkdir", "rename"])
def test_a_full_disk_leaves_everything_as_it_was(tmp_path, monkeypatch, steps, name):
    """Trouble at every call of a kind: a complaint and the old result, or no harm at all."""
    out = tmp_path / "result"
    real, refused = getattr(os, name), 0
    for nth in range(1, 100):
        shutil.rmtree(out, ignore_errors=True)
        put(out, OLD)
        (out / "notes.txt").write_text("mine")
        before, calls = content(tmp_path), []

        def fails(*arguments, calls=calls, nth=nth, **named):
            calls.append(arguments)
            if len(calls) == nth:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(*arguments, **named)

        with monkeypatch.context() as patch:
            patch.setattr(os, name, fails)
            try:
                put(out, NEW)
            except InputError as error:
                assert "no space left on device" in str(error)
                assert content(tmp_path) == before
                refused += 1
            else:
                # A link that fails becomes a copy; some disks cannot sync a folder.
                assert held(out) == whole(NEW) | {"notes.txt": b"mine"}
        if len(calls) < nth:
            break
    assert refused or name == "link" or (name == "rename" and steps)


def test_of_two_at_once_the_last_whole_one_stands(tmp_path):
    """Never a mixture, and whoever replaces a result that came meanwhile says so."""
    out, said = tmp_path / "result", []
    results = [{f"{k}-{i}.txt": str(k) for i in range(5)} | {"result.json": str(k)}
               for k in range(6)]
    places = [result_place(out) for _ in results]
    threads = [threading.Thread(target=lambda p=p, r=r: said.extend(replace_result(p, r)))
               for p, r in zip(places, results, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert held(out) in [whole(r) for r in results]
    assert sum("meanwhile" in s for s in said) == len(results) - 1
    assert os.listdir(tmp_path) == ["result"]


def test_another_writer_is_waited_for_and_then_told(tmp_path, monkeypatch):
    """The lock of a living process is respected; that of a dead one is gone with it."""
    import fcntl

    monkeypatch.setattr("calib.run.lock.PATIENCE", 0.1)
    out = tmp_path / "result"
    place = result_place(out)
    with open(tmp_path / ".result.lock", "w") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(InputError, match="another calib writing there"):
            replace_result(place, NEW)
    assert replace_result(place, NEW) == []
    assert os.listdir(tmp_path) == ["result"]


def test_files_added_to_a_folder_are_finished_after_a_kill(tmp_path):
    """Killed between the renames, the next who reads or writes finishes them."""
    from calib.run.write import finish_writing

    folder, seen = tmp_path / "run", set()
    old = {"shots.csv": "old", "readings.csv": "old", "a/b.csv": "old"}
    new = {"shots.csv": "new", "readings.csv": "new", "a/b.csv": "new"}

    def prepare():
        shutil.rmtree(tmp_path)
        folder.mkdir(parents=True)
        write_whole(folder, old)

    for nth in crash_points(prepare, lambda: write_whole(folder, new)):
        finish_writing(folder)
        found = {n: c for n, c in content(folder).items() if n in old}
        assert found in (whole(old), whole(new)), nth
        seen.add(found["shots.csv"])
        write_whole(folder, {"c.txt": "c"})
        left = set(os.listdir(folder)) - {"shots.csv", "readings.csv", "a", "c.txt"}
        assert not left, nth
    assert seen == {b"old", b"new"}


def test_a_new_folder_is_there_or_not_and_what_a_kill_left_is_cleared_away(tmp_path):
    """Killed anywhere while a folder is made: nothing or all of it; the next leaves nothing."""
    folder, new = tmp_path / "run", {"shots.csv": "new", "a/b.csv": "new"}

    def prepare():
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()

    for nth in crash_points(prepare, lambda: write_new_folder(folder, new)):
        assert not folder.exists() or content(folder) == whole(new), nth
        shutil.rmtree(folder, ignore_errors=True)
        write_new_folder(folder, new)
        assert os.listdir(tmp_path) == ["run"], nth


def test_of_two_that_make_a_folder_at_once_one_does(tmp_path):
    """Both were told that there is none: one writes, and the other is refused, or adds to it."""
    for write, refused in ((write_new_folder, 5), (write_whole, 0)):
        folder, said = tmp_path / write.__name__, []

        def make(k, write=write, folder=folder, said=said):
            try:
                write(folder, {name: str(k) for name in "abc"})
            except InputError as error:
                said.append(str(error))

        threads = [threading.Thread(target=make, args=(k,)) for k in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(set(content(folder).values())) == 1 and len(content(folder)) == 3
        assert len(said) == refused and all("a folder with files in it" in s for s in said), said
    assert sorted(os.listdir(tmp_path)) == ["write_new_folder", "write_whole"]


def test_killed_while_finishing_it_is_finished_the_next_time(tmp_path):
    """Death while the renames of a dead writer are made up for."""
    from calib.run.write import _MOVING, finish_writing, stage

    folder = tmp_path / "run"
    old, new = {"x": "old", "y": "old"}, {"x": "new", "y": "new"}

    def prepare():
        shutil.rmtree(tmp_path)
        folder.mkdir(parents=True)
        write_whole(folder, old)
        stage(folder / _MOVING, new)

    for _ in crash_points(prepare, lambda: finish_writing(folder)):
        finish_writing(folder)
        assert {n: c for n, c in content(folder).items() if n in new} == whole(new)


def test_any_order_of_kills_and_solves(tmp_path, steps):
    """Killed at random, again and again: whatever is there is one whole result."""
    from tests.run.crashes import dies_at

    out, rng = tmp_path / "result", random.Random(4)
    put(out, {"result.json": "0"})
    possible = [whole({"result.json": "0"})]
    for k in range(1, 40):
        files = {"result.json": str(k), f"{k}.csv": "x"}
        died = dies_at(lambda files=files: put(out, files), rng.randrange(1, 60))
        recover_result(out)
        possible = [*possible, whole(files)] if died else [whole(files)]
        assert held(out) in possible
