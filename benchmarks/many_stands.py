"""What does it cost to solve a thousand poses on forty stands, against one stand?

Run: ``python benchmarks/many_stands.py``. Prints CPU seconds, the least of a few solves.
"""

import time
import tomllib

import numpy as np

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.simulate import simulate


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
    print("poses  stands   CPU s")
    for poses, stands in ((30, 1), (30, 2), (1000, 1), (1000, 10), (1000, 40)):
        run, _ = simulate(rig, np.random.default_rng(0), poses=poses, stands=stands)
        print(f"{poses:5d}  {stands:6d}  {cpu_seconds(run, 3):6.3f}", flush=True)


if __name__ == "__main__":
    main()
