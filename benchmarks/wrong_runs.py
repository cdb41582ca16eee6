"""What the gates say of runs that must not pass, kind by kind.

    python benchmarks/wrong_runs.py --runs 40 --seed 700000 [KIND ...]

Each kind is a way in which a result is worse than it says; of each so many runs are made, solved
and judged. Prints how many passed every gate and which gates failed. Every `narrow` and `few` run
is worthless at the edge or nearly; the other kinds carry an error of the size in their name.
"""

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from clean_runs import rig_with_sds

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import solve
from calib.edge import Spread, envelope_edge
from calib.judge.judgement import judge
from calib.run.complaints import InputError
from calib.simulate import drawn_joints, simulate

GNSS = (0.008, 0.008, 0.012)


def narrow(degrees):
    """Tilt and rotate hardly moved, no tape; the machine is the template's, so that it solves."""
    def make(rng):
        rig = rig_with_sds("tilt_rotator")
        truth = rig.start
        given = np.full((24, len(rig.readings)), np.nan)
        given[:, :2] = rng.normal(0, np.radians(0.3), (24, 2))
        given[:, -2:] = np.radians(rng.uniform(-degrees, degrees, (24, 2)))
        joints = drawn_joints(rig, truth, 24, rng, given)
        return simulate(rig, rng, poses=24, parameters=truth, joints=joints, taped=False)[0]
    return make


def few(rng):
    """Five poses, no tape; the machine is the template's."""
    rig = rig_with_sds("tilt_rotator")
    return simulate(rig, rng, poses=5, taped=False, parameters=rig.start)[0]


def survey_scale(factor):
    """All shots too large by one factor."""
    def make(rng):
        run = simulate(rig_with_sds("tilt_rotator"), rng, poses=24)[0]
        return replace(run, shots=replace(run.shots, position=factor * run.shots.position))
    return make


def correlated(coefficient, sd=GNSS, poses=24, stands=1):
    """Errors of shots that follow one another go together; their sds are as stated."""
    def make(rng):
        rig = rig_with_sds("tilt_rotator", (1e-9, 1e-9, 1e-9))
        run = simulate(rig, rng, poses=poses, stands=stands)[0]
        order = np.lexsort((run.shots.pose, np.array(run.poses.stand)[run.shots.pose]))
        errors = np.empty((len(order), 3))
        errors[0] = rng.normal(size=3)
        for i in range(1, len(order)):
            errors[i] = (coefficient * errors[i - 1]
                         + np.sqrt(1 - coefficient**2) * rng.normal(size=3))
        position = run.shots.position.copy()
        position[order] += errors * sd
        covariance = np.tile(np.diag(np.square(sd)), (len(order), 1, 1))
        shots = replace(run.shots, position=position, covariance=covariance,
                        time=tuple(_moments(np.argsort(order))))
        return replace(run, shots=shots)
    return make


def _moments(ranks):
    return (f"2031-05-04T{9 + r // 60:02d}:{r % 60:02d}:00" for r in ranks.tolist())


def check_offset(metres):
    """Check shots of another day, all shifted by one vector."""
    def make(rng):
        run = simulate(rig_with_sds("tilt_rotator"), rng, poses=24, check_poses=3)[0]
        way = rng.normal(size=3)
        shift = metres * way / np.linalg.norm(way)
        return replace(run, check=replace(run.check, position=run.check.position + shift))
    return make


KINDS = {
    "narrow 0.01 deg": narrow(0.01), "narrow 0.1 deg": narrow(0.1), "narrow 0.5 deg": narrow(0.5),
    "few": few, "scale 1.002": survey_scale(1.002), "scale 0.998": survey_scale(0.998),
    "correlated 0.9": correlated(0.9), "correlated 0.7": correlated(0.7),
    "correlated 0.9, two stands": correlated(0.9, stands=2),
    "correlated 0.9, 2 mm": correlated(0.9, (0.002, 0.002, 0.002)),
    "uncorrelated": correlated(0.0), "check shots off by 12 mm": check_offset(0.012),
}


def worst_edge(solution):
    """Largest 3-D sd of the edge over the envelope, m."""
    nodes = envelope_edge(solution.rig, solution.parameters)
    return Spread.of(nodes.sd(solution.covariance)[nodes.seen]).worst


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", metavar="KIND", help=", ".join(KINDS))
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=700_000)
    asked = parser.parse_args()
    for kind in asked.kinds or KINDS:
        passed, failed, edges = 0, Counter(), []
        for seed in range(asked.seed, asked.seed + asked.runs):
            try:
                solution = solve(KINDS[kind](np.random.default_rng(seed)))
                judgement = judge(solution)
            except (NotConverged, NotDetermined, InputError) as error:
                failed[type(error).__name__] += 1
                continue
            except Exception as error:  # counted and shown, so that no crash hides
                failed[f"CRASH {type(error).__name__}"] += 1
                continue
            passed += judgement.passed
            failed.update(gate.name for gate in judgement.gates if not gate.passed)
            if judgement.passed:
                edges.append(worst_edge(solution))
        worst = f", their worst edge sd up to {1000 * max(edges):.0f} mm" if edges else ""
        print(f"{kind}: {passed} of {asked.runs} passed{worst}; "
              + ", ".join(f"{name} {count}" for name, count in failed.most_common()), flush=True)


if __name__ == "__main__":
    main()
