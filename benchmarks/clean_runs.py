"""How often clean runs are condemned, gate by gate.

    python benchmarks/clean_runs.py --runs 1000 --seed 500000 [--pins]

Runs of all shipped rigs, 14 to 40 poses, one to three stands, with and without tape and check
shots, errors as stated. Prints the share of runs that each gate fails, and the share failed by
any test (a gate with a chance); gates without a chance ask for a size, not for a test. Without
tape an edge that is not known well enough is a good reason to fail, so it is counted apart.
"""

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.judge.judgement import judge
from calib.simulate import simulate

#: Gates that are sizes asked for, not tests of chance.
SIZES = ("edge", "check shots")

_READING_SD = {"house_pitch": 0.03, "house_roll": 0.03, "tilt": 0.06, "rotate": 0.10}


def rig_with_sds(template, shots=(0.002, 0.002, 0.002), **more):
    """A shipped rig with the sds of a careful crew, deg and m."""
    names = rig_from_template(template).reading_names
    return rig_from_dict({
        "template": template,
        "shots": {"sd": dict(zip(("east", "north", "up"), shots, strict=True))},
        "readings": {"sd": {name: _READING_SD.get(name, 0.05) for name in names}}, **more})


def clean_run(rng):
    """A run of any kind, errors as stated."""
    template = rng.choice([*template_names(), "tilt_rotator", "tilt_rotator"])
    shots = (0.002, 0.002, 0.002) if rng.random() < 0.7 else (0.008, 0.008, 0.012)
    rig = rig_with_sds(str(template), shots)
    return simulate(rig, rng, poses=int(rng.integers(14, 41)), stands=int(rng.integers(1, 4)),
                    check_poses=int(rng.choice([0, 3, 6])), taped=bool(rng.random() < 0.75))[0]


#: Marks of runs with --pins.
MARKS = {"antenna": {"on": "house", "near": [-1.5, 0.9, 1.6]},
         "dot": {"on": "stick", "near": [1.0, 0.2, 0.3]}}


def run_with_pins(rng):
    """A run of any rig in which pins and marks are shot in one to four poses each, or not."""
    rig = rig_with_sds(str(rng.choice(template_names())), marks=MARKS)
    names = np.array(rig.target_names)
    points = [n for n in names if not n.startswith("edge")]
    run, _ = simulate(rig, rng, poses=int(rng.integers(14, 31)), stands=int(rng.integers(1, 3)),
                      targets=("edge_left", "edge_right", *points), check_poses=3,
                      taped=bool(rng.random() < 0.75))
    target, pose = names[run.shots.target], run.shots.pose
    keep = np.char.startswith(target, "edge")
    for point in points:
        if rng.random() < 0.7:
            poses = rng.choice(len(run.poses.ids) - 3, int(rng.integers(1, 5)), replace=False)
            keep |= (target == point) & np.isin(pose, poses)
    check = run.check.select(np.isin(names[run.check.target], target[keep]))
    return replace(run, shots=run.shots.select(keep), check=check)


def _row(name, failed, count):
    print(f"{name:24} failed {failed:4} of {count:4}  {100 * failed / count:5.1f} %")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=500_000)
    parser.add_argument("--pins", action="store_true", help="shoot pins and marks too")
    asked = parser.parse_args()
    make = run_with_pins if asked.pins else clean_run
    failed, present, crashed, any_test = Counter(), Counter(), Counter(), 0
    for seed in range(asked.seed, asked.seed + asked.runs):
        try:
            gates = judge(solve(make(np.random.default_rng(seed)))).gates
        except Exception as error:  # counted and shown, so that no crash hides
            crashed[f"{type(error).__name__}: {error}"[:100]] += 1
            continue
        present.update(gate.name for gate in gates)
        wrong = [gate.name for gate in gates if not gate.passed]
        failed.update(wrong)
        any_test += any(name not in SIZES for name in wrong)
    judged = asked.runs - sum(crashed.values())
    print(f"{asked.runs} clean runs, {judged} judged")
    for name, count in present.items():
        _row(name, failed[name], count)
    _row("any test", any_test, judged)
    for what, count in crashed.items():
        print(f"crashed {count}: {what}")


if __name__ == "__main__":
    main()
