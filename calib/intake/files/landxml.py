"""CgPoints of a LandXML file (open standard, www.landxml.org).

Read with the expat parser of the standard library, one event after the other. A document type or
an entity is refused: survey files need neither, and they are how XML files do harm.
"""

import re
from dataclasses import dataclass
from xml.parsers import expat

import numpy as np

from calib.intake.files.lengths import to_metres
from calib.run.complaints import Findings, quote
from calib.run.numerals import DROPPED, NotANumber, dropped_digits, parse_number
from calib.run.text import CONTROL

_UNITS = {"meter": "m", "metre": "m", "millimeter": "mm", "ussurveyfoot": "ft-us"}
_MOST_COMPLAINTS = 50


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
    reader = _Reader(file, findings)
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
    _check_unit(reader, file, unit, findings)
    if reader.references:
        findings.note(file, f"{reader.references} CgPoint(s) that only refer to others: not used")
    if not reader.points:
        if not findings.complaints:
            findings.complain(file, None, None, "no CgPoint with coordinates", "at least one")
        return None
    names, coordinates, descriptions, times, raw, lines = zip(*reader.points, strict=True)
    return CgPoints(names, to_metres(np.array(coordinates), unit), descriptions, times, raw,
                    lines)


def _check_unit(reader, file, unit, findings):
    line, stated = reader.unit if reader.unit else (None, None)
    if stated is None:
        findings.note(file, f"states no linear unit: {unit} taken, as declared")
    elif stated.casefold() == "foot":
        if not unit.startswith("ft"):
            findings.complain(file, line, "linearUnit", quote(stated), f"the declared unit {unit}")
        else:
            findings.note(file, f"says foot; read as {unit}, as declared", line)
    elif _UNITS.get(stated.casefold()) != unit:
        findings.complain(file, line, "linearUnit", quote(stated), f"the declared unit {unit}")


class _Refused(Exception):
    def __init__(self, line, found):
        self.line, self.found = line, found
        super().__init__(found)


class _Reader:
    """Collects CgPoints from expat's events. Not for outside use."""

    def __init__(self, file, findings):
        self.file, self.findings = file, findings
        self.root: str | None = None
        self.unit: tuple[int, str] | None = None
        self.points: list[tuple] = []
        self.references = 0
        self._open: tuple[int, dict[str, str]] | None = None
        self._text: list[str] = []

    def parse(self, data):
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.EntityDeclHandler = self._refuse_entity
        self._parser = parser
        parser.Parse(data, True)

    def _refuse_doctype(self, *_):
        raise _Refused(self._parser.CurrentLineNumber, "a document type")

    def _refuse_entity(self, *_):
        raise _Refused(self._parser.CurrentLineNumber, "an entity")

    def _start(self, name, attributes):
        name = name.rpartition(" ")[2]
        if self.root is None:
            self.root = name
        if name in ("Metric", "Imperial") and "linearUnit" in attributes:
            self.unit = (self._parser.CurrentLineNumber, attributes["linearUnit"])
        if name == "CgPoint":
            self._open = (self._parser.CurrentLineNumber, attributes)
            self._text = []

    def _characters(self, text):
        if self._open is not None:
            self._text.append(text)

    def _end(self, name):
        if name.rpartition(" ")[2] != "CgPoint" or self._open is None:
            return
        line, attributes = self._open
        self._open = None
        cells = re.findall(r"[^ \t\r\n]+", "".join(self._text))
        if not cells and attributes.get("pntRef"):
            self.references += 1
            return
        if len(self.findings.complaints) > _MOST_COMPLAINTS:
            return
        point = attributes.get("name") or attributes.get("oID") or ""
        if not point:
            self.findings.complain(self.file, line, "name", "nothing", "a name of the point")
        coordinates = self._numbers(cells, line, point)
        about = attributes.get("desc") or attributes.get("code") or ""
        time = attributes.get("timeStamp", "")
        for name, text in (("name", point), ("desc", about), ("timeStamp", time)):
            if CONTROL.search(text):
                self.findings.complain(self.file, line, name, quote(text),
                                       "text without invisible control characters")
        if point and coordinates is not None:
            self.points.append((point, coordinates, about, time, " ".join(cells), line))

    def _numbers(self, cells, line, point):
        if len(cells) != 3:
            self.findings.complain(
                self.file, line, None, f"{len(cells)} numbers in CgPoint {quote(point)}",
                "three: north, east, height")
            return None
        values = []
        for axis, cell in zip(("north", "east", "up"), cells, strict=True):
            try:
                value = parse_number(cell)
                if abs(value) > 1e8:
                    raise NotANumber("a number within 100,000,000")
                if dropped_digits(cell):
                    raise NotANumber(DROPPED)
                values.append(value)
            except NotANumber as error:
                self.findings.complain(self.file, line, axis, quote(cell), error.expected)
        return values if len(values) == 3 else None
