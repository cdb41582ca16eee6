"""Every figure of a report can be read: no text lies on another, on a point, or over the rim."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, template_names
from calib.report.blocks import Picture
from calib.report.figures.style import grid
from calib.report.pages.contents import contents
from calib.simulate import simulate
from tests.conftest import STANDARD
from tests.report.conftest import document_of, record
from tests.report.overprint import overprinted


def faults(document) -> dict[str, list[str]]:
    """Of every figure with any, what is printed over what."""
    told = record(document)
    pictures = [b for s in contents(told) for b in s.blocks if isinstance(b, Picture)]
    assert len(pictures) >= 10
    return {p.name: found for p in pictures if (found := overprinted(p.draw, told, p.size))}


def test_nothing_is_overprinted(document):
    """Of a run with long ids and suspects."""
    assert faults(document) == {}


def test_what_is_overprinted_is_found():
    """Two texts at one place, a text on a point, and one that leaves the figure."""
    def draw(figure, _):
        axes = grid(figure)[0, 0]
        axes.set(xlim=(0, 1), ylim=(0, 1))
        axes.scatter([0.2], [0.2])
        for x, y, text in ((0.5, 0.8, "one"), (0.52, 0.8, "two"), (0.98, 0.5, "leaves it")):
            axes.text(x, y, text)
        axes.text(0.2, 0.2, "point", ha="center", va="center")

    assert sorted(overprinted(draw, None, (3.0, 3.0))) == [
        "'leaves it' out of the figure", "'one' over 'two'", "'point' over a point"]


@pytest.mark.slow
@pytest.mark.parametrize("template", template_names())
@pytest.mark.parametrize("aside", ["none", "suspects"])
def test_nothing_is_overprinted_of_any_rig(template, aside):
    """A crowded run of every shipped rig: 25 poses of three stands, four gross errors."""
    rig = rig_from_dict({**STANDARD, "template": template, "readings": {"sd": {
        name: STANDARD["readings"]["sd"].get(name, 0.05)
        for name in rig_from_dict({"template": template}).reading_names}}})
    run, _ = simulate(rig, np.random.default_rng(5), poses=25, stands=3, check_poses=3,
                      gross_errors=4)
    assert faults(document_of(run, aside)) == {}
