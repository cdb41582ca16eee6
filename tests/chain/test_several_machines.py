"""Several machines walked through together are where each is by itself, with its derivatives."""

import numpy as np
import pytest

from calib.chain.effects import effects_of
from calib.chain.rig import rig_from_dict, rig_from_template, template_names


@pytest.mark.parametrize("bent", [False, True], ids=["plain", "all effects"])
@pytest.mark.parametrize("template", template_names())
def test_every_rig(draw, template, bent):
    """To rounding: positions and all derivatives."""
    rig = rig_from_template(template)
    if bent:
        rig = rig_from_dict({"template": template, "effects": list(effects_of(rig.definition))})
    rng = np.random.default_rng(1)
    case = draw(rig_from_template(template), 1, poses=9)
    every, noted = np.arange(9), rng.choice([-1.0, 0.0, 1.0], (9, len(rig.pose_columns)))
    machines = rig.start + rng.normal(scale=0.01, size=(3, len(rig.start)))
    target = rng.integers(0, len(rig.targets), 9)

    def points(parameters, some):
        return rig.chain.posture(parameters, case.placement[some], case.readings[some],
                                 noted=noted[some]).points(target[some], np.arange(len(some)))

    found = points(machines, every)
    for i, own in enumerate(machines):
        poses = every[3 * i : 3 * i + 3]
        alone = points(own, poses)
        for part in ("position", "by_parameters", "by_placement", "by_readings"):
            np.testing.assert_allclose(getattr(found, part)[poses], getattr(alone, part),
                                       rtol=0, atol=1e-11)
