"""How often exploring finds what was planted, and how often it finds something in clean runs.

    python benchmarks/explore_campaign.py [--clean 300] [--runs 10] [--sizes 4] [--seed 700000]
        [--rig NAME] [--only WORD] [--gross 0] [--show]

Clean runs: of all shipped rigs, with and without tape, columns approach and load in most. Planted
effects: written as rig files of their own and by changing readings (`tests/explore/planted.py`), of
so many of their own sds. "named": asked for by its name; "group": among those that these shots
cannot tell apart; "another": something else is asked for; "mistake": a field mistake is blamed. The
last column is processor seconds per run.
"""

import argparse
import re
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from calib.chain.rig import template_names
from calib.explore.effect_search import explore

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.explore.planted import clean, outcome, planted, plants

COLUMNS = ("named", "group", "another", "mistake", "nothing", "untold")


def clean_runs(count, seed, show):
    """What is asked for in clean runs."""
    asked, mistakes, start = Counter(), 0, time.process_time()
    for i in range(count):
        rng = np.random.default_rng(seed + i)
        template = str(rng.choice(template_names()))
        run, _ = clean(template, rng, poses=int(rng.integers(16, 41)),
                       stands=int(rng.integers(1, 4)), taped=bool(rng.random() < 0.75))
        found = explore(run)
        mistakes += found.rival is not None
        if found.asked:
            asked[found.asked] += 1
            if show:
                print(f"  {seed + i} {template}: {found.asked}")
    taken = (time.process_time() - start) / max(1, count)
    wrong = sum(asked.values())
    print(f"{count} clean runs: {wrong} ask for an effect ({100 * wrong / max(1, count):.1f} %), "
          f"{mistakes} blame a field mistake; {taken:.2f} s/run")
    for names, times in asked.most_common():
        print(f"    {times} {', '.join(names)}")


def planted_runs(template, options, total):
    """A row for each effect that the rig can have."""
    for name, plant in plants(template).items():
        if not re.search(options.only, name):
            continue
        counts, start = Counter(), time.process_time()
        for i in range(options.runs):
            made = planted(template, plant, np.random.default_rng(options.seed + i),
                           options.sizes, gross_errors=options.gross)
            result = "untold" if made is None else outcome(explore(made[0]), name)
            counts[result] += 1
            if options.show and result in ("another", "mistake"):
                print(f"  {options.seed + i} {name}: {result} {explore(made[0]).asked}")
        taken = (time.process_time() - start) / options.runs
        print(f"{template[:16]:17s}{name:22s}" + "".join(f"{counts[c]:9d}" for c in COLUMNS)
              + f"{taken:8.2f}", flush=True)
        total.update(counts)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clean", type=int, default=300)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--sizes", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=700_000)
    parser.add_argument("--rig", default="")
    parser.add_argument("--only", default="")
    parser.add_argument("--gross", type=int, default=0)
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    if options.clean:
        clean_runs(options.clean, options.seed, options.show)
    total = Counter()
    if options.runs:
        print(f"{'rig':17s}{'effect':22s}" + "".join(f"{c:>9s}" for c in COLUMNS)
              + f"{'s/run':>8s}")
        for template in [options.rig] if options.rig else template_names():
            planted_runs(template, options, total)
        told = sum(total[c] for c in COLUMNS[:5])
        found = total["named"] + total["group"]
        print(f"{'all that can be told':39s}" + "".join(f"{total[c]:9d}" for c in COLUMNS)
              + f"   found {100 * found / max(1, told):.1f} %")


if __name__ == "__main__":
    main()
