"""What `calib drift` says of pairs of which nothing moved, and of pairs of which one thing did.

    python benchmarks/drift_blame.py [--pairs 40]

One line per kind of pair: how many were told as what they are, blamed on a part of the machine, or
passed as "nothing has moved". Every pair has its own machine and seed.
"""

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.judge.drift import SURVEY_SCALE, SURVEY_VERTICAL, drift
from calib.judge.survey import Survey
from calib.run.records import Tape
from calib.simulate import drawn_parameters, simulate

SDS = {
    "template": "tilt_rotator",
    "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.10}},
}
RIG = rig_from_dict(SDS)


def survey(run):
    """A run solved."""
    solution = solve(run)
    names = [run.rig.target_names[t] for t in run.shots.target]
    return Survey(
        run.rig, solution.parameters, solution.covariance,
        tuple(p.name for p in run.rig.parameters if not p.held), run.tape,
        solution.adjustment.chi2, solution.adjustment.dof, "",
        shots=tuple((n, *p) for n, p in zip(names, run.shots.position.tolist(), strict=True)))


def pair(seed, change=(), poses=20):
    """Two runs of one machine, of which some parameters changed in between."""
    rng = np.random.default_rng(seed)
    before = drawn_parameters(RIG, rng)
    after = before.copy()
    for name, amount in dict(change).items():
        after[RIG.parameter_names.index(name)] += amount
    return [simulate(RIG, rng, poses=poses, parameters=p)[0] for p in (before, after)]


def with_rig(run, **changes):
    return replace(run, rig=rig_from_dict({**SDS, **changes}))


def moved_shots(run, matrix):
    middle = run.shots.position.mean(0)
    return replace(run, shots=replace(
        run.shots, position=middle + (run.shots.position - middle) @ np.transpose(matrix)))


def leaning(run):
    return with_rig(run, values={"rotation_axis_lean": 0.5})


def freed(run):
    return with_rig(run, free=["rotation_axis_lean", "tilt_axis_yaw"])


def side_taped(run):
    t = run.tape
    return replace(run, tape=Tape(
        (*t.quantities, "tilt_axis_side"), np.append(t.value, 0.010), np.append(t.sd, 0.004),
        (*t.unit, "m"), (*t.line, 0)))


def exchanged(run):
    left, right = (RIG.target_names.index(n) for n in ("edge_left", "edge_right"))
    target = np.where(run.shots.target == left, right, left)
    return replace(run, tape=Tape.none(), shots=replace(run.shots, target=target))


def scaled(run):
    return moved_shots(run, 1.002 * np.eye(3))


def tipped(run):
    heading = solve(run).stands[0, 3]
    about = np.radians(0.3) * np.array([-np.cos(heading), np.sin(heading), 0.0])
    return moved_shots(run, Rotation.from_rotvec(about).as_matrix())


def sharp(run):
    """Sds stated three times too small."""
    return replace(run, shots=replace(run.shots, covariance=run.shots.covariance / 9),
                   poses=replace(run.poses, sd=run.poses.sd / 3))


def turned(result):
    """rotate_zero the same angle a turn away, and its tape."""
    parameters, value = result.parameters.copy(), result.tape.value.copy()
    parameters[result.index(["rotate_zero"])] -= 2 * np.pi
    value[result.tape.quantities.index("rotate_zero")] -= 2 * np.pi
    return replace(result, parameters=parameters, tape=replace(result.tape, value=value))


def same(run):
    return run


#: Kind: change of the machine, of the newer run, of the newer result, and what should be said.
KINDS = {
    "nothing": ({}, same, same, "nothing"),
    "held at 0.5 instead of 0 deg": ({}, leaning, same, "models"),
    "held, then estimated": ({}, freed, same, "models"),
    "held at a taped value": ({}, side_taped, same, "models"),
    "zero a whole turn away": ({}, same, turned, "nothing"),
    "corners exchanged": ({}, exchanged, same, "otherwise"),
    "shots scaled by 1.002": ({}, scaled, same, "survey"),
    "vertical tipped by 0.3 deg": ({}, tipped, same, "survey"),
    "sds three times too small": ({}, sharp, same, "nothing"),
    "edge_drop worn by 9 mm": ({"edge_drop": -0.009}, same, same, "edge_drop"),
    "boom_zero slipped by 0.3 deg": ({"boom_zero": np.radians(0.3)}, same, same, "boom_zero"),
    "stick_length off by 12 mm": ({"stick_length": 0.012}, same, same, "stick_length"),
}


def verdict(older, newer):
    """One word: models, otherwise, survey, nothing, or the part named first."""
    found = drift(older, newer)
    if found.models:
        return "models"
    if found.otherwise:
        return "otherwise"
    if not found.moved_names:
        return "nothing"
    first = found.moved_names[0]
    return "survey" if first in (SURVEY_SCALE, SURVEY_VERTICAL) else first


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=410000)
    chosen = parser.parse_args()
    print(f"{'kind of pair':32} right  nothing  a part blamed ({chosen.pairs} pairs each)")
    for number, (kind, (change, run_change, result_change, wanted)) in enumerate(KINDS.items()):
        told = Counter()
        for k in range(chosen.pairs):
            first, second = pair(chosen.seed + 1000 * number + k, change)
            told[verdict(survey(first), result_change(survey(run_change(second))))] += 1
        right = told.pop(wanted, 0)
        nothing = right if wanted == "nothing" else told.pop("nothing", 0)
        parts = sum(n for word, n in told.items() if word in RIG.parameter_names)
        print(f"{kind:32} {right:5d}  {nothing:7d}  {parts:5d}  {dict(told) or ''}", flush=True)


if __name__ == "__main__":
    main()
