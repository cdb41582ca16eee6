"""The report of a result: report.html and report.pdf from the document of result.json alone."""

from collections.abc import Mapping, Sequence

from calib.document.record import ResultRecord
from calib.report.figures.drawings import drawings
from calib.report.pages.contents import NamedPosture, contents
from calib.report.press.html import page
from calib.report.press.pdf import report_pdf


def report_files(document: ResultRecord, named: Sequence[NamedPosture] = (),
                 pictures: Mapping[str, str] | None = None) -> dict[str, bytes]:
    """Name to content of both forms of the report.

    Parameters
    ----------
    document : ResultRecord
    named : sequence of NamedPosture
        That were asked for.
    pictures : mapping of str to str, optional
        Name to SVG of every picture, if they are drawn already.
    """
    sections = contents(document, named)
    title, subtitle = headings(document)
    pictures = drawings(document, sections) if pictures is None else pictures
    html = page("report.html.j2", document, title, subtitle, sections, pictures=pictures)
    return {"report.html": html.encode("utf-8"),
            "report.pdf": report_pdf(title, subtitle, sections, pictures)}


def headings(document: ResultRecord) -> tuple[str, str]:
    """Title and subtitle of the report."""
    title, stands = document.rig.title, len(document.stands)
    return (f"Calibration of {title[0].lower()}{title[1:]}",
            f"From {len(document.shots)} shots in {len(document.shot_poses)} poses, {stands} "
            f"{'stand' if stands == 1 else 'stands'}. "
            f"Made with calib {document.calib}.")
