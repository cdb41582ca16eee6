"""What is printed over what in a figure: text over text, and text over the points of plots."""

from itertools import combinations
from unittest.mock import patch

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

from calib.report.figures.style import pen

#: Points by which boxes of text may touch: they are higher than what is written in them.
TOUCH = (1.0, 2.5)


def overprinted(draw, document, size) -> list[str]:
    """What a figure prints over something else, in words; `size` in inches."""
    with pen():
        figure = Figure(figsize=size, dpi=72)
        renderer = FigureCanvasAgg(figure).get_renderer()
        draw(figure, document)
        with patch.object(Text, "draw", autospec=True, side_effect=Text.draw) as texts:
            figure.draw(renderer)
        written = [_written(call.args[0], renderer) for call in texts.call_args_list
                   if call.args[0].get_visible() and call.args[0].get_text().strip()]
        spots = [c.get_offset_transform().transform(c.get_offsets())
                 for c in figure.findobj(PathCollection) if len(c.get_offsets())]
    frame = np.array([0, 0, *figure.bbox.size])
    return [*(f"{a!r} over {b!r}" for (a, box, way), (b, other, way_b) in combinations(written, 2)
              if way and way_b and _overlap(box, other)),
            *(f"{text!r} over a point" for text, box, _ in written if _covers(box, spots)),
            *(f"{text!r} out of the figure" for text, box, _ in written
              if (box[:2] < frame[:2] - 1).any() or (box[2:] > frame[2:] + 1).any())]


def _written(text, renderer):
    """What is written, the box of it, and whether it is upright: a slanted one fills no box."""
    box = Text.get_window_extent(text, renderer)
    return text.get_text(), np.array([*box.min, *box.max]), text.get_rotation() % 90 == 0


def _overlap(a, b):
    shared = np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2])
    return bool((shared > TOUCH).all())


def _covers(box, spots):
    """Whether the middle of a point is within a text."""
    if not spots:
        return False
    all_spots = np.vstack(spots)
    return bool(((all_spots > box[:2] + TOUCH) & (all_spots < box[2:] - TOUCH)).all(1).any())
