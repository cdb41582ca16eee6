"""What a careful person would make of a changed request of the page, without our readers."""

import csv
import json

from pydantic import ValidationError

from calib.run.complaints import InputError
from calib.yard.changes import ACTIONS
from calib.yard.notebook import Changed
from tests.run.oracle import REFUSE, Change, id_changes, number_changes, reference_changes

_SHOT = {"shot": "new", "pose": "", "target": "edge_left", "east": "1.25", "north": "-2.5",
         "up": "3.125"}

#: In a cell of a table quotes are none of the value, and a comma parts cells; here they are not.
_OF_TABLES = ("quoted", "quoted wide", "doubled quote", "open quote", "comma", "thousands comma")

#: What is no text at all, or not what the page sends.
_ODD = [None, 1.5, True, [], ["1.5"], {"a": "1.5"}, "x" * 201]


def _changes(key, text, rng):
    if key in ("east", "north", "up"):
        own = [Change("decimal comma", text.replace(".", ","), float(text)),
               Change("thousands", "1,234.5", REFUSE), Change("quoted", f'"{text}"', float(text),
                                                              True)]
        return [*own, *(c for c in number_changes(text, rng) if c.name not in _OF_TABLES)]
    found = reference_changes(text) if key in ("pose", "target") else id_changes(text)
    # Without an id the page makes one.
    return [c for c in found if c.name not in _OF_TABLES
            and not (key == "shot" and c.name == "empty")]


def _table(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def wrong_request(session, pose, rng):
    """What is wrong with how a changed request for a shot was taken; None if nothing is.

    The folder of the session is as before in the end.
    """
    sound = _SHOT | {"pose": pose}
    body, expected, may, told = dict(sound), dict(sound), False, []
    for key in map(str, rng.choice(list(sound), size=int(rng.integers(1, 3)), replace=False)):
        if rng.random() < 0.1:
            body[key], expected = _ODD[int(rng.integers(len(_ODD)))], None
            told.append((key, repr(body[key])[:20]))
            continue
        options = _changes(key, sound[key], rng)
        change = options[int(rng.integers(len(options)))]
        body[key] = change.text
        told.append((key, change.name))
        may |= change.or_refuse
        if change.value == REFUSE:
            expected = None
        elif expected is not None:
            expected[key] = change.value
    if rng.random() < 0.05:
        body["unheard_of"], expected = "1", None
    sent = json.dumps(body)
    if rng.random() < 0.05:
        sent, expected = sent.replace("{", '{"up": "9", ', 1), None
        told.append("a key twice")
    path = session.notebook.folder / "shots.csv"
    before = {p.name: p.read_bytes() for p in session.notebook.folder.iterdir() if p.is_file()}
    rows = _table(path)
    try:
        ACTIONS["/shots"](session, sent.encode())
    except (InputError, ValidationError, Changed) as error:
        after = {p.name: p.read_bytes() for p in session.notebook.folder.iterdir() if p.is_file()}
        if after != before:
            return f"{told}: refused, and written"
        return None if expected is None or may else f"{told}: refused ({error})"
    now = _table(path)
    path.write_bytes(before["shots.csv"])
    if expected is None:
        return f"{told}: taken as {now[-1]}"
    new = {k: float(v) if k in ("east", "north", "up") else v.strip() for k, v in now[-1].items()
           if k in sound}
    meant = {k: float(v) if k in ("east", "north", "up") else v for k, v in expected.items()}
    return None if now[:-1] == rows and new == meant else f"{told}: {meant} noted as {new}"
