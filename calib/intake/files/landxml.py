"""CgPoints of a LandXML file (open standard, www.landxml.org).

Read with the expat parser of the standard library, one event after the other. A document type or
an entity is refused: survey files need neither, and they are how XML files do harm.
"""

import re
from dataclasses import dataclass
from xml.parsers import expat

import numpy as np

from calib.intake.files.field_units import to_metres
from calib.run.complaints import Findings, quote
from calib.run.table import MEASURED, Column, numbers_in
from calib.run.text import CONTROL

UNITS = {"meter": "m", "metre": "m", "millimeter": "mm", "ussurveyfoot": "ft-us", "foot": "ft"}
"""Units of length as the standard calls them; "ft" is either foot."""


@dataclass(frozen=True)
class CgPoints:
    """Points as the file has them, in m."""

    names: tuple[str, ...]
    north_east_up: np.ndarray
    descriptions: tuple[str, ...]
    times: tuple[str, ...]
    raw: tuple[str, ...]
    lines: tuple[int, ...]


def is_landxml(data: bytes) -> bool:
    """Whether the content begins like XML."""
    head = data[:400].lstrip(b"\xef\xbb\xbf \t\r\n")
    return head.startswith((b"<?xml", b"<LandXML"))


def read_landxml(data: bytes, file: str, unit: str, findings: Findings) -> CgPoints | None:
    """Read the CgPoints.

    Parameters
    ----------
    unit : str
        As declared. A linear unit that the file states must agree; "foot" agrees with either foot.

    Returns
    -------
    CgPoints or None
        None after a complaint about the file as a whole.
    """
    reader = _Reader()
    try:
        reader.parse(data)
    except expat.ExpatError as error:
        findings.complain(file, error.lineno, None, "XML that breaks off or is damaged ("
                          + expat.errors.messages[error.code] + ")", "well-formed XML")
        return None
    except _Refused as error:
        findings.complain(file, error.line, None, error.found,
                          "LandXML without a document type or entities")
        return None
    if reader.root != "LandXML":
        findings.complain(file, None, None, f"a document of type {quote(reader.root or '')}",
                          "LandXML")
        return None
    _check_unit(reader.unit, file, unit, findings)
    before = len(findings.complaints)
    points: list[tuple] = []
    for line, about, text in reader.points:
        cells = re.findall(r"[^ \t\r\n]+", text)
        if cells or not about.get("pntRef"):
            points.append((line, *_named(about, cells, line, file, findings), cells))
    if len(points) < len(reader.points):
        findings.note(file, f"{len(reader.points) - len(points)} CgPoint(s) that only refer to "
                      "others: not used")
    if not points:
        findings.complain(file, None, None, "no CgPoint with coordinates", "at least one")
    if not points or len(findings.complaints) > before:
        return None
    lines, names, descriptions, times, rows = zip(*points, strict=True)
    position = np.column_stack([
        numbers_in(column, lines, Column(axis, MEASURED), file, ".", findings)
        for axis, column in zip(("north", "east", "up"), zip(*rows, strict=True), strict=True)])
    return CgPoints(names, to_metres(position, unit), descriptions, times,
                    tuple(map(" ".join, rows)), lines)


def _named(about, cells, line, file, findings):
    """Name, description and time of a point; complains of them, and of how many numbers it has."""
    point = about.get("name") or about.get("oID") or ""
    description = about.get("desc") or about.get("code") or ""
    time = about.get("timeStamp", "")
    if not point:
        findings.complain(file, line, "name", "nothing", "a name of the point")
    for name, text in (("name", point), ("desc", description), ("timeStamp", time)):
        if CONTROL.search(text):
            findings.complain(file, line, name, quote(text),
                              "text without invisible control characters")
    if len(cells) != 3:
        findings.complain(file, line, None, f"{len(cells)} numbers in CgPoint {quote(point)}",
                          "three: north, east, height")
    return point, description, time


def _check_unit(said, file, unit, findings):
    if said is None:
        findings.note(file, f"states no linear unit: {unit} taken, as declared")
        return
    line, stated = said
    known = UNITS.get(stated.casefold())
    if known == "ft" and unit.startswith("ft"):
        findings.note(file, f"says foot; read as {unit}, as declared", line)
    elif known != unit:
        findings.complain(file, line, "linearUnit", quote(stated), f"the declared unit {unit}")


class _Refused(Exception):
    def __init__(self, line, found):
        self.line, self.found = line, found
        super().__init__(found)


class _Reader:
    """Collects CgPoints from expat's events. Not for outside use."""

    def __init__(self):
        self.root: str | None = None
        self.unit: tuple[int, str] | None = None
        #: Line, attributes and text of each.
        self.points: list[tuple[int, dict[str, str], str]] = []
        self._open: tuple[int, dict[str, str], list[str]] | None = None

    def parse(self, data):
        parser = self._parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = lambda *_: self._refuse("a document type")
        parser.EntityDeclHandler = lambda *_: self._refuse("an entity")
        parser.Parse(data, True)

    def _refuse(self, found):
        raise _Refused(self._parser.CurrentLineNumber, found)

    def _start(self, name, attributes):
        name = name.rpartition(" ")[2]
        self.root = self.root or name
        if name in ("Metric", "Imperial") and "linearUnit" in attributes:
            self.unit = (self._parser.CurrentLineNumber, attributes["linearUnit"])
        if name == "CgPoint":
            self._open = (self._parser.CurrentLineNumber, attributes, [])

    def _characters(self, text):
        if self._open is not None:
            self._open[2].append(text)

    def _end(self, name):
        if name.rpartition(" ")[2] == "CgPoint" and self._open is not None:
            line, attributes, text = self._open
            self.points.append((line, attributes, "".join(text)))
            self._open = None
