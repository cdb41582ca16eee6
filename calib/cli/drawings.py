"""A result's pictures, in two halves of about equal work."""

from calib.document.record import ResultRecord
from calib.report.figures.style import drawings
from calib.report.pages.contents import contents


def half(document: ResultRecord, which: int) -> dict[str, str]:
    """Every second picture, SVG by name; from the first one (0) or from the second (1)."""
    return drawings(document, contents(document), slice(which, None, 2))
