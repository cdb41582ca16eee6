"""Bootstrap intervals beside the linear ones: in the document, and in words."""

import numpy as np

from calib.adjust.distributions import normal_ppf
from calib.calibration import Solution
from calib.document.record import ResultRecord
from calib.document.solved import Bootstrap, BootstrapRow
from calib.report.blocks import Cell, Table, Text, fixed, words
from calib.report.numbers import SHOWN, unit_factors
from calib.report.spoken import spoken
from calib.resampled import Resolved

#: The logarithm of the ratio of two widths scatters by 0.85 over the root of the number of poses;
#: this many times that is beyond chance: 2 to 5 in 100 clean runs of 16, 30 and 60 poses have such
#: a parameter (simulated).
_SCATTER, _TIMES = 0.85, 3.0


def with_bootstrap(document: ResultRecord, solution: Solution, resolved: Resolved, seed: int
                   ) -> ResultRecord:
    """The document with the intervals of the replicates of its solution."""
    rig, poses = solution.rig, len(np.unique(solution.run.shots.pose))
    limit = float(np.exp(_TIMES * _SCATTER / np.sqrt(poses)))
    low, high = resolved.interval()
    which = [rig.parameter_names.index(name) for name in resolved.names]
    told = [rig.parameters[i] for i in which]
    linear = 2 * normal_ppf(0.975) * np.sqrt(np.diag(solution.covariance)[which])
    ratio, f = (high - low) / linear, unit_factors(p.unit for p in told)
    rows = BootstrapRow.each(told, low95=f * low, high95=f * high, ratio=ratio,
                             disagrees=(ratio < 1 / limit) | (ratio > limit))
    count = len(resolved.estimates) + resolved.left_out
    record = Bootstrap(replicates=count, left_out=resolved.left_out, seed=seed, limit=limit,
                       rows=rows, says=_says(rows, poses, count, resolved.left_out))
    return document.model_copy(update={"bootstrap": record})


def _says(rows, poses, count, left_out):
    wide = [spoken(r.name) for r in rows if r.disagrees and r.ratio > 1]
    narrow = [spoken(r.name) for r in rows if r.disagrees and r.ratio < 1]
    said = []
    if wide:
        said.append(f"The bootstrap's intervals are wider than the linear ones for "
                    f"{', '.join(wide)}, by more than chance: the poses differ more among each "
                    "other than the stated sds of shots and readings say. Take the wider ones.")
    if narrow:
        said.append(f"They are narrower for {', '.join(narrow)}: the stated sds look larger than "
                    "the errors were, or few poses tell these.")
    if not said:
        said.append("The bootstrap's intervals and the linear ones agree within what chance does "
                    f"among {poses} poses.")
    if left_out:
        said.append(f"{left_out} of {count} replicates were left out: their poses do not "
                    "determine the machine.")
    return " ".join(said)


def bootstrap_blocks(document: ResultRecord) -> tuple:
    """The intervals side by side, and where they disagree; nothing without a bootstrap."""
    record = document.bootstrap
    if record is None:
        return ()
    linear = {p.name: p for p in document.parameters}
    rows: list[list[Cell]] = []
    for r in record.rows:
        label, factor = SHOWN[r.unit]
        p, decimals = linear[r.name], 1 if r.unit == "m" else 3
        rows.append([r.name, label, fixed(p.low95, decimals, factor),
                     fixed(p.high95, decimals, factor), fixed(r.low95, decimals, factor),
                     fixed(r.high95, decimals, factor), fixed(r.ratio, 2),
                     "disagrees" if r.disagrees else ""])
    return (
        Table("95 % intervals: linear, and of the run solved again with poses drawn from its own "
              f"({record.replicates} times, seed {record.seed}). Lengths in mm, angles in deg.",
              ("quantity", "unit", "linear from", "to", "bootstrap from", "to", "width, times",
               ""), rows, [r.disagrees for r in record.rows]),
        Text(words(record.says)),
    )
