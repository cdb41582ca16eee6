"""What undoing a mistake does: the corrected run, and the figures before and after."""

from dataclasses import dataclass, replace

import numpy as np

from calib.edge import envelope_edge
from calib.judge.fits import solved
from calib.judge.gates import shares
from calib.judge.instead import instead
from calib.judge.judgement import judge
from calib.judge.mistakes import Mistake
from calib.judge.set_aside import named, without
from calib.run.records import Run


@dataclass(frozen=True)
class Figures:
    """How a run does; all None where it has no solution."""

    variance_factor: float | None = None
    edge_sd: float | None = None  #: Worst sd of the cutting edge over the working envelope, m.
    passed: bool | None = None  #: Whether every gate passed.


def mended(run: Run, mistake: Mistake) -> Run:
    """The run with a mistake undone, its check shots too where they carry the same mistake."""
    for part in mistake.parts or (mistake,):
        check = run.check
        if part.every_shot and check is not None:
            check = part.apply(replace(run, shots=check)).shots
        run = replace((part.mend or part.apply)(run), check=check)
    return run


def figures(run: Run, aside: tuple[str, ...] = (), passed: bool | None = None) -> Figures:
    """The figures of a run without what is set aside by name.

    Where it is known beforehand whether it passes, as of a run with a mistake, nothing is judged.
    """
    left = named(run, aside)
    solution = solved(without(run, left))
    if solution is None:
        return Figures()
    edge = None
    if run.rig.envelope is not None:
        nodes = envelope_edge(run.rig, solution.parameters)
        worst = nodes.worst_sd(solution.covariance)
        edge = worst if np.isfinite(worst) else None
    if passed is None:
        whole = solved(run) if left.names else None
        other = None if whole is None else instead(whole, solution, left)
        passed = judge(solution, out=shares(solution.run, left), instead=other).passed
    return Figures(solution.adjustment.variance_factor, edge, passed)
