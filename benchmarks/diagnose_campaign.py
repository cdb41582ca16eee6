"""How often diagnose names what was planted: a table, kind by kind.

    python benchmarks/diagnose_campaign.py [--runs 20] [--seed 910000] [--only WORD] [--show]

Per kind of fault: named first, named as one of several that these shots cannot tell apart, named
as a part of what is wrong, claimed falsely (cause or part), and "something this tool does not
know". A kind that has no name must never be claimed as anything. The last column is processor
seconds per run.
"""

import argparse
import re
import sys
import time
from pathlib import Path

from calib.judge.explain import explain
from calib.report.pages.diagnosis import diagnosis_document

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.judge.faults import COLUMNS, NAMELESS, PAIRS, SINGLES, outcome, planted


def main():
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--seed", type=int, default=910000)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true", help="print what was said where not first")
    options = parser.parse_args()
    kinds = [(x,) for x in (*SINGLES, *NAMELESS)] + list(PAIRS)
    print(f"{'kind':34s}" + "".join(f"{c:>11s}" for c in COLUMNS) + f"{'s/run':>8s}")
    sums = {}
    for faults in kinds:
        name = " + ".join(x.__name__ for x in faults)
        if options.only and not re.search(options.only, name):
            continue
        counts, start = dict.fromkeys(COLUMNS, 0), time.process_time()
        for i in range(options.runs):
            run, patterns = planted(faults, options.seed + i)
            document = diagnosis_document(explain(run))
            result = outcome(document, patterns)
            counts[result] += 1
            if options.show and result not in ("first", "clean"):
                print(f"  {options.seed + i} {result}: {document.says[:300]}\n"
                      f"      wanted {patterns}")
        taken = (time.process_time() - start) / options.runs
        print(f"{name:34s}" + "".join(f"{counts[c]:11d}" for c in COLUMNS) + f"{taken:8.1f}",
              flush=True)
        group = "nameless" if faults[0] in NAMELESS else "singles" if len(faults) < 2 else "pairs"
        total = sums.setdefault(group, dict.fromkeys(COLUMNS, 0))
        for c in COLUMNS:
            total[c] += counts[c]
    for group, total in sums.items():
        print(f"{'all ' + group:34s}" + "".join(f"{total[c]:11d}" for c in COLUMNS))


if __name__ == "__main__":
    main()
