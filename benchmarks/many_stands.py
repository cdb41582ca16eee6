"""What does it cost to solve a thousand poses on forty stands, against one stand?

Also with a set-up of the total station at each stand, its place unknown but for three sights.

Run: ``python benchmarks/many_stands.py``. Prints CPU seconds, the least of a few solves.
"""

import time
import tomllib
from dataclasses import replace

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.run.records import SetUps
from calib.simulate import simulate


def with_set_ups(run, stands):
    """The run with one set-up at each stand."""
    rng, sights = np.random.default_rng(9), np.repeat(np.arange(stands), 3)
    known = rng.normal(0, 30, (len(sights), 3))
    set_ups = SetUps(
        ids=tuple(f"T{i}" for i in range(stands)), position=rng.normal(0, 20, (stands, 3)),
        orientation=np.zeros(stands), sd=np.full((stands, 4), np.nan), sight_setup=sights,
        sight_point=tuple(f"P{i}" for i in range(len(sights))), sight=known,
        sight_covariance=np.tile(9e-6 * np.eye(3), (len(sights), 1, 1)), known=known,
        known_sd=np.full((len(sights), 3), 0.002))
    return replace(run, set_ups=set_ups, shots=replace(run.shots, setup=run.shots.pose % stands))


def cpu_seconds(run, repeats):
    """The least CPU time of a solve, s."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        solve(run)
        times.append(time.process_time() - begin)
    return min(times)


def main():
    rig = rig_from_dict(tomllib.loads(STANDARD_RIG))
    print("poses  stands   CPU s   with set-ups")
    for poses, stands in ((30, 1), (30, 2), (1000, 1), (1000, 10), (1000, 40), (1000, 100)):
        run, _ = simulate(rig, np.random.default_rng(0), poses=poses, stands=stands)
        print(f"{poses:5d}  {stands:6d}  {cpu_seconds(run, 3):6.3f}   "
              f"{cpu_seconds(with_set_ups(run, stands), 3):12.3f}", flush=True)


if __name__ == "__main__":
    main()
