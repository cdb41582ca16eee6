"""What tests of the commands share."""

import sys

import pytest

from calib.cli import main


@pytest.fixture
def calib_command(monkeypatch, capsys):
    """Runs one command in this process; gives exit status, stdout and stderr."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["calib", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
            raise SystemExit(0)
        out = capsys.readouterr()
        return left.value.code or 0, out.out, out.err

    return run
