"""No command opens a socket, to anywhere: what the test of the last lines does not run so."""

import shutil

import pytest

from calib.cli.fleet_worker import Task, solve_one


def test_what_draws_and_what_works_for_a_fleet(calib_command, solved, tmp_path, offline):
    """Pages and paper drawn, and in this process what a fleet's worker does."""
    solved(tmp_path / "run", "--poses", 12, "--seed", 4)
    for command in ("report", "sheet"):
        status, _, err = calib_command(command, tmp_path / "run" / "result")
        assert status == 0, (command, err)
    shutil.rmtree(tmp_path / "run" / "result")
    row = solve_one(Task("run", tmp_path / "run", "", False))
    assert row["status"] in ("passed", "gates failed"), row
    assert not offline


def test_the_watch_sees_a_socket(offline):
    """The tests can fail."""
    import socket

    with pytest.raises(RuntimeError, match="used the network"):
        socket.socket()
    assert offline
