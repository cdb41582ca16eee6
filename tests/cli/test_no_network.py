"""No command opens a socket, to anywhere."""

import pytest

from calib.cli.app import COMMANDS
from tests.cli.test_last_line import lines

POINTS = "1-left,1.5,2.5,3.5\n1-right,2.5,3.5,4.5\n"
SHEET = "pose,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n1,0,0,30,-60,10,5,0\n"


def test_commands_without_network(calib_command, solved, tmp_path, monkeypatch, offline):
    """What draws, and what the test of the last lines leaves out, with sockets forbidden."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "points.txt").write_text(POINTS)
    (tmp_path / "sheet.csv").write_text(SHEET)
    solved(tmp_path / "run", "--poses", 12, "--seed", 4)
    # A fleet without a cluster, and two runs together.
    solved(tmp_path / "many" / "one", "--poses", 12, "--seed", 5)
    (tmp_path / "both.toml").write_text(
        '[[runs]]\nfolder = "run"\nday = "2031-05-04"\n\n'
        '[[runs]]\nfolder = "many/one"\nday = "2031-05-05"\n')
    here = {
        "report": ["run/result"],
        "sheet": ["run/result"],
        "import": ["points.txt", "--into", "imported", "--order", "PENZ", "--unit", "m",
                   "--frame", "ground", "--pole", "applied", "--ids", "{pose}-{target}",
                   "--target", "left=edge_left", "--target", "right=edge_right",
                   "--sheet", "sheet.csv", "--stand", "here"],
        "together": ["both.toml", "--no-report"],
        "fleet": ["many", "--processes", "1"],
    }
    # The page of the yard is served to this machine: it has sockets by its nature.
    assert set(here) | set(lines(tmp_path)) == set(COMMANDS) - {"yard"}
    for command, words in here.items():
        status, _, err = calib_command(command, *words)
        assert status in (0, 6), (command, status, err)
        assert not offline, command


def test_the_watch_sees_a_socket(offline):
    """The tests can fail."""
    import socket

    with pytest.raises(RuntimeError, match="used the network"):
        socket.socket()
    assert offline
