"""The server of the page: its sockets, its names, its life."""

import asyncio
import contextlib
import logging
import socket
import webbrowser
from pathlib import Path

import uvicorn

from calib.console import talk
from calib.judge.set_aside import NONE
from calib.run.complaints import InputError
from calib.run.lock import only_writer
from calib.yard.app import server_app
from calib.yard.desk import to_set_aside
from calib.yard.guard import Keys
from calib.yard.session import Session

_HERE = "127.0.0.1"

#: Seconds that what is on its way may take when the server is stopped.
_TO_END = 5


def serve(folder: Path, collector: Path | None = None, log: Path | None = None, *,
          share: bool, port: int, browser: bool) -> None:
    """Serve the page of a run folder until somebody stops it.

    Raises
    ------
    InputError
        If there is no such run folder, another page serves it, or the port is taken.
    """
    session = Session(folder, collector, log)
    # The notebook of two servers would each write the files as it read them.
    with only_writer(folder / ".yard.lock", folder):
        _serve(session, share, port, browser)


def _serve(session, share, port, browser):
    listening = _listening("0.0.0.0" if share else _HERE, port)
    port = listening.getsockname()[1]
    names = [_HERE, "localhost", *(_addresses() if share else ())]
    keys = Keys(share, told=lambda code: talk.tell(
        f"The code for the next device, which works once: {code}"))
    app = server_app(session, keys, lambda: {f"{name}:{port}" for name in names},
                     lambda: server.should_exit)
    talk.result(f"http://{_HERE}:{port}/")
    for name in names[2:]:
        talk.tell(f"From the local network: http://{name}:{port}/")
    talk.tell("Everything is written to the run folder at once. Stop with Ctrl-C.")
    session.start()
    if browser:
        # ValueError: BROWSER cannot be taken apart into words.
        with contextlib.suppress(webbrowser.Error, OSError, ValueError):
            webbrowser.open(f"http://{_HERE}:{port}/")
    config = uvicorn.Config(app, log_level="error", access_log=False, server_header=False,
                            lifespan="off", ws="none", timeout_graceful_shutdown=_TO_END,
                            h11_max_incomplete_event_size=32_768, limit_concurrency=100)
    server = uvicorn.Server(config)
    # Who is cut off after that is not told of as a fault.
    logging.getLogger("uvicorn.error").addFilter(_is_a_fault)
    try:
        server.run(sockets=[listening])
    finally:
        session.stop()
        _name_the_next(session)


def _name_the_next(session):
    """What the run as it was left asks for: the page again, or the desk's work."""
    command, aside = session.state().onward, to_set_aside(session)
    more = ["--set-aside", aside] if command == "solve" and aside != NONE else []
    talk.follow(command, session.notebook.folder, *more)


def _is_a_fault(record):
    return not (record.exc_info and isinstance(record.exc_info[1], asyncio.CancelledError))


def _listening(host, port):
    one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        one.bind((host, port))
        one.listen(64)  # who opens the page at once waits, and is not refused
    except OSError as error:
        one.close()
        raise InputError.of("--port", f"{port} ({error.strerror})".lower(),
                            "a port that is free, or 0 for any") from error
    return one


def _addresses():
    """Addresses of this machine on the local network."""
    with contextlib.suppress(OSError):
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        return sorted({entry[4][0] for entry in found} - {_HERE})
    return []
