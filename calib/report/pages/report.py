"""The report of a result: report.html and report.pdf from the document of result.json alone."""

import re
from collections.abc import Mapping, Sequence

from calib.document.record import ResultRecord
from calib.report.figures.style import POSE, SHOT, drawings
from calib.report.pages.contents import NamedPosture, contents
from calib.report.pages.misses import point_data
from calib.report.press.html import page
from calib.report.press.pdf import report_pdf
from calib.report.words.job import below_title, fingerprint_words
from calib.report.words.status import stamp

#: In a drawing: what a point refers to.
_REF = re.compile(rf'href="#((?:{SHOT}|{POSE})\d+)"')


def half_drawn(document: ResultRecord, which: int) -> dict[str, str]:
    """Every second picture, SVG by name; from the first one (0) or from the second (1)."""
    return drawings(document, contents(document), slice(which, None, 2))


def report_files(document: ResultRecord, named: Sequence[NamedPosture] = ()) -> dict[str, bytes]:
    """Name to content of both forms of the report; `named` are postures that were asked for."""
    pictures = drawings(document, contents(document, named))
    return {"report.html": report_page(document, pictures, named).encode("utf-8"),
            "report.pdf": report_paper(document, pictures, named)}


def report_paper(document: ResultRecord, pictures: Mapping[str, str],
                 named: Sequence[NamedPosture] = ()) -> bytes:
    """The PDF alone; its pictures are those of the page."""
    return report_pdf(*headings(document), contents(document, named), pictures,
                      foot=foot(document), job=below_title(document),
                      serial=document.job.serial or "", stamp=stamp(document))


def report_page(document: ResultRecord, pictures: Mapping[str, str] | None = None,
                named: Sequence[NamedPosture] = ()) -> str:
    """The page alone, with its pictures, SVG by name, if they are drawn already."""
    sections = contents(document, named)
    pictures = drawings(document, sections) if pictures is None else pictures
    drawn = {ref for image in pictures.values() for ref in _REF.findall(image)}
    return page("report.html.j2", document, *headings(document), sections, pictures=pictures,
                foot=foot(document), points=point_data(document, drawn), job=below_title(document))


def foot(document: ResultRecord) -> str:
    """What every page says: not to be entered, if so, and what ties it to its result."""
    digits = fingerprint_words(document)
    return stamp(document) + (f"Inputs {digits}: the fingerprint in result.json." if digits else "")


def headings(document: ResultRecord) -> tuple[str, str]:
    """Title and subtitle of the report."""
    stands = len(document.stands)
    return (f"Calibration: {document.job.machine or document.rig.title}",
            f"From {len(document.shots)} shots in {len(document.shot_poses)} poses, {stands} "
            f"{'stand' if stands == 1 else 'stands'}. "
            f"Made with calib {document.calib}.")
