"""No command opens a socket, to anywhere."""

import sys

import pytest

from calib.cli.app import COMMANDS

_WATCHED = {"on": False, "seen": []}


def _watch(event, arguments):
    if _WATCHED["on"] and event.startswith(("socket.", "urllib.", "http.", "ftplib.", "smtplib.")):
        _WATCHED["seen"].append(event)
        raise RuntimeError(f"a command used the network: {event}")


# An audit hook sees every socket that Python makes, whoever asks; it cannot be taken away again.
sys.addaudithook(_watch)


@pytest.fixture
def offline():
    """Sockets forbidden; gives what was tried all the same."""
    _WATCHED.update(on=True, seen=[])
    yield _WATCHED["seen"]
    _WATCHED["on"] = False


POINTS = "1-left,1.5,2.5,3.5\n1-right,2.5,3.5,4.5\n"
SHEET = "pose,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n1,0,0,30,-60,10,5,0\n"


def test_every_command_without_network(calib_command, simulated, tmp_path, monkeypatch, offline):
    """Each command once, with sockets forbidden; a command without a line here fails."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "points.txt").write_text(POINTS)
    (tmp_path / "sheet.csv").write_text(SHEET)
    lines = {
        "simulate": ["run", "--poses", "12", "--seed", "3"],
        "solve": ["run"],
        "demo": ["demo"],
        "rig": ["check", "tilt_rotator"],
        "new": ["mine"],
        "plan": ["tilt_rotator", "--poses", "3", "--candidates", "1000"],
        "import": ["points.txt", "--into", "imported", "--order", "PENZ", "--unit", "m",
                   "--frame", "ground", "--pole", "applied", "--ids", "{pose}-{target}",
                   "--target", "left=edge_left", "--target", "right=edge_right",
                   "--sheet", "sheet.csv", "--stand", "here"],
        "diagnose": ["run"],
        "next": ["run", "--candidates", "1000"],
        "check": ["run/result"],
        "report": ["run/result"],
        "sheet": ["run/result"],
        "entries": ["example"],
        "confirm": ["run/result"],
        "compare": ["run/result", "demo/result"],
        "drift": ["run/result", "demo/result"],
        "history": ["."],
        "help": ["gate"],
        "explore": ["run"],
        "together": ["both.toml"],
        "fleet": ["many", "--processes", "1"],
        "schema": [],
    }
    # A fleet without a cluster, and two runs together.
    simulated("many/one", "--poses", "12", "--seed", "4")
    (tmp_path / "both.toml").write_text(
        '[[runs]]\nfolder = "run"\nday = "2031-05-04"\n\n'
        '[[runs]]\nfolder = "many/one"\nday = "2031-05-05"\n')
    # The page of the yard is served to this machine: it has sockets by its nature.
    assert set(lines) == set(COMMANDS) - {"yard"}
    for command, words in lines.items():
        status, _, err = calib_command(command, *words)
        assert status in (0, 3, 6), (command, status, err)
        assert status != 3 or command == "drift", (command, err)
        assert not offline, command


def test_the_watch_sees_a_socket(offline):
    """The test above can fail."""
    import socket

    with pytest.raises(RuntimeError, match="used the network"):
        socket.socket()
    assert offline
