"""Judgement on its way into the record, and in words for the terminal."""

from collections.abc import Sequence

import numpy as np

from calib.adjust.critical import (
    ALPHA,
    POWER,
    delta0,
    equal_power_level,
    equal_power_limit,
    pope_tau,
)
from calib.adjust.distributions import normal_isf
from calib.adjust.reliability import GroupTests, pope_taus
from calib.calibration import Solution
from calib.document import judged as tables
from calib.document.record import ResultRecord
from calib.document.solved import ShotTests, VectorTest
from calib.foretold import replaced_readings
from calib.judge.choice import Chosen
from calib.judge.correlation import Correlation
from calib.judge.external import External
from calib.judge.gates import ERROR_RATE, HELD_OUT
from calib.judge.identify import Identifiability
from calib.judge.judgement import Judgement
from calib.judge.noise import Noise
from calib.judge.plausible import Plausibility
from calib.judge.scale import SurveyScale
from calib.judge.suspects import Suspects
from calib.judge.tape import TAPE_LEVEL
from calib.judge.trends import Trend
from calib.report.evidence import names_of_shots, quantity_unit, sds_of, seen_from_house
from calib.report.numbers import SHOWN, numbers, unit_factor, unit_factors
from calib.report.spoken import spoken, spoken_values
from calib.report.words.gate import (
    HELD_OUT_NOT_JUDGED,
    SCALE_NOT_SHOWN,
    SHARED_BY,
    gate_says,
)
from calib.report.words.mistake import mistake_says
from calib.report.words.noise import noise_says
from calib.report.words.plausible import (
    equivalent_says,
    far_says,
    machine_says,
    out_of_range_says,
    relabelling_edit,
    teller_says,
)
from calib.report.words.requirement import ORIGIN
from calib.report.words.suspect import replaced_says, suspect_says, tape_says
from calib.report.words.trend import trend_name, trend_says

#: How many trends are listed besides the significant ones.
LISTED = 3


#: Said of a value with redundancy 0.
UNCHECKED = "not checked by anything"


def shot_reliability(solution: Solution, judgement: Judgement) -> list[ShotTests]:
    """Per shot: each component, and the shot as a vector of three, tested at equal power."""
    checks, adjustment = judgement.reliability.observations, solution.adjustment
    vectors = GroupTests.of(adjustment).test_all(
        [(range(3 * i, 3 * i + 3), None, ()) for i in range(len(solution.run.shots))])
    return ShotTests.each(
        tau=pope_taus(checks.w, adjustment).reshape(-1, 3), detectable=checks.mdb.reshape(-1, 3),
        vector=[VectorTest.made(chi2=vector.statistic, dof=vector.dof, detectable=vector.mdb,
                                limit=equal_power_limit(vector.dof)) if vector.dof else None
                for vector in vectors],
        says=[None if vector.dof else UNCHECKED for vector in vectors])


def levels_record(solution: Solution) -> tables.Tests:
    """Levels and critical values of the tests of single values."""
    dof = solution.adjustment.dof
    return tables.Tests(
        alpha=ALPHA, power=POWER, w=float(normal_isf(ALPHA / 2)),
        tau=pope_tau(dof) if dof >= 2 else None, delta0=delta0(),
        vector=equal_power_limit(3), vector_alpha=equal_power_level(3))


def identifiability_record(told: Identifiability) -> tables.Identifiability:
    """Singular values, observability indices and correlations, of the shots without the tape."""
    return tables.Identifiability.like(
        told, singular_values=told.singular,
        correlated=[tables.Correlated(one=a, other=b, correlation=r)
                    for a, b, r in told.correlated],
    )


def noise_records(noise: tuple[Noise, ...] | None) -> list[tables.Noise] | None:
    """How many times its stated sd each kind of value scatters; None if not to be separated."""
    return None if noise is None else tables.Noise.each(noise, says=map(noise_says, noise))


def trend_records(trends: tuple[Trend, ...]) -> list[tables.Trend]:
    """The significant trends and the next few."""
    told = trends[:sum(t.significant for t in trends) + LISTED]
    return tables.Trend.each(told, name=map(trend_name, told), says=map(trend_says, told),
                             chi2=[t.statistic for t in told])


def held_out_record(judgement: Judgement) -> tables.HeldOut | None:
    """Misses of held-out poses against their predicted sds, lengths in m.

    `passed` is null where the rest does not fix the machine: there is nothing to judge by then.
    """
    held = judgement.held_out
    if held is None:
        return None
    passed = next((g.passed for g in judgement.gates if g.name == HELD_OUT), None)
    return tables.HeldOut.like(
        held,
        count=len(held.checked.shots),
        missing_poses=list(held.missing),
        max_3d=float(held.checked.lengths.max()),
        standardised_sd=held.standardised.std(),
        chi2=held.statistic,
        passed=passed,
        shots=tables.Missed.each(shot=held.checked.shots.ids, miss=held.checked.misses,
                                 sd=sds_of(held.checked.covariances)),
    )


def goal_record(judgement: Judgement) -> tables.Goal:
    """What the edge must be known to and is known to, worst over the envelope, m."""
    edge, found = judgement.edge, judgement.systematic
    hidden = None if found is None or judgement.instead is not None else found.hidden
    return tables.Goal.like(
        edge, edge=edge.goal, source=ORIGIN[edge.origin], confidence=0.95,
        hidden=hidden and hidden.moves, reach=edge.reach or None)


def correlation_record(told: Correlation | None) -> tables.ShotCorrelation | None:
    """The test of each shot's error against that of the shot before."""
    if told is None:
        return None
    return tables.ShotCorrelation.like(told, order="time" if told.timed else "file")


def scale_record(scale: SurveyScale | None) -> tables.SurveyScale | None:
    """The scale of the shots that the taped lengths ask for, less 1."""
    return None if scale is None else tables.SurveyScale.like(scale)


def verdict_record(judgement: Judgement, noise: Sequence[Noise] = ()) -> tables.Verdict:
    """One sentence, whether every gate passed, the reasons, what failed first, and notes."""
    gates = tables.Gate.each(
        judgement.gates, says=[gate_says(g, judgement, noise) for g in judgement.gates])
    failed_first = sorted(gates, key=lambda gate: gate.passed)
    notes = list(_taped_notes(judgement))
    if judgement.scale is None:
        notes.append(SCALE_NOT_SHOWN)
    failed = [gate.name for gate in failed_first if not gate.passed]
    untold = ("" if judgement.scale is not None
              else " No taped length vouches for the scale of the survey.")
    says = (
        f"Solved; every gate passed.{untold}" if not failed
        else f"Solved, but not to be used as it is: {', '.join(failed)} failed."
    )
    return tables.Verdict(
        says=says,
        passed=not failed,
        gates=gates,
        reasons=[gate.says for gate in failed_first],
        notes=notes,
        explained=None if judgement.instead is None else mistake_says(judgement.instead.fact),
        error_rate=ERROR_RATE,
        shared_by=SHARED_BY,
    )


def _taped_notes(judgement):
    """A sentence per taped value that the shots contradict, the worst first."""
    rig, test = judgement.suspects.solution.rig, judgement.taped
    count = len(test.quantities)
    do = "tape it again" if judgement.instead is None else \
        "the error that values share may be why: look for that first"
    for i in np.argsort(-np.abs(np.nan_to_num(test.z)), kind="stable"):
        if not test.significant[i]:
            break
        unit = quantity_unit(rig, test.quantities[i])
        says = tape_says(test.quantities[i], unit, unit_factor(unit) * test.tape[i],
                         unit_factor(unit) * test.without[i], test.z[i])
        yield (f"{says}; of {count} good values one is beyond {test.limit:.1f} sd in "
               f"{100 * -np.expm1(count * np.log1p(-TAPE_LEVEL)):.0f} runs of 100: {do}.")


def plausible_record(plausible: Plausibility) -> tables.Plausible:
    """Values out of place, and the machines that the shots fit as well with what tells them."""
    def machine_record(weighed):
        machine = weighed.machine
        relabelling = machine.relabelling
        return tables.OtherMachine(
            machine=equivalent_says(machine),
            edit=None if relabelling is None else relabelling_edit(relabelling),
            differs=list(machine.differs), shots_chi2=machine.excess,
            tape_chi2=machine.tape_excess, evidence=weighed.evidence,
            told_by=weighed.told_by and teller_says(weighed.told_by),
            would_tell=weighed.would_tell, says=machine_says(weighed, plausible.rig),
        )

    return tables.Plausible.like(
        plausible,
        out_of_range=[tables.OutOfPlace(name=o.parameter,
                                        says=out_of_range_says(o, plausible.rig))
                      for o in plausible.out_of_range],
        far_from_start=[tables.OutOfPlace(name=o.parameter, says=far_says(o, plausible.rig))
                        for o in plausible.far_from_start],
        equivalents=[machine_record(w) for w in plausible.equivalents],
    )


def undetected_record(solution: Solution, external: External) -> tables.Undetected:
    """What errors of just detectable size do at the edge, m; null where nothing would stop them."""
    run = solution.run
    names = solution.rig.reading_names
    return tables.Undetected(
        shots=tables.UndetectedShot.each(shot=run.shots.ids, edge=external.shots),
        readings=[{"pose": pose, **dict(zip(names, numbers(row), strict=True))}
                  for pose, row in zip(run.poses.ids, external.readings, strict=True)],
        tape=tables.UndetectedTape.each(
            quantity=solution.adjustment.prior.names[:len(external.taped)], edge=external.taped),
    )


def without_suspects_record(suspects: Suspects) -> tables.WithoutSuspects | None:
    """The result without the suspects, beside the one with them; None without suspects."""
    if not suspects.beyond_chance:
        return None
    rest = suspects.without
    return tables.WithoutSuspects.made(
        without=suspects.aside.names, parameters=_effect(suspects.solution, rest),
        variance_factor=rest.adjustment.variance_factor or None, dof=rest.adjustment.dof)


def set_aside_record(chosen: Chosen) -> tables.SetAside:
    """The choice, what was set aside with its miss and reason, and its effect."""
    why = {} if chosen.whole is None else {
        s.name: suspect_says(s, chosen.whole) for s in chosen.because}
    shots = []
    if chosen.predicted is not None:
        predicted = chosen.predicted
        shots = tables.AsideShot.each(
            **names_of_shots(chosen.solution, predicted.shots), miss=predicted.misses,
            sd=sds_of(predicted.covariances),
            **seen_from_house(chosen.solution, predicted.shots, predicted.misses))
    run = chosen.solution.run
    told = {f"{run.poses.ids[r.pose]}/{run.rig.reading_names[r.reading]}":
            replaced_says(r, run.rig) for r in replaced_readings(chosen.solution)}
    return tables.SetAside(
        choice=chosen.choice,
        values=[tables.Aside(name=name, reason=why.get(name, "named by the user")
                             + (f" ({told[name]})" if name in told else ""))
                for name in chosen.aside.names],
        shots=shots,
        effect=None if chosen.whole is None else _effect(chosen.whole, chosen.solution),
    )


def _effect(whole: Solution, rest: Solution) -> list[tables.Effect]:
    """Per rig parameter: with everything, without, and the difference in sds of the first."""
    rows = np.flatnonzero(~whole.rig.held)
    told = [whole.rig.parameters[i] for i in rows]
    sd, sd_rest = (np.sqrt(np.diag(of.covariance))[rows] for of in (whole, rest))
    with_all, without = whole.parameters[rows], rest.parameters[rows]
    f = unit_factors(p.unit for p in told)
    with np.errstate(invalid="ignore", divide="ignore"):
        in_sd = np.where(sd > 0, (with_all - without) / sd, np.nan)
    return tables.Effect.each(told, with_=f * with_all, without=f * without,
                              sd_without=f * sd_rest, in_sd=in_sd)


def judged_lines(document: ResultRecord) -> list[str]:
    """What is worth a line on the terminal: suspects' effect, noise and trends."""
    lines = []
    aside = document.set_aside
    if aside.values:
        names = spoken_values((v.name for v in aside.values), document.reading_names)
        lines.append(f"Set aside ({aside.choice}): {names}.")
    lines += document.verdict.notes
    beside = document.without_suspects
    if beside is not None:
        most = max(beside.parameters, key=lambda p: abs(p.in_sd or 0.0))
        unit, factor = SHOWN[most.unit]
        was, now = ("-" if v is None else f"{factor * v:.2f}" for v in (most.with_, most.without))
        lines.append(
            f"Without the suspects: variance factor {beside.variance_factor:.2f}; "
            f"the {spoken(most.name)} changes most, from {was} to {now} {unit}."
            + ("" if document.verdict.explained else " To use that result: --set-aside suspects"))
    held = document.held_out
    if held is not None and held.passed is None:
        lines.append(HELD_OUT_NOT_JUDGED)
    lines += [n.says for n in document.noise or () if n.differs]
    lines += [t.says for t in document.trends if t.significant]
    return lines
