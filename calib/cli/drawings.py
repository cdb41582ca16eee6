"""What a result's drawings are, in two halves of about equal work."""

from calib.document.record import ResultRecord
from calib.report.figures.drawings import drawings
from calib.report.figures.plots import plot_files
from calib.report.pages.contents import contents


def first(document: ResultRecord) -> dict[str, str]:
    """Every second picture, SVG by name."""
    return drawings(document, contents(document), slice(0, None, 2))


def second(document: ResultRecord) -> tuple[dict[str, bytes], dict[str, str]]:
    """The plots, PNG by name, and the other pictures, SVG by name."""
    return plot_files(document), drawings(document, contents(document), slice(1, None, 2))
