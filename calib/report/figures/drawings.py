"""The pictures of a page, drawn once for screen and paper."""

from collections.abc import Sequence
from typing import Any

from calib.report.blocks import Picture, Section
from calib.report.figures.style import pen, svg


def drawings(document: Any, sections: Sequence[Section], part: slice = slice(None)
             ) -> dict[str, str]:
    """Name to SVG of every picture of the sections, or of a `part` of all pictures."""
    pictures = [b for s in sections for b in s.blocks if isinstance(b, Picture)]
    with pen():
        return {p.name: svg(p.name, p.draw, document, p.size) for p in pictures[part]}
