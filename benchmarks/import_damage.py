"""Damage field files at random and import them: what became of each kind of damage, as a table.

Run: python benchmarks/import_damage.py [TRIES] [SEED]

All data are invented. `silent` and `broken` must be 0; `told` is for damage that a person would
read as it stands. Formats and damage: tests/intake/attack.py, tests/intake/damage.py.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.intake.attack import campaign

OUTCOMES = ("refused", "as meant", "told", "silent", "broken")


def main(tries=20_000, seed=1):
    """Print the table by kind of damage and by format, and the first faults."""
    with tempfile.TemporaryDirectory() as folder:
        counts, faults = campaign(tries, seed, Path(folder))
    for title, part in (("damage", 0), ("format", 1)):
        by = Counter()
        for key, n in counts.items():
            by[key[part], key[2]] += n
        print(f"{title:34}" + "".join(f"{o:>10}" for o in ("tries", *OUTCOMES)))
        for name in sorted({name for name, _ in by}):
            row = [by[name, o] for o in OUTCOMES]
            print(f"{name:34}" + "".join(f"{n:>10}" for n in (sum(row), *row)))
        print()
    print(f"{sum(counts.values())} tries, {len(faults)} faults")
    for fault in faults[:5]:
        print("\n" + fault)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
