"""Position analysis of four-bar linkages: Freudenstein's equation, two worked examples.

R. L. Norton, *Design of Machinery*, chapter 4: example 4-1 (links 40, 120, 80, 100 mm, crank at
40 deg) and the first row of table P4-1 (links 2, 7, 9, 6, crank at 30 deg), both from memory, as
printed to 0.01 deg or 0.001 deg. F. Freudenstein, "Approximate synthesis of four-bar linkages",
Trans. ASME 77 (1955) 853-861 (from memory):

    K1 cos(output) - K2 cos(input) + K3 = cos(input - output),
    K1 = ground / input, K2 = ground / output,
    K3 = (input^2 - floating^2 + output^2 + ground^2) / (2 input output)

Norton's ground runs from the pin of the input link to that of the output link, angles from it. Here
the ground is seen from the joint, the pin of the output link: half a turn.
"""

import numpy as np
import pytest

from calib.chain.linkages import LINKAGES

FOUR_BAR = LINKAGES["four_bar"]


def solved(links, crank, branch):
    """Output angle, deg, from the direction of Norton's ground."""
    inputs = dict(zip(("input", "floating", "output", "ground"), links, strict=True))
    inputs |= {"ground_angle": np.pi, "output_angle": 0.0, "branch": branch}
    told = np.radians([crank])
    return np.degrees(FOUR_BAR.joint(told, inputs).angle[0])


@pytest.mark.parametrize(("links", "crank", "branch", "printed", "digits"), [
    ((40, 120, 80, 100), 40.0, -1, 57.325, 3),
    ((40, 120, 80, 100), 40.0, +1, -98.01, 2),
    ((2, 7, 9, 6), 30.0, -1, 117.29, 2),
    ((2, 7, 9, 6), 30.0, +1, 216.34 - 360.0, 2),
])
def test_printed_output_angles(links, crank, branch, printed, digits):
    """The open and the crossed way to assemble them, to the digits that are printed."""
    assert solved(links, crank, branch) == pytest.approx(printed, abs=0.51 * 10.0**-digits)


@pytest.mark.parametrize("branch", [-1, 1])
def test_freudenstein(branch):
    """The equation holds to rounding all around a crank that can turn right round."""
    a, b, c, d = 2.0, 7.0, 9.0, 6.0
    k1, k2, k3 = d / a, d / c, (a**2 - b**2 + c**2 + d**2) / (2 * a * c)
    for crank in np.linspace(-180, 175, 72):
        told, out = np.radians(crank), np.radians(solved((a, b, c, d), crank, branch))
        assert k1 * np.cos(out) - k2 * np.cos(told) + k3 == pytest.approx(np.cos(told - out),
                                                                          abs=1e-12)
