"""What a careful person would read in a changed LandXML file, stated without our reader."""

from xml.sax.saxutils import escape, quoteattr

from calib.intake.files.landxml import read_landxml
from calib.run.complaints import Findings, InputError
from tests.run.oracle import REFUSE, id_changes, number_changes

_POINTS = (("1-left", "edge", ("1002.5", "5001.25", "41.125")),
           ("1-right", "edge", ("1003.75", "5001.5", "-1.25")),
           ("2-left", "pin", ("0.5", "-12.25", "41.5")))

#: In a cell of a table quotes are none of the value, and a comma parts cells; here they are not.
_OF_TABLES = ("quoted", "quoted wide", "doubled quote", "open quote", "comma", "thousands comma")


def _damaged(rng):
    """Text, what a person would read (None: ask back), whether one may ask back, what was done."""
    points = [[name, code, *cells] for name, code, cells in _POINTS]
    expected = {(r, c): float(cell) if c > 1 else cell
                for r, row in enumerate(points) for c, cell in enumerate(row)}
    may, told = False, []
    for at in rng.choice(15, size=int(rng.integers(1, 3)), replace=False):
        row, column = divmod(int(at), 5)
        cell = points[row][column]
        options = [c for c in (number_changes(cell, rng) if column > 1 else id_changes(cell))
                   if c.name not in _OF_TABLES and c.name != "empty"]
        change = options[int(rng.integers(len(options)))]
        points[row][column] = change.text
        told.append((row, column, change.name))
        if change.value == REFUSE:
            expected = None
        elif expected is not None:
            expected[row, column] = change.value
        may |= change.or_refuse
    unit, broken, lead, tail = "meter", None, '<?xml version="1.0"?>', ""
    kind = int(rng.integers(14))
    if kind == 0:
        unit, broken = "ussurveyfoot", "another unit"
    elif kind == 1:
        lead, broken = '<!DOCTYPE a [<!ENTITY b "c">]>', "a document type"
    elif kind == 2:
        tail, broken = "&b;", "an entity"
    elif kind == 3:
        tail, broken = "<CgPoint name='x'>1 2</CgPoint>", "two numbers"
    elif kind == 4:
        tail, broken = "<CgPoint>1 2 3</CgPoint>", "no name"
    elif kind == 5:
        tail, broken = "<CgPoints>", "not closed"
    elif kind == 6:
        tail = '<CgPoint pntRef="1-left"/><!-- <CgPoint name="y">1 2 3</CgPoint> -->'
    elif kind == 7:
        lead += "\r\n<?note x?>"
    elif kind == 8:
        lead, broken = '<!DOCTYPE a SYSTEM "file:///etc/passwd">', "an external reference"
    body = "".join(f"<CgPoint name={quoteattr(n)} desc={quoteattr(d)}>{escape(' '.join(c))}"
                   "</CgPoint>\n" for n, d, *c in points)
    text = (f'{lead}<LandXML><Units><Metric linearUnit="{unit}"/></Units><CgPoints>\n{body}{tail}'
            "</CgPoints></LandXML>")
    told.append(broken or "sound")
    return text, None if broken else expected, may, told


def wrong_landxml(rng):
    """What is wrong with how our reader took one changed file; None if nothing is."""
    text, expected, may, told = _damaged(rng)
    findings = Findings()
    found = read_landxml(text.encode(), "a.xml", "m", findings)
    try:
        findings.stop_if_at_fault()
    except InputError as error:
        assert all(line.isprintable() for line in str(error).split("\n")), told
        return None if expected is None or may else f"{told}: refused ({error})"
    if expected is None:
        return f"{told}: read"
    read = {(r, c): v for r, row in enumerate(zip(
        found.names, found.descriptions, *found.north_east_up.T.tolist(), strict=True))
        for c, v in enumerate(row)}
    for place, value in expected.items():
        got = read[place]
        if got.strip() != value if isinstance(value, str) else got != value:
            return f"{told}: {value!r} read as {got!r}"
    return None
