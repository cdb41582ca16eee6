"""What is written in any dialect is read back the same."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.intake.declaration import declare, profile_toml, read_profile
from calib.intake.files.columns import parse_order
from calib.intake.files.field_units import METRES, to_metres
from calib.intake.files.points import read_points
from calib.run.complaints import Findings
from calib.run.text import CONTROL

DELIMITERS = {",": ["."], ";": [".", ","], "\t": [".", ","], " ": ["."]}
HEADERS = {"point": ["Point", "PT_ID", "name"], "north": ["Northing", "N", "North (x)"],
           "east": ["Easting", "E"], "up": ["Elevation", "Z", "height"],
           "description": ["Code", "Desc", "note"]}

#: A name of a column: no file with a control character in it is read.
seen = st.text(min_size=1, max_size=9).filter(lambda text: not CONTROL.search(text))
ids = st.text("ABCabc0123456789-_äØ", min_size=1, max_size=8)
coordinate = st.decimals(-9_999_999, 9_999_999, places=4).map(lambda d: f"{d:.4f}")
rows = st.lists(st.tuples(ids, coordinate, coordinate, coordinate, st.sampled_from(
    ["edge", "L corner", "", "wet, windy", 'the "left"'])), min_size=2, max_size=8)


@st.composite
def dialects(draw):
    """Delimiter, decimal mark, order, encoding, line end, header and quoting."""
    delimiter = draw(st.sampled_from(sorted(DELIMITERS)))
    return {
        "delimiter": delimiter,
        "decimal": draw(st.sampled_from(DELIMITERS[delimiter])),
        "order": draw(st.sampled_from(["PNEZD", "PENZD", "NEZPD", "ZNEPD"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "header": draw(st.booleans()),
        "quote": draw(st.booleans()),
        "unit": draw(st.sampled_from(sorted(METRES))),
    }


def cell(text, number, dialect):
    """A cell as this dialect writes it."""
    if number and dialect["decimal"] == ",":
        text = text.replace(".", ",")
    if dialect["quote"] or text == "" or any(c in text for c in dialect["delimiter"] + '" '):
        return '"' + text.replace('"', '""') + '"'
    return text


def written(points, dialect):
    """The bytes of a file."""
    order = parse_order(dialect["order"])
    lines = []
    if dialect["header"]:
        lines.append([HEADERS[name][0] for name in order])
    for point, north, east, up, description in points:
        by_name = {"point": point, "north": north, "east": east, "up": up,
                   "description": description}
        lines.append([cell(by_name[n], n in ("north", "east", "up"), dialect) for n in order])
    text = "".join(dialect["delimiter"].join(line) + dialect["end"] for line in lines)
    return text.encode(dialect["encoding"])


@settings(max_examples=120, deadline=None)
@given(rows, dialects())
def test_any_dialect_is_read_back_the_same(points, dialect):
    """Ids are the same text and coordinates the same numbers; no dialect is asked about."""
    declared = declare({
        "unit": dialect["unit"], "frame": "ground", "pole": "applied",
        **({} if dialect["header"] else {"order": dialect["order"]}),
    })
    findings = Findings()
    found = read_points(written(points, dialect), "f.txt", declared, findings)
    assert not findings.complaints, str(findings.complaints[0])
    assert found.ids == tuple(p[0] for p in points)
    assert found.description == tuple(p[4].strip() for p in points)
    numbers = np.array([[float(p[2]), float(p[1]), float(p[3])] for p in points])
    np.testing.assert_array_equal(found.position, to_metres(numbers, dialect["unit"]))


@settings(max_examples=60, deadline=None)
@given(rows, dialects())
def test_a_stated_dialect_is_never_asked_about(points, dialect):
    """With delimiter and decimal mark stated there is nothing to ask, whatever the content."""
    names = {",": "comma", ";": "semicolon", "\t": "tab", " ": "space"}
    declared = declare({
        "unit": "m", "frame": "ground", "pole": "applied", "order": dialect["order"],
        "delimiter": names[dialect["delimiter"]],
        "decimal": {".": "point", ",": "comma"}[dialect["decimal"]],
    })
    findings = Findings()
    found = read_points(written(points, dialect), "f.txt", declared, findings)
    assert not findings.complaints, str(findings.complaints[0])
    assert found.ids == tuple(p[0] for p in points)


@settings(max_examples=100, deadline=None)
@given(
    st.fixed_dictionaries({}, optional={
        "order": st.sampled_from(["PNEZD", "point,-,east,north,up"]),
        "unit": st.sampled_from(sorted(METRES)),
        "frame": st.sampled_from(["ground", "grid"]),
        "factor": st.floats(0.99, 1.01),
        "about": st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)),
        "pole": st.one_of(st.sampled_from(["applied", "column"]), st.floats(0, 5)),
        "targets": st.dictionaries(st.text("LRabc =\"'", min_size=1, max_size=5),
                                   st.sampled_from(["edge_left", "edge_right"]), max_size=3),
        "log": st.fixed_dictionaries({"window": st.floats(0.1, 60)}, optional={
            "readings": st.dictionaries(st.sampled_from(["boom", "stick"]),
                                        seen, max_size=2),
            "clock_offset": st.one_of(st.just("estimate"), st.floats(-100, 100))}),
        "instrument": st.just({"direction": "5 arcsec", "zenith": "1 mgon",
                               "distance": "2 mm + 2 ppm"}),
    }))
def test_profile_is_read_back_the_same(given_fields):
    """A saved profile declares exactly what was declared."""
    declared = declare(given_fields)
    assert read_profile(profile_toml(declared).encode("utf-8"), "p.toml") == declared
