"""Many runs at a glance, from the columns of their table; nothing is read or written here."""

from collections.abc import Callable, Mapping
from importlib.metadata import version

import numpy as np

from calib.document.fleet import FleetParameter, FleetRecord, FleetRun, Histogram
from calib.document.solved import Job
from calib.fleet.row import FAILED, NOT_YET, STATES, WHOSE
from calib.report.numbers import number

#: Runs that the page lists, and sds beyond which a difference is odd.
WORST, BEYOND = 50, 3.0

Column = Callable[[str], np.ndarray]


def fleet_document(column: Column, units: Mapping[str, str],
                   report_of: Callable[[str], str | None]) -> FleetRecord:
    """What there is to say of all runs.

    Parameters
    ----------
    column : callable
        ``column(name)``: a column of the table, shape (n_runs,); NaN or None where a run has none.
    units : mapping of str to str
        Of the parameters.
    report_of : callable
        From a run to where its report is, or None.
    """
    status, factor = column("status"), column("variance_factor")
    seconds, size, memory = column("seconds"), column("bytes"), column("megabytes")
    rank = np.array([STATES.index(s) for s in status])
    names, edge = column("run"), column("edge95_m")
    worst = np.lexsort((names.astype(str), -np.nan_to_num(factor), rank))[:WORST]
    failed, message = column("failed"), column("message")
    whose = {name: column(name) for name in WHOSE}
    return FleetRecord(
        schema_=1,
        calib=version("calib"),
        runs=len(status),
        states={s: int((rank == i).sum()) for i, s in enumerate(STATES) if (rank == i).any()},
        variance_factors=_histogram(np.log10(factor[factor > 0])),
        parameters=[_parameter(name, unit, lambda of: column(of)[rank >= STATES.index(NOT_YET)])
                    for name, unit in units.items()],
        worst=[FleetRun(run=names[i], status=status[i], variance_factor=number(factor[i]),
                        edge95=number(edge[i]),
                        says="; ".join(filter(None, (failed[i], message[i]))),
                        job=Job(**{name: whose[name][i] for name in WHOSE[:-1]}),
                        fingerprint=whose[WHOSE[-1]][i] or "",
                        report=report_of(names[i]) if rank[i] >= STATES.index(FAILED) else None)
               for i in worst],
        seconds=_mean(seconds), bytes_per_run=_mean(size),
        most_megabytes=float(np.nanmax(memory)) if np.isfinite(memory).any() else 0.0,
    )


def _mean(values):
    told = values[np.isfinite(values)]
    return float(told.mean()) if len(told) else 0.0


def _parameter(name, unit, column):
    value, tape, z = column(name), column(f"{name}.tape"), column(f"{name}.z")
    off = (value - tape)[np.isfinite(value) & np.isfinite(tape)]
    low, middle, high = np.quantile(off, [0.16, 0.5, 0.84]) if len(off) else (np.nan,) * 3
    return FleetParameter(
        name=name, unit=unit, runs=int(np.isfinite(value).sum()), taped=len(off),
        median_difference=number(middle), spread=number((high - low) / 2),
        beyond=int((np.abs(z[np.isfinite(z)]) > BEYOND).sum()), differences=_histogram(off))


def _histogram(values):
    """Bars over the middle 98 %, and how many lie beyond; over all of fewer than a hundred, as
    many as Sturges' rule has (numpy). None of nothing."""
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    low, high = np.quantile(values, [0.01, 0.99] if len(values) >= 100 else [0.0, 1.0])
    if high <= low:
        low, high = low - 0.5 * max(abs(low), 1e-6), high + 0.5 * max(abs(high), 1e-6)
    counts, edges = np.histogram(values, "sturges", (low, high))
    return Histogram(edges=edges.tolist(), counts=counts.tolist(),
                     below=int((values < low).sum()), above=int((values > high).sum()))
