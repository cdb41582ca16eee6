"""A fleet from the command line: bad runs, going on, the table, a cluster that loses a worker."""

import json
import os
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from calib.cli.fleet import write_table
from calib.cli.journal import JOURNAL, Journal
from calib.cli.simulate import STANDARD_RIG
from calib.run.export import run_files
from calib.run.write import write_whole
from calib.simulate import simulate

pq = pytest.importorskip("pyarrow.parquet")
distributed = pytest.importorskip("distributed")


def runs_below(root, rig, count):
    """Small runs in folders, one of them no run at all."""
    for k in range(count):
        folder = root / f"yard{k % 2}" / f"run{k}"
        folder.mkdir(parents=True)
        run, _ = simulate(rig, np.random.default_rng(k), poses=10)
        for name, text in run_files(run, STANDARD_RIG, "Invented data").items():
            (folder / name).write_text(text, "utf-8")
    (root / "yard1" / "run1" / "shots.csv").write_text("nothing\n", "utf-8")


def test_a_fleet_and_again(calib_command, rig, tmp_path, unspawned):
    """A bad run has a row that says why; nothing that is there is solved again."""
    root = tmp_path / "all"
    runs_below(root, rig, 4)
    status, _, err = calib_command("fleet", root, "--processes", 2)
    assert status == 6, err
    table = pq.read_table(root / "fleet" / "fleet.parquet").to_pandas().set_index("run")
    assert sorted(table.index) == sorted(f"yard{k % 2}/run{k}" for k in range(4))
    assert table.loc["yard1/run1", "status"] == "input at fault"
    assert "shots.csv" in table.loc["yard1/run1", "message"]
    good = table.drop("yard1/run1")
    for run in good.index:
        result = json.loads((root / run / "result" / "result.json").read_text("utf-8"))
        value = next(p for p in result["parameters"] if p["name"] == "boom_length")
        assert good.loc[run, "boom_length"] == value["value"]
        assert good.loc[run, "boom_length.sd"] == value["sd"]
        assert not (root / run / "result" / "report.pdf").exists()
    assert err.splitlines()[-1].split()[-3:] == ["calib", "solve", str(root / "yard1" / "run1")]
    unspawned()
    (root / "yard1" / "run3" / "tape.csv").unlink()
    printed = root / "yard1" / "run3" / "result"
    write_whole(printed, {"sheet.pdf": "in somebody's hand"})
    former = {path.name: path.read_bytes() for path in printed.iterdir()}
    before = (root / "yard0" / "run0" / "result" / "result.json").stat().st_mtime_ns
    _, out, err = calib_command("fleet", root, "--processes", 1, "--json")
    assert "1 runs solved, 3 taken over" in err
    assert json.loads(out)["runs"] == 4
    assert (root / "yard0" / "run0" / "result" / "result.json").stat().st_mtime_ns == before
    assert {path.name: path.read_bytes()
            for path in printed.with_name("result-earlier").iterdir()} == former
    assert "is kept as result-earlier" in out
    (root / "fleet" / JOURNAL).unlink()  # a first fleet over what was solved alone
    printed = root / "yard0" / "run0" / "result"
    write_whole(printed, {"sheet.pdf": "in somebody's hand"})
    _, out, err = calib_command("fleet", root, "--processes", 1)
    assert "1 runs solved, 3 taken over" in err and (printed / "sheet.pdf").is_file()
    page = (root / "fleet" / "fleet.html").read_text("utf-8")
    assert "yard1/run1" in page and "input at fault" in page and "<svg" in page


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker(rig, tmp_path):
    """Two worker processes, one killed in the middle: every run once, with its result."""
    root, count = tmp_path / "all", 8
    runs_below(root, rig, count)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True,
                                  host="127.0.0.1", dashboard_address=None) as cluster:
        victim = next(iter(cluster.workers.values())).pid

        def kill():
            journal = root / "fleet" / JOURNAL
            end = time.monotonic() + 300
            while time.monotonic() < end and (
                    not journal.exists() or journal.read_text("utf-8").count("\n") < 3):
                time.sleep(0.05)
            os.kill(victim, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        # A client in this process would go on looking for the cluster when it is gone.
        found = subprocess.run([sys.executable, "-m", "calib", "fleet", root, "--scheduler",
                                cluster.scheduler_address], capture_output=True, text=True)
        killer.join()
    assert found.returncode == 6, found.stderr
    lines = (root / "fleet" / JOURNAL).read_text("utf-8").splitlines()
    runs = [json.loads(line)["run"] for line in lines]
    assert sorted(runs) == sorted(f"yard{k % 2}/run{k}" for k in range(count))
    table = pq.read_table(root / "fleet" / "fleet.parquet").to_pandas()
    assert len(table) == count
    assert (table["status"] == "input at fault").sum() == 1
    assert not table["status"].isin(["fault of the program"]).any()
    for run in table.loc[table["status"] != "input at fault", "run"]:
        assert (root / run / "result" / "result.json").is_file()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_no_process_of_a_fleet_outlives_it(rig, tmp_path, number):
    """What its processes write errors to is closed only when the last of them is gone."""
    runs_below(tmp_path, rig, 3)
    fleet = subprocess.Popen([sys.executable, "-m", "calib", "fleet", tmp_path, "--processes", "1"],
                             stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
    told = fleet.stderr.readline()
    assert told.startswith("Solving 3 runs"), told
    fleet.send_signal(number)
    _, err = fleet.communicate(timeout=60)
    assert number == signal.SIGKILL or "Next: calib fleet" in err
    assert number == signal.SIGKILL or "Traceback" not in err


def test_a_folder_whose_name_is_no_text(tmp_path):
    """A table can hold it all the same; the journal has it as it is."""
    journal, run = Journal(tmp_path / JOURNAL), os.fsdecode(b"not \xff\n text")
    journal.add({"run": run, "inputs": "", "status": "input at fault", "message": run})
    write_table(tmp_path / "fleet.parquet", journal, [run])
    table = pq.read_table(tmp_path / "fleet.parquet").to_pandas()
    assert list(table["run"]) == list(table["message"]) == ["not \\udcff\\n text"]


def test_a_journal_that_was_cut_short(tmp_path):
    """The half line is dropped and written again; of two lines of a run the last counts."""
    path = tmp_path / JOURNAL
    journal = Journal(path)
    journal.add({"run": "a", "inputs": "1", "status": "passed"})
    journal.add({"run": "b", "inputs": "2", "status": "passed"})
    journal.add({"run": "a", "inputs": "3", "status": "gates failed"})
    journal.close()
    path.write_bytes(path.read_bytes() + b'{"run": "c", "inp')
    again = Journal(path)
    assert again.inputs("c") is None and again.inputs("a") == "3"
    again.add({"run": "c", "inputs": "4", "status": "passed"})
    assert [r["inputs"] for r in again.rows(["a", "b", "c", "d"])] == ["3", "2", "4"]
    again.close()
    assert len(path.read_text("utf-8").splitlines()) == 4


def test_a_journal_that_somebody_changed(tmp_path):
    """Of a line with any one byte changed, lost or added nothing is taken over."""
    path = tmp_path / JOURNAL
    journal = Journal(path)
    journal.add({"run": "a", "inputs": "1", "status": "passed", "dof": 17})
    journal.close()
    line = path.read_bytes()
    for k in range(len(line)):
        for other in (line[:k] + b"7" + line[k + 1:], line[:k] + line[k + 1:],
                      line[:k] + b"0" + line[k:]):
            path.write_bytes(other + (b"" if other.endswith(b"\n") else b"\n"))
            changed = Journal(path)
            assert changed.inputs("a") is None or path.read_bytes() == line, other
            changed.close()


def test_nothing_to_solve_is_told(calib_command, tmp_path):
    """A folder without runs."""
    (tmp_path / "empty").mkdir()
    assert calib_command("fleet", tmp_path / "empty")[0] == 3


def test_what_could_not_be_written_is_tried_again(calib_command, rig, tmp_path, unspawned):
    """A full disk says nothing of a run: its files are as they were, and it is solved again."""
    unspawned()
    runs_below(tmp_path, rig, 2)
    folder = tmp_path / "yard0" / "run0"
    (folder / "result").write_text("in the way", "utf-8")
    _, _, err = calib_command("fleet", tmp_path, "--processes", 1)
    table = pq.read_table(tmp_path / "fleet" / "fleet.parquet").to_pandas().set_index("run")
    assert table.loc["yard0/run0", "status"] == "not written", err
    (folder / "result").unlink()
    calib_command("fleet", tmp_path, "--processes", 1)
    table = pq.read_table(tmp_path / "fleet" / "fleet.parquet").to_pandas().set_index("run")
    assert table.loc["yard0/run0", "status"] in ("passed", "gates failed")
    assert (folder / "result" / "result.json").is_file()
