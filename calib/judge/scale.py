"""One scale for all shots, against the taped lengths.

A wrong scale factor of the survey makes the machine larger, every length alike, and the shots
among themselves cannot show it: only a length that is known without them can. Tested is one added
parameter, as in data snooping but for all shots together (W. Baarda, *A Testing Procedure for Use
in Geodetic Networks*, Delft 1968, from memory).
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import chi2_sf
from calib.adjust.reliability import hypothesis_test
from calib.calibration import Solution

#: Where the tape and what is held cannot tell the scale to this (1 sd), nothing is tested: no
#: survey is so far off without being noticed (ours, no source).
UNTESTED = 0.02


@dataclass(frozen=True)
class SurveyScale:
    """The scale of the shots that the taped lengths ask for."""

    excess: float  #: The shots' lengths over the true ones, less 1.
    sd: float
    chance: float  #: That a run without a wrong scale shows as much.


def survey_scale(solution: Solution) -> SurveyScale | None:
    """Test one common scale of all shots; None where nothing tells it.

    The derivative of a shot's place by the scale is its place less the middle of the shots of its
    stand; where the stand is takes up the rest. The place is the one computed: that measured goes
    with its own error, and of many shots together that looks like a scale.
    """
    run, problem = solution.run, solution.problem
    stand = problem.stand_of_pose[run.shots.pose]
    columns = run.shots.position - solution.residuals
    for number in np.unique(stand):
        columns[stand == number] -= columns[stand == number].mean(0)
    test = hypothesis_test(solution.adjustment, columns.reshape(-1, 1))
    if not test.dof or not test.statistic:
        return None
    excess = float(test.bias[0])
    sd = abs(excess) / float(np.sqrt(test.statistic))
    if sd > UNTESTED:
        return None
    return SurveyScale(excess, sd, float(chi2_sf(test.statistic, 1)))
