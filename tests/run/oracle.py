"""What a careful person would read in a changed file of a run folder, stated without our reader.

A file is a table of cells. A change of a cell says what a person makes of it: the same value, one
stated value (or that one asks back), or that one asks back. Nothing of the reader's own rules is
used: numbers are made with Decimal.
"""

import json
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from calib.chain.rig import rig_from_dict
from calib.run.complaints import Findings, InputError
from calib.run.observed import read_poses, read_set_ups, read_shots
from calib.run.rig_file import read_rig
from calib.run.shown import read_shown
from calib.run.tape import read_tape
from calib.run.text import decode

from .conftest import RIG, TAPE

REFUSE = "refuse"

_ENDS = (("LF", "\n"), ("CR", "\r"), ("CRLF", "\r\n"))


@dataclass(frozen=True)
class Change:
    """A cell as it is written now, and what a person would make of it.

    `value` is a float or a text, or REFUSE; with `or_refuse` one may ask back instead.
    """

    name: str
    text: str
    value: object
    or_refuse: bool = False


def number_changes(text, rng):
    """Ways to write a number, or what is none any more, and what each means."""
    value = float(Decimal(text))
    digits = text.lstrip("+-")
    sign = "-" if text.startswith("-") else ""
    k = int(rng.integers(len(digits) + 1))
    wide = digits.translate({ord("0") + i: 0xFF10 + i for i in range(10)})
    point = digits if "." in digits else digits + ".0"
    for name, shape in (
        ("spaces around", f"  {text} "), ("quoted", f'"{text}"'), ("quoted wide", f' "{text}" '),
        ("zeros before", f"{sign}00{digits}"), ("zeros behind", f"{sign}{point}000"),
        ("exponent", f"{Decimal(text):.25e}"), ("capital exponent", f"{Decimal(text):.25E}"),
        *((("plus", f"+{digits}"),) if not sign else ()),
    ):
        yield Change(name, shape, value)
    for name, shape in (
        ("Unicode minus", f"\u2212{digits}"), ("en dash", f"\u2013{digits}"),
    ):
        yield Change(name, shape, -abs(value), True)
    for name, shape in (
        ("apostrophe before", f"'{text}"), ("full-width digits", sign + wide),
        ("no-break space around", f"\u00a0{text}\u00a0"),
        ("zero-width space before", f"\u200b{text}"), ("BOM inside", f"\ufeff{text}"),
        ("unit in m", f"{text} m"), ("degree sign", f"{text}°"),
        ("left-to-right mark", f"\u200e{text}"),
    ):
        yield Change(name, shape, value, True)
    for control in "\x00\x07\x0b\x0c\x1b\x7f\x85\x9b\u2028\u202e":
        yield Change(f"control {ord(control):#x}", text[:k] + control + text[k:], REFUSE)
        yield Change(f"control {ord(control):#x} behind", text + control, REFUSE)
    for name, shape in (
        ("empty", ""), ("dash", "-"), ("two signs", f"--{digits}"), ("sign behind", f"{digits}-"),
        ("brackets", f"({digits})"), ("thousands apostrophe", f"1'{int(abs(value)):03d}.5"),
        ("thousands space", f"1 {int(abs(value)) % 1000:03d}.5"), ("underscore", f"{digits}_0"),
        ("thousands comma", f'"1,{int(abs(value)) % 1000:03d}.5"'),
        ("comma", '"' + point.replace(".", ",") + '"'), ("two points", f"{point}.1"),
        ("two points together", point.replace(".", "..")), ("hex", "0x10"), ("octal", "0o17"),
        ("date", "2031-05-04"), ("date of a spreadsheet", "04.May"), ("time", "12:30"),
        ("letter O", digits.replace("0", "O") if "0" in digits else digits + "O"),
        ("letter l", digits + "l"), ("not a number", "NaN"), ("infinite", "inf"),
        ("infinite, signed", "-Infinity"), ("none", "None"), ("n/a", "#N/A"), ("true", "true"),
        ("huge", "1e400"), ("hugest", "9" * 400), ("formula", f"={digits}+1"), ("text", "abc"),
        ("percent", f"{digits}%"), ("feet", f"{digits}'"), ("fraction", f"{digits}½"),
        ("exponent cut", f"{digits}e"), ("complex", f"{digits}j"), ("dms", "12°30'15\""),
        ("very long", "x" * 100_000), ("two numbers", f"{text} {text}"), ("Arabic", "٣٫٥"),
        ("doubled quote", f'"{text}""'), ("open quote", f'"{text}'),
        *((f"{name} in quotes", f'"{digits[:1]}{end}{digits[1:]}"') for name, end in _ENDS),
    ):
        yield Change(name, shape, REFUSE)


def id_changes(text):
    """Ways to write an id that others refer to, or that must be unique."""
    yield Change("spaces around", f"  {text} ", text)
    yield Change("quoted", f'"{text}"', text)
    yield Change("no-break space behind", f"{text}\u00a0", text, True)
    yield Change("empty", "", REFUSE)
    yield Change("control", text[:1] + "\x9b" + text[1:], REFUSE)
    yield Change("form feed", text + "\x0c", REFUSE)
    yield Change("escape", text + "\x1b[31m", REFUSE)
    for name, end in _ENDS:
        yield Change(f"{name} in quotes", f'"{text}{end}"', text, True)
    yield Change("bidi override", "\u202e" + text, REFUSE)
    yield Change("open quote", f'"{text}', REFUSE)


def reference_changes(text):
    """Of an id that must be one of another file."""
    yield from id_changes(text)
    for name, shape in (("zero-width", text + "\u200b"), ("unknown", text + "x"),
                        ("zeros gone", text.lstrip("0") or "00"), ("space inside", text + " a"),
                        ("Cyrillic", text.replace("e", "\u0435"))):
        if shape != text:
            yield Change(name, shape, REFUSE)
    for shape in (text.upper(), text.lower(), text.capitalize()):
        if shape != text:
            yield Change("case", shape, text if shape.casefold() == text.casefold() else REFUSE,
                         True)


UNITS = [Change("case", "MM", "MM", True), Change("word", "metres", REFUSE),
         Change("empty", "", REFUSE), Change("inch", "in", REFUSE),
         Change("us foot", "ft-us", REFUSE)]


class Kind:
    """A file: its cells, which are numbers or references, and our reader of it.

    `read(data)` gives the cells as our reader understood them, by row and column; with a layout
    that is `doubtful` one may ask back.
    """

    doubtful: tuple[str, ...] = ()

    def __init__(self, name, text, numbers, references, read, ids=(), optional=()):
        self.name, self.read, self.optional = name, read, optional
        self.rows = [line.split(",") for line in text.splitlines()]
        self.numbers, self.references, self.ids = numbers, references, ids

    def expected(self):
        return {(r, c): float(Decimal(cell)) if self.rows[0][c] in self.numbers else cell
                for r, row in enumerate(self.rows[1:], 1) for c, cell in enumerate(row)
                if cell and self._kind(c)}

    def _kind(self, column):
        name = self.rows[0][column]
        return next((kind for kind in ("numbers", "references", "ids")
                     if name in getattr(self, kind)), None)

    def changes(self, row, column, rng):
        cell, kind = self.rows[row][column], self._kind(column)
        if self.rows[0][column] == "unit":
            return [*id_changes(cell), *UNITS]
        changes = {"numbers": lambda: number_changes(cell, rng),
                   "references": lambda: reference_changes(cell),
                   "ids": lambda: id_changes(cell)}[kind]()
        optional = self.rows[0][column] in self.optional
        return [c for c in changes if c.name != "empty" or not optional]

    def damaged(self, rng):
        """A changed file, what a person would read (None: ask back), whether one may ask back."""
        rows = [list(row) for row in self.rows]
        expected, may = self.expected(), False
        places = list(expected)
        told = []
        for at in rng.choice(len(places), size=int(rng.integers(1, 3)), replace=False):
            row, column = places[at]
            options = self.changes(row, column, rng)
            change = options[int(rng.integers(len(options)))]
            rows[row][column] = change.text
            told.append((self.rows[0][column], row, change.name))
            if change.value == REFUSE:
                expected = None
            elif expected is not None:
                expected[row, column] = change.value
            may |= change.or_refuse
        text, whole = _laid_out(rows, rng)
        told.append(whole)
        if whole in _BROKEN and whole not in self.doubtful:
            expected = None
        return text, expected, may or whole in self.doubtful, told


_BROKEN = ("column twice", "row cut short", "row too long", "header gone", "row twice",
           "UTF-16 cut", "NUL behind")


def _laid_out(rows, rng):
    """The file's bytes in some layout that makes no difference, or a broken one."""
    kind = int(rng.integers(24))
    rows = [list(r) for r in rows]
    end, lead, encoding, name = "\n", "", "utf-8", "plain"
    if kind == 0:
        end, name = "\r\n", "CRLF"
    elif kind == 1:
        end, name = "\r", "CR"
    elif kind == 2:
        encoding, name = "utf-8-sig", "BOM"
    elif kind == 3:
        encoding, name = "utf-16", "UTF-16"
    elif kind == 4:
        lead, name = "# a remark, with commas\n\n", "remark"
    elif kind == 5:
        order = rng.permutation(len(rows[0]))
        rows, name = [[r[i] for i in order] for r in rows], "columns in another order"
    elif kind == 6:
        rows, name = [[*r, "spare"] for r in rows], "a column more"
    elif kind == 7:
        rows[0], name = [f" {c.upper()} " for c in rows[0]], "capital names"
    elif kind == 8:
        rows, name = [[*r, r[-1]] for r in rows], "column twice"
    elif kind == 9 and any(map(str.strip, rows[-1][:2])):  # nothing in it: an empty row
        rows[-1], name = rows[-1][:2], "row cut short"
    elif kind == 10:
        rows[1], name = [*rows[1], "7"], "row too long"
    elif kind == 11:
        rows, name = rows[1:], "header gone"
    elif kind == 12:
        rows, name = [*rows, rows[-1]], "row twice"
    ends = [end] * len(rows)
    if kind == 15:
        ends, name = ["\n\x0c\n"] * len(rows), "a form feed on a line of its own"
    elif kind == 16:
        ends, name = rng.choice(["\r", "\n", "\r\n"], len(rows)).tolist(), "mixed line ends"
    lines = [",".join(r) + e for r, e in zip(rows, ends, strict=True)]
    data = (lead + "".join(lines)).encode(encoding)
    if kind == 13:
        data, name = data + b"\x00", "NUL behind"
    elif kind == 14:
        data, name = ("\ufeff" + data.decode()).encode("utf-16-le")[:-1], "UTF-16 cut"
    return data, name


def _text(data, name, findings):
    text = decode(data, name, findings)
    findings.stop_if_at_fault()
    return text


def _cells(header, rows):
    return {(r, c): cell for r, row in enumerate(rows, 1) for c, cell in enumerate(row)}


READINGS = ("pose,stand,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n"
            "001,here,0.25,-0.5,30.25,-60.5,10.75,5.5,-120.25\n"
            "002,here,0.5,-0.25,35.5,-70.25,20.5,-5.25,90.75\n"
            "edge,there,1.5,-0.75,25.5,-80.5,-20.25,15.5,45.5\n")
SHOTS = ("shot,pose,target,east,north,up,sd_east,sd_north,sd_up\n"
         "a,001,edge_left,5001.25,1002.5,41.125,0.002,0.003,0.004\n"
         "b,001,edge_right,5001.5,1003.75,41.25,0.002,0.003,0.004\n"
         "c,edge,edge_left,5002.25,1004.5,-1.5,0.002,0.003,0.004\n")
SETUPS = ("setup,east,north,up,orientation,sd_east,sd_north,sd_up,sd_orientation\n"
          "A,18.5,22.25,3.5,217.25,0.002,0.003,0.004,0.05\n"
          "B,34.5,-6.5,2.25,40.5,0.002,0.003,0.001,0.05\n")
SIGHTS = ("setup,point,east,north,up,known_east,known_north,known_up,sd_east,sd_north,sd_up\n"
          "A,CP1,60.5,40.25,2.5,60.25,40.5,2.25,0.002,0.003,0.004\n"
          "B,CP2,61.5,41.25,3.5,61.25,41.5,3.25,0.002,0.003,0.004\n")

SHOWN = ("pose,target,forward,left,up,house_pitch,house_roll,boom,stick,coupler,tilt,rotate\n"
         "a,edge_left,8.125,0.75,-0.5,0.25,-0.5,30.25,-60.5,10.75,5.5,-120.25\n"
         "b,edge_right,7.5,0.25,0.375,0.5,-0.25,35.5,-70.25,20.5,-5.25,90.75\n"
         "c,edge_left,6.5,-0.25,-1.125,1.5,-0.75,25.5,-80.5,-20.25,15.5,45.5\n")


def kinds():
    """Every table of a run folder, with our reader of it."""
    rig = rig_from_dict(_toml(RIG))
    findings = Findings()
    poses = read_poses(READINGS, "readings.csv", rig, findings)
    axes, sds = ["east", "north", "up"], ["sd_east", "sd_north", "sd_up"]

    def readings(data):
        told = Findings()
        read = read_poses(_text(data, "readings.csv", told), "readings.csv", rig, told)
        told.stop_if_at_fault()
        angles = np.degrees(read.readings).tolist()
        return _cells(READINGS, [[p, s, *a] for p, s, a in
                                 zip(read.ids, read.stand, angles, strict=True)])

    def shots(needed):
        def read(data):
            told = Findings()
            found = read_shots(_text(data, "shots.csv", told), "shots.csv", rig, poses, None, told,
                               needed=needed)
            told.stop_if_at_fault()
            sd = np.sqrt(np.einsum("nii->ni", found.covariance))
            return _cells(SHOTS, [
                [i, poses.ids[p], rig.target_names[t], *at, *s] for i, p, t, at, s in
                zip(found.ids, found.pose, found.target, found.position.tolist(), sd.tolist(),
                    strict=True)])
        return read

    def tape(data):
        told = Findings()
        read = read_tape(_text(data, "tape.csv", told), "tape.csv", rig, told)
        told.stop_if_at_fault()
        factor = {"mm": 1000, "ft": 1 / 0.3048, "deg": np.degrees(1.0), "m": 1.0}
        return _cells(TAPE, [
            [q, v * factor[u.casefold()], s * factor[u.casefold()], u] for q, v, s, u in
            zip(read.quantities, read.value, read.sd, read.unit, strict=True)])

    def setups(data):
        told = Findings()
        read = read_set_ups(_text(data, "setups.csv", told), "setups.csv", None, "", told)
        told.stop_if_at_fault()
        turn = np.array([1, 1, 1, np.degrees(1.0)])
        values = np.column_stack([read.position, read.orientation]) * turn
        return _cells(SETUPS, [[i, *v, *s] for i, v, s in zip(
            read.ids, values.tolist(), (read.sd * turn).tolist(), strict=True)])

    def sights(data):
        told = Findings()
        read = read_set_ups(SETUPS, "setups.csv", _text(data, "backsights.csv", told),
                            "backsights.csv", told)
        told.stop_if_at_fault()
        sd = np.sqrt(np.einsum("nii->ni", read.sight_covariance))
        return _cells(SIGHTS, [
            [read.ids[s], p, *at, *known, *e] for s, p, at, known, e in
            zip(read.sight_setup, read.sight_point, read.sight.tolist(), read.known.tolist(),
                sd.tolist(), strict=True)])

    def shown(data):
        told = Findings()
        read = read_shown(_text(data, "shown.csv", told), "shown.csv", rig, told)
        told.stop_if_at_fault()
        angles = np.degrees(read.readings).tolist()
        return _cells(SHOWN, [
            [read.poses[p], rig.target_names[t], *at, *angles[p]] for p, t, at in
            zip(read.pose, read.target, read.position.tolist(), strict=True)])

    names = READINGS.split("\n")[0].split(",")[2:]
    known = [f"known_{a}" for a in axes]
    return [
        Kind("readings.csv", READINGS, names, [], readings, ids=["pose", "stand"]),
        # An empty sd has a meaning of its own: that of the rig, or none.
        Kind("shots.csv", SHOTS, axes + sds, ["pose", "target"], shots(True), ids=["shot"],
             optional=sds),
        Kind("check.csv", SHOTS, axes + sds, ["pose", "target"], shots(False), ids=["shot"],
             optional=sds),
        Kind("tape.csv", TAPE, ["value", "sd"], ["quantity"], tape, ids=["unit"]),
        Kind("setups.csv", SETUPS, [*axes, "orientation", *sds, "sd_orientation"], [], setups,
             ids=["setup"], optional=[*sds, "sd_orientation"]),
        Kind("backsights.csv", SIGHTS, axes + known + sds, ["setup"], sights, ids=["point"]),
        # A display need not show all three.
        Kind("shown.csv", SHOWN, ["forward", "left", "up", *names], ["target"], shown,
             ids=["pose"], optional=["forward", "left", "up"]),
    ]


def wrong(kind, rng):
    """What is wrong with how our reader took one changed file; None if nothing is."""
    data, expected, may, told = kind.damaged(rng)
    try:
        found = kind.read(data)
    except InputError:
        return None if expected is None or may else f"{told}: refused {data[:300]!r}"
    if expected is None:
        return f"{told}: read {data[:300]!r}"
    for place, value in expected.items():
        same = (found.get(place) == value if isinstance(value, str) or place not in found
                or isinstance(found[place], str)
                else abs(found[place] - value) <= 1e-12 * max(1.0, abs(value)))
        if not same:
            return f"{told}: {value!r} read as {found.get(place)!r} at {place}"
    return None


#: A value of rig.toml and of result.json as it may be written, and what a person reads.
SPELLINGS = [
    ("0.25", 0.25), ("+0.25", 0.25), ("2.5e-1", 0.25), ("25E-2", 0.25), ("0.250000", 0.25),
    ("0,25", REFUSE), (".25", REFUSE), ("0.25.1", REFUSE), ("00.25", REFUSE), ("0.25 m", REFUSE),
    ('"0.25"', REFUSE), ("true", REFUSE), ("null", REFUSE), ("nan", REFUSE), ("inf", REFUSE),
    ("NaN", REFUSE), ("-Infinity", REFUSE), ("1e400", REFUSE), ("[0.25]", REFUSE),
    ("{}", REFUSE), ("2031-05-04", REFUSE), ("\u22120.25", REFUSE), ("0.25\x85", REFUSE),
    ("0.25\x00", REFUSE), ("", REFUSE), ("'0.25'", REFUSE),
    ("0.25\u202e", REFUSE),
    ("9" * 5000, REFUSE), ("0.2_5", "toml"), ("0.25 # note", "toml"), ("0.25\t", 0.25),
]


def spelt(spelling, value, toml):
    """What a person reads: TOML has underscores and remarks, JSON no plus sign."""
    if value == "toml":
        return 0.25 if toml else REFUSE
    if spelling.startswith("+") and not toml:
        return REFUSE
    return value


def _toml(text):
    import tomllib
    return tomllib.loads(text)


def rig_sd(spelling, key):
    """The sd that our reader takes from a rig file in which `key` is spelt so; REFUSE."""
    lines = [f"{key} = {spelling}" if line.startswith(f"{key} =") else line
             for line in RIG.splitlines()]
    told = Findings()
    text = decode("\n".join(lines).encode(), "rig.toml", told)
    rig = None if text is None else read_rig(text, "rig.toml", told)
    if told.complaints:
        return REFUSE
    return float(np.degrees(rig.readings[rig.reading_names.index(key)].sd))


def json_with(document, place, spelling):
    """The document's text with the number at `place` spelt so."""
    marked = json.loads(json.dumps(document))
    inner = marked
    for part in place[:-1]:
        inner = inner[part]
    inner[place[-1]] = "@here@"
    return json.dumps(marked).replace('"@here@"', spelling)
