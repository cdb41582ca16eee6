"""Commands that are watched for using the network."""

import sys

import pytest

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
