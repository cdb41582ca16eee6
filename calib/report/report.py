"""The report of a result: report.html and report.pdf from the document of result.json alone."""

from calib.report.contents import contents
from calib.report.drawings import drawings
from calib.report.page import page
from calib.report.press import report_pdf


def report_files(document: dict) -> dict[str, bytes]:
    """Name to content of both forms of the report."""
    sections = contents(document)
    title, subtitle = headings(document)
    pictures = drawings(document, sections)
    html = page("report.html.j2", document, title, subtitle, sections, pictures=pictures)
    return {"report.html": html.encode("utf-8"),
            "report.pdf": report_pdf(title, subtitle, sections, pictures)}


def headings(document: dict) -> tuple[str, str]:
    """Title and subtitle of the report."""
    shots, poses = len(document["shots"]), len({s["pose"] for s in document["shots"]})
    return (f"Calibration of {document['rig']['title'][0].lower()}{document['rig']['title'][1:]}",
            f"From {shots} shots in {poses} poses, {len(document['stands'])} "
            f"{'stand' if len(document['stands']) == 1 else 'stands'}. "
            f"Made with calib {document['calib']}.")
