"""How often clean runs are condemned, gate by gate.

    python benchmarks/clean_runs.py --runs 1000 --seed 500000

Runs of all shipped rigs, 14 to 40 poses, one to three stands, with and without tape and check
shots, errors as stated. Prints the share of runs that each gate fails, and the share failed by
any test (a gate with a chance); gates without a chance ask for a size, not for a test. Without
tape an edge that is not known well enough is a good reason to fail, so it is counted apart.
"""

import argparse
from collections import Counter

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


def _row(name, failed, count):
    print(f"{name:24} failed {failed:4} of {count:4}  {100 * failed / count:5.1f} %")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=500_000)
    asked = parser.parse_args()
    failed, present, crashed, any_test = Counter(), Counter(), Counter(), 0
    for seed in range(asked.seed, asked.seed + asked.runs):
        try:
            gates = judge(solve(clean_run(np.random.default_rng(seed)))).gates
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
