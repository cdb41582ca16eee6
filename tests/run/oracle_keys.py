"""What a careful person would read in a changed TOML file, stated without our readers.

A sound file has a key and a value on each line. A change of a value says what a person makes of it,
as in `oracle`; so does what happens to lines: keys lost, twice, unknown, the file cut or written
in another layout.
"""

import tempfile
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from calib.chain.rig import rig_from_dict
from calib.entries.schema import SIZE
from calib.intake.declaration import read_profile
from calib.run.complaints import Findings, InputError
from calib.run.entries_file import read_entries
from calib.run.rig_file import read_rig
from calib.run.text import decode
from calib.run.together_file import read_several
from tests.run.conftest import RIG
from tests.run.oracle import REFUSE, SPELLINGS, Change

#: A text as it may be written; {} is the text between its quotes.
TEXTS = [
    Change("plain", '"{}"', "{}"), Change("literal", "'{}'", "{}"),
    Change("long quotes", '"""{}"""', "{}"), Change("remark", '"{}" # a "remark"', "{}"),
    Change("escaped", '"{escaped}"', "{}"), Change("blanks around", '  "{}"\t', "{}"),
    Change("blanks inside", '" {} "', "{}", True),
    *(Change(f"control {c}", f'"{{}}{c}"', REFUSE)
      for c in ("\\u0085", "\\u001b[31m", "\\u009b", "\\u202e", "\\u2028", "\\u0000", "\x00",
                "\x07", "\x85", "\u202e", "\\n")),
    Change("no quotes", "{}", REFUSE), Change("open", '"{}', REFUSE), Change("none", "", REFUSE),
    Change("empty", '""', REFUSE), Change("surrogate", '"{}\\ud800"', REFUSE),
    Change("list", '["{}"]', REFUSE), Change("table", '{{ a = "{}" }}', REFUSE),
    Change("flag", "true", REFUSE), Change("not a number", "nan", REFUSE),
    Change("escape unknown", '"{}\\x41"', REFUSE), Change("twice", '"{}" "{}"', REFUSE),
]
#: Of a text that must be one of some words.
WORDS = [*TEXTS, Change("unknown", '"{}x"', REFUSE), Change("zero-width", '"{}\u200b"', REFUSE),
         Change("number", "7", REFUSE), Change("Cyrillic", '"{}\u0435"', REFUSE)]


_parsed = cache(tomllib.loads)


@dataclass(frozen=True)
class Kind:
    """A TOML file: sound text, our reader of it, and which keys may be left out.

    ``read(data)`` gives the values as our reader understood them, by path. Values of `free` are any
    text, other texts one of some words; without `optional` a key is needed. `alone` texts may be
    empty.
    """

    name: str
    text: str
    read: Callable[[bytes], Mapping[str, object]]
    free: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    may: tuple[str, ...] = ()

    def places(self):
        """Line, path, whether a number; of every line with one."""
        table, found = "", []
        count: dict[str, int] = {}
        for number, line in enumerate(self.text.splitlines()):
            if line.startswith("[["):
                name = line.strip("[]")
                count[name] = count.get(name, -1) + 1
                table = f"{name}.{count[name]}."
            elif line.startswith("["):
                table = line[1:].partition("]")[0] + "."
            elif "=" in line:
                key, _, value = line.partition(" = ")
                if value[0] in '"0123456789-':
                    found.append((number, table + key.strip('"'), value[0] != '"'))
        return found

    def value(self, path):
        inner = _parsed(self.text)
        for part in path.split("."):
            inner = inner[int(part)] if isinstance(inner, list) else inner[part]
        return inner

    def expected(self):
        return {path: self.value(path) for _, path, _ in self.places()}

    def damaged(self, rng):
        """A changed file, what a person would read (None: ask back), whether one may ask back."""
        lines, expected, may, told = self.text.splitlines(), self.expected(), False, []
        places = self.places()
        lost = places.pop(int(rng.integers(len(places)))) if rng.random() < 0.05 else None
        for at in rng.choice(len(places), size=int(rng.integers(1, 3)), replace=False):
            line, path, is_number = places[at]
            key = lines[line].partition(" = ")[0]
            change = (_number_change(self.value(path), rng) if is_number else
                      _text_change(self.value(path), WORDS if path.split(".")[-1] not in self.free
                                   else TEXTS, rng))
            told.append((path, change.name))
            lines[line] = f"{key} = {change.text}"
            if change.name == "empty" and path.split(".")[-1] in self.may:
                may, expected = True, expected and {p: v for p, v in expected.items() if p != path}
            elif change.value is REFUSE or change.value == REFUSE:
                expected = None
            elif expected is not None:
                expected[path] = change.value
            may |= change.or_refuse
        if lost is not None:
            del lines[lost[0]]
            told.append(f"without {lost[1]}")
            needed = lost[1].split(".")[-1] not in self.optional
            expected = None if needed or expected is None else {
                p: v for p, v in expected.items() if p != lost[1]}
        data, broken = self._laid_out(lines, rng)
        told.append(broken or "sound")
        return data, None if broken else expected, may, told

    def _laid_out(self, lines, rng):
        """The file's bytes in some layout, and why nobody can read it; None if one can."""
        kind, line = int(rng.integers(22)), int(rng.integers(len(lines)))
        while "=" not in lines[line]:
            line -= 1
        text = "\n".join(lines) + "\n"

        def inserted(*more):
            return "\n".join([*lines[:line], *more, *lines[line:], ""]).encode()

        layouts = {
            0: (text.replace("\n", "\r\n").encode(), None), 1: (text.encode("utf-8-sig"), None),
            2: (('# a remark, [with] = "signs"\n\n' + text).encode(), None),
            3: (inserted(lines[line]), "key twice"), 4: (inserted("unheard_of = 1"), "key more"),
            5: (text.encode() + b"\x00", "NUL"), 6: (text.encode() + b"\xff\xfe\x00", "bytes"),
            7: (text.encode() + b"[unheard_of]\na = 1\n", "table more"),
            8: ((text + "a" + ".a" * int(rng.integers(40, 9000)) + " = 1\n").encode(), "deep"),
            9: ((text + "a = " + "[" * 30_000 + "\n").encode(), "brackets"),
        }
        return layouts.get(kind, (text.encode(), None))


def _number_change(value, rng):
    spelling, meant = SPELLINGS[int(rng.integers(len(SPELLINGS)))]
    if meant == "toml":
        meant = 0.25
    if isinstance(meant, float):  # the same ways to write, of this value
        shown = repr(float(value))
        spelling = {"0.25": shown, "+0.25": f"+{abs(float(value))!r}", "2.5e-1": f"{value:.17e}",
                    "25E-2": f"{value:.17E}", "0.250000": shown + "0000", "0.2_5": shown,
                    "0.25 # note": shown + " # note", "0.25\t": shown + "\t"}[spelling]
        meant = abs(float(value)) if spelling.startswith("+") else float(value)
    return Change(spelling[:20], spelling, meant)


def _text_change(text, changes, rng):
    change = changes[int(rng.integers(len(changes)))]
    escaped = "".join(f"\\u{ord(c):04x}" for c in text)
    written = change.text.replace("{escaped}", escaped).replace("{}", text).replace("{{", "{")
    # TOML knows dates by themselves.
    refused = change.value == REFUSE and not (change.name == "no quotes" and text[:2] == "20")
    meant = REFUSE if refused else text
    return Change(change.name, written.replace("}}", "}"), meant, change.or_refuse)


def wrong(kind, rng):
    """What is wrong with how our reader took one changed file; None if nothing is."""
    data, expected, may, told = kind.damaged(rng)
    try:
        found = kind.read(data)
    except InputError as error:
        assert all(line.isprintable() for line in str(error).split("\n")), told
        return None if expected is None or may else f"{told}: refused ({error})"
    if expected is None:
        return f"{told}: read"
    for path, value in expected.items():
        got = found.get(path, "not there")
        same = got in (value, f" {value} ") if isinstance(value, str) or isinstance(got, str) else \
            abs(got - value) <= 1e-12 * max(1.0, abs(value))
        if not same:
            return f"{told}: {value!r} read as {got!r} at {path}"
    return None


ENTRIES = """\
title = "Invented list"

[known]
tilt_axis_side = 0.25
tilt_axis_yaw = -0.5

[[entry]]
name = "Main boom"
unit = "mm"
sign = 1
plus = 2.5
round = 0.5
is = "boom_length"

[[entry]]
name = "Edge, out"
unit = "deg"
sign = -1
plus = 180.0
is = "boom_zero"
"""
PLAN = """\
[[runs]]
folder = "one"
attachment = "digging bucket"
day = "2031-05-04"
set_aside = "suspects"

[[runs]]
folder = "two"
attachment = "grading bucket"
day = "2031-05-05"

[scopes]
boom_zero = "day"
"""
PROFILE = """\
unit = "m"
frame = "grid"
factor = 0.9996
pole = 1.85
ids = "{pose}-{target}"
others = "leave-out"
time_format = "%d.%m.%Y %H:%M:%S"

[targets]
"left" = "edge_left"

[log]
window = 2.5
still = 0.25
"""
MORE = RIG + """
[values]
boom_length = 5.75

[ranges]
stick_length = [2.0, 4.0]

[marks.left_antenna]
on = "house"
near = [-1.6, 0.9, 1.7]
sd = 0.01

[job]
machine = "an invented one"
place = "yard 3"
"""


def kinds():
    """Every TOML file that we read."""
    rig = rig_from_dict(tomllib.loads(RIG))

    def text_of(data, name):
        told = Findings()
        text = decode(data, name, told)
        told.stop_if_at_fault()
        return text

    def entries(data):
        told = Findings()
        listed = read_entries(text_of(data, "entries.toml"), "entries.toml", rig, told)
        told.stop_if_at_fault()
        found = {"title": listed.title, **{
            f"known.{n}": v / SIZE["deg"] if n.endswith("yaw") else v
            for n, v in listed.known.items()}}
        for i, e in enumerate(listed.entries):
            found |= {f"entry.{i}.{k}": v for k, v in (
                ("name", e.name), ("unit", e.unit), ("sign", e.sign), ("plus", e.plus),
                ("round", e.step), ("is", next(iter(e.weights))))}
        return found

    folder = tempfile.TemporaryDirectory(prefix="calib-oracle-")

    def together(data):
        path = Path(folder.name) / "runs.toml"
        path.unlink(missing_ok=True)  # a file written over is flushed to the disk: 50 times slower
        path.write_bytes(data)
        several = read_several(path)
        found = {f"scopes.{n}": s for n, s in several.scopes.items()}
        for i, e in enumerate(several.entries):
            found |= {f"runs.{i}.{k}": getattr(e, k)
                      for k in ("folder", "attachment", "day", "set_aside")}
        return found

    def profile(data):
        declared = read_profile(data, "import.toml")
        return {**{k: v for k, v in vars(declared).items() if not isinstance(v, dict)},
                **{f"targets.{k}": v for k, v in declared.targets.items()},
                **{f"log.{k}": v for k, v in vars(declared.log).items()}}

    def more(data):
        told = Findings()
        read = read_rig(text_of(data, "rig.toml"), "rig.toml", told)
        told.stop_if_at_fault()
        parameters = {p.name: p for p in read.parameters}
        mark = read.definition["targets"]["left_antenna"]
        return {"template": read.name,
                **{f"readings.sd.{r.name}": float(np.degrees(r.sd)) for r in read.readings
                   if r.sd is not None},
                "values.boom_length": parameters["boom_length"].start,
                "marks.left_antenna.on": mark["frame"],
                "marks.left_antenna.sd": parameters["left_antenna_ahead"].tape_sd,
                **{f"job.{k}": v for k, v in read.job.items()}}

    return [
        Kind("entries.toml", ENTRIES, entries, free=("title", "name"), may=("title",),
             optional=("title", "sign", "plus", "round", "tilt_axis_side", "tilt_axis_yaw")),
        Kind("runs.toml", PLAN, together,
             free=("folder", "attachment", "day", "set_aside", "boom_zero"),
             may=("boom_zero",), optional=("attachment", "day", "set_aside", "boom_zero")),
        Kind("import.toml", PROFILE, profile, free=("ids", "time_format", "left"), may=("left",),
             optional=("unit", "frame", "factor", "pole", "ids", "others", "time_format", "left",
                       "window", "still")),
        Kind("rig.toml", MORE, more, free=("machine", "place"), may=("machine", "place"),
             optional=("house_pitch", "house_roll", "boom", "stick", "coupler", "tilt", "rotate",
                       "boom_length", "sd", "machine", "place")),
    ]
