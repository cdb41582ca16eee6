"""Runs that were adjusted in one go, as a document and in words; nothing is written here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np

from calib.adjust.congruency import LEVEL
from calib.calibration import Solution
from calib.document import together as tables
from calib.document.solved import Covariance, Job
from calib.judge.drift import SURVEY_SCALE, SURVEY_VERTICAL
from calib.judge.gates import SHARING
from calib.report.numbers import SHOWN, unit_factor, unit_factors, value_and_sd
from calib.report.spoken import spoken
from calib.together.adjusted import Together
from calib.together.series import Series, series
from calib.together.sharing import RUN, SINCE, Sharing, Split

_SURVEYS = {
    SURVEY_SCALE: ("%", 100.0, "of all lengths", "scale or unit of that survey, not the machine"),
    SURVEY_VERTICAL: ("deg", float(np.degrees(1.0)), "of all sensors in the boom plane",
                      "vertical of that survey, not the machine"),
}


#: Other explanations that one sentence names.
_NAMED = 4


@dataclass(frozen=True)
class Written:
    """What became of a run's own result: its folder, failed gates, or why there is none."""

    result: str | None
    failed: tuple[str, ...] = ()
    note: str = ""


def together_document(together: Together, sharing: Sharing,
                      alone: Mapping[int, Solution | None], written: Sequence[Written],
                      aside: Sequence[Sequence[str]]) -> tables.TogetherRecord:
    """All that was found, m and deg.

    Parameters
    ----------
    alone : mapping of int to Solution or None
        Runs by themselves; None, or not there, where a run alone has no solution.
    written : sequence of Written
        Per run.
    aside : sequence of sequence of str
        What was set aside, per run.
    """
    differences = [_difference(together, f) for f in sharing.found]
    failed = [v.name for v, w in zip(together.joint.visits, written, strict=True)
              if set(w.failed) - {SHARING} or w.note]
    adjustment = together.adjustment
    return tables.TogetherRecord(
        schema_=1,
        calib=version("calib"),
        runs=_runs(together, written, aside),
        quantities=_quantities(together, alone),
        covariance=_covariance(together),
        chi2=adjustment.chi2,
        dof=adjustment.dof,
        variance_factor=adjustment.variance_factor,
        sharing=tables.SharingTest.like(
            sharing, level=LEVEL, pooled_variance_factor=sharing.pooled,
            differences=differences),
        over_time=[_over(together, s) for s in series(together)],
        passed=bool(sharing.justified) and not failed,
        says=_says(sharing, differences, failed),
    )


def _runs(together, written, aside):
    records = []
    for visit, problem, told, w, names in zip(
            together.joint.visits, together.joint.problems, together.told, written, aside,
            strict=True):
        run = problem.run
        records.append(tables.OneRun.like(
            visit, job=Job(**run.rig.job), set_aside=names, files=dict(run.files),
            shots=len(run.shots), poses=len(np.unique(run.shots.pose)),
            variance_factor=told.chi2 / told.dof if told.dof > 0 else None, dof=told.dof,
            **vars(w)))
    return records


def _quantities(together, alone):
    joint, sd = together.joint, together.adjustment.sd
    records = []
    for column in range(joint.n_machine):
        unknown, free = joint.layout.unknowns[column], together.adjustment.free[column]
        f = unit_factor(unknown.quantity.unit)
        having = [i for i in range(len(joint.visits)) if column in joint.machine_columns(i)]
        own = []
        for i in having:
            solution = alone.get(i)
            if solution is not None and free:
                k = solution.rig.parameter_names.index(unknown.quantity.name)
                if not solution.rig.held[k]:
                    own.append(tables.Alone.made(
                        run=joint.visits[i].name, value=f * solution.parameters[k],
                        sd=f * np.sqrt(solution.covariance[k, k])))
        records.append(tables.Quantity.like(
            unknown, parameter=unknown.quantity.name, unit=unknown.quantity.unit,
            means=unknown.quantity.means, value=f * together.parameters[column],
            sd=f * sd[column] if free else None,
            runs=[joint.visits[i].name for i in having], alone=own))
    return records


def _covariance(together):
    n, free = together.joint.n_machine, together.adjustment.free
    layout = together.joint.layout
    kept = np.flatnonzero(free[:n])
    factor = unit_factors([layout.units[i] for i in kept])
    matrix = together.covariance[np.ix_(kept, kept)] * np.outer(factor, factor)
    return Covariance(names=[layout.names[i] for i in kept],
                      units=[layout.units[i] for i in kept],
                      matrix=((matrix + matrix.T) / 2).tolist())


def _over(together, one: Series):
    unknown, visits = together.joint.layout.unknowns[one.column], together.joint.visits
    f = unit_factor(unknown.quantity.unit)
    return tables.Over.made(
        name=unknown.name, unit=unknown.quantity.unit, value=f * together.parameters[one.column],
        sd=f * together.adjustment.sd[one.column], runs=[visits[i].name for i in one.runs],
        values=f * one.value, sds=f * one.sd)


def _difference(together, found):
    split = found.split
    if split.name in _SURVEYS:
        unit, f, of_what, cause = _SURVEYS[split.name]
        factor, label, means, hint = 1.0, unit, of_what, f" Probably the {cause}."
    else:
        quantity = together.joint.layout.named(split.name).quantity
        unit, f, means, hint = quantity.unit, unit_factor(quantity.unit), quantity.means, ""
        label, factor = SHOWN[unit]
    size, spread = value_and_sd(abs(f * found.change), f * found.sd, factor)
    way = "larger" if found.change > 0 else "smaller"
    others = [_place(other) for other in found.alternatives]
    rivals = f" Or it is {_some(others)}: these shots cannot tell." if others else ""
    said = (f"The {spoken(split.name)} ({means}) is {size} ± {spread} {label} (1 sd) {way} "
            f"{_there(split)}.{hint}{rivals}")
    return tables.Difference.like(
        found, name=split.name, unit=unit, where=split.kind, of=split.where,
        change=f * found.change, sd=f * found.sd, alternatives=others, says=said,
        do=_do(together, split))


def _some(others):
    more = [f"{len(others) - _NAMED} others"] if len(others) > _NAMED else []
    return " or ".join(others[:_NAMED] + more)


def _there(split: Split):
    return {RUN: f"in {split.where} than in the other runs",
            SINCE: f"from {split.where} on than before"}.get(
                split.kind, f"with {split.where} than with other attachments")


def _place(split: Split):
    where = {RUN: f"in {split.where}", SINCE: f"from {split.where} on"}
    return f"{spoken(split.name)} {where.get(split.kind, f'with {split.where}')}"


def _do(together, split: Split):
    """What to write into the plan."""
    if split.name in _SURVEYS:
        return f"Look at the survey of {split.where} before anything is split."
    name = together.joint.layout.named(split.name).quantity.name
    sensors = {r.zero: r.name for p in together.joint.problems for r in p.run.rig.readings}
    if split.kind not in (RUN, SINCE):
        return f'{name} = "attachment" under [scopes]'
    last = split.runs == (len(together.joint.visits) - 1,)
    if name in sensors and (split.kind == SINCE or last):
        return (f'remounted = ["{sensors[name]}"] at {split.where}, if its sensor was mounted '
                "anew; a gain of it that is wrong looks much the same: calib diagnose first")
    return f'{name} = "day" under [scopes]'


def _says(sharing, differences, failed):
    if not sharing.rank:
        said = "No two runs tell the same: there was nothing to test."
    elif sharing.justified:
        said = "Sharing is justified: what the runs share differs by nothing beyond chance."
    elif not differences:
        said = "The runs do not share a machine as asked, but no single quantity explains it."
    else:
        said = "The runs do not share all that was asked: " + " ".join(
            d.says for d in differences)
        if not sharing.explained:
            said += " And there is more: look whether all runs are of one machine."
    said += (" A gate fails, with what the others say of the machine, in the result of: "
             f"{', '.join(failed)}." if failed else "")
    return f"Do not enter these values. {said}" if failed or not sharing.justified else said
