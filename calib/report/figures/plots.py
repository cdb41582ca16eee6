"""The plots that go beside a result as PNG files."""

import io

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from calib.document.record import ResultRecord
from calib.report.figures.residuals import by_order
from calib.report.figures.statistics import normal
from calib.report.figures.style import PAPER, Draw, pen
from calib.report.figures.taped import solved_against_taped

#: File name, what draws it, size in inches.
PLOTS = (
    ("residuals-by-shot.png", by_order, (8.0, 6.0)),
    ("solved-against-tape.png", solved_against_taped, (9.5, 4.4)),
    ("standardised-residuals.png", normal, (8.5, 3.8)),
)


def plot_files(document: ResultRecord) -> dict[str, bytes]:
    """Name to PNG, the same bytes for the same document."""
    with pen():
        return {name: png(draw, document, size) for name, draw, size in PLOTS}


def png(draw: Draw, document: ResultRecord, size: tuple[float, float]) -> bytes:
    """A figure as PNG on paper; `size` in inches."""
    figure = Figure(figsize=size, dpi=130)
    FigureCanvasAgg(figure)
    draw(figure, document)
    out = io.BytesIO()
    figure.savefig(out, format="png", facecolor=PAPER, metadata={"Software": None})
    return out.getvalue()
