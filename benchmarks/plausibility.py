"""Wrong machines that fit, and right ones: what the plausibility gate says of them.

Run: python benchmarks/plausibility.py wrong|clean [COUNT]

`wrong` plants a relabelling in simulated runs of every shipped rig, taped in full, in part (only
what does not tell) or not at all, and prints how well the run fits, and how it would end by the
other gates and with the plausibility gate. `clean` counts how many right machines pass, and what
tells them from the others. Seeds are fixed; all machines are invented.
"""

import sys
from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np

from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.quick import look
from calib.adjust.spectrum import NotDetermined
from calib.calibration import problem_of, solve
from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.judge.changed import with_readings, with_shots
from calib.judge.judgement import HOPELESS, judge
from calib.judge.plausible import plausibility
from calib.report.words.plausible import equivalent_says, plausible_says
from calib.run.complaints import InputError
from calib.simulate import simulate

#: Mean square misclosure, in variances, beyond which a run is not solved.
FAR_OFF = 1e3

#: Taped in part: these tell neither corners nor links.
IN_PART = ("edge_drop", "tilt_axis_drop", "edge_side")


def rig(template, values=None):
    """A shipped rig with sds (common practice, no source), and starting values if given."""
    sd = {r.name: 0.03 if r.name.startswith("house") else 0.1 if r.name in ("rotate", "swing")
          else 0.05 for r in rig_from_template(template).readings}
    return rig_from_dict({"template": template, "readings": {"sd": sd}, "values": values or {},
                          "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}}})


def in_part(run):
    """The run with only those tape rows that tell nothing apart."""
    rows = [i for i, q in enumerate(run.tape.quantities) if q in IN_PART]
    tape = run.tape
    return replace(run, tape=replace(
        tape, quantities=tuple(tape.quantities[i] for i in rows), value=tape.value[rows],
        sd=tape.sd[rows], unit=tuple(tape.unit[i] for i in rows),
        line=tuple(tape.line[i] for i in rows)))


def mistakes(run):
    """Name and wrong run, for every relabelling of the whole run."""
    names, target = run.rig.reading_names, run.shots.target
    for a, b in combinations(range(len(names)), 2):
        order = np.arange(len(names))
        order[[a, b]] = b, a
        yield f"{names[a]} ~ {names[b]}", with_readings(run, run.poses.readings[:, order],
                                                        run.poses.sd[:, order])
    left, right = (run.rig.target_names.index(n) for n in ("edge_left", "edge_right"))
    yield "corners", with_shots(run, target=np.where(target == left, right, left))
    for j, name in enumerate(names):
        sign = np.where(np.arange(len(names)) == j, -1.0, 1.0)
        yield f"sign of {name}", with_readings(run, run.poses.readings * sign)
    plane = [r.kind == "in_boom_plane" for r in run.rig.readings]
    yield "signs in the boom plane", with_readings(run, run.poses.readings * np.where(plane, -1, 1))
    yield "east ~ north", with_shots(run, position=run.shots.position[:, [1, 0, 2]])
    yield "up", with_shots(run, position=run.shots.position * [1.0, 1.0, -1.0])
    yield "site mirrored", with_shots(run, position=run.shots.position * [-1.0, 1.0, 1.0])


def ending(run):
    """Variance factor, exit status without and with the plausibility gate, and the gate's words.

    What is far from fitting after a first look is not solved: it ends otherwise, but not with 0.
    """
    problem = problem_of(run)
    first = look(problem, problem.observations, problem.start, prior=problem.prior,
                 held=problem.held)
    if first.chi2 > FAR_OFF * len(problem.observations.values):
        return np.inf, "not 0", "not 0", ""
    try:
        solution = solve(run)
    except InputError:
        return np.nan, 3, 3, ""
    except (NotConverged, ModelNotFinite):
        return np.nan, 4, 4, ""
    except NotDetermined:
        return np.nan, 5, 5, ""
    factor = solution.adjustment.variance_factor
    found = plausibility(solution)
    if factor > HOPELESS:
        return factor, 6, 6, plausible_says(found)
    gates = judge(solution).gates
    before = all(g.passed for g in gates if g.name != "plausibility")
    return factor, 0 if before else 6, 0 if before and found.passed else 6, plausible_says(found)


def wrong(count):
    """The table of planted relabellings."""
    print("rig; poses; tape; case; variance factor; exit before; after; says")
    counts = Counter()
    for template in template_names():
        for index in range(count):
            rng = np.random.default_rng([71, index])
            poses = (24, 8)[index % 2]
            run, _ = simulate(rig(template), rng, poses=poses, stands=1 + (poses > 8))
            for tape, taped in (("all", run), ("part", in_part(run)),
                                ("none", replace(run, tape=type(run.tape).none()))):
                for name, mistaken in mistakes(taped):
                    factor, before, after, says = ending(mistaken)
                    counts[before, after] += 1
                    if factor < HOPELESS:
                        print(f"{template}; {poses}; {tape}; {name}; {factor:.2f}; {before}; "
                              f"{after}; {says}", flush=True)
    print("exit before, after: count", dict(counts))


def clean(count):
    """Right machines: how many pass, and what told."""
    for template in template_names():
        for how in ("taped", "template's start", "values stated"):
            passed, told, failed = 0, Counter(), Counter()
            for index in range(count):
                rng = np.random.default_rng([72, index])
                poses = int(rng.choice([8, 12, 24, 36]))
                run, truth = simulate(rig(template), rng, poses=poses, stands=1 + (poses > 12),
                                      taped=how == "taped")
                if how == "values stated":
                    about = {p.name: round(v * (1 + 0.01 * rng.normal()), 3)
                             for p, v in zip(run.rig.parameters, truth.parameters, strict=True)
                             if p.unit == "m" and p.start > 0.05 and not p.held}
                    run = replace(run, rig=rig(template, about))
                try:
                    found = plausibility(solve(run))
                except (InputError, NotConverged, NotDetermined):
                    failed["no solution"] += 1
                    continue
                passed += found.passed
                for w in found.equivalents:
                    if w.machine.relabelling is not None:
                        by = w.told_by.kind if w.told_by else "nothing"
                        told[equivalent_says(w.machine), by] += 1
                if not found.passed:
                    failed[plausible_says(found)[:200]] += 1
            print(f"{template}; {how}: {passed} of {count} pass", flush=True)
            for (says, by), times in told.most_common():
                print(f"    {times:4d} {says}: {by}")
            for says, times in failed.most_common(8):
                print(f"    failed {times}: {says}")


if __name__ == "__main__":
    {"wrong": wrong, "clean": clean}[sys.argv[1]](int(sys.argv[2]) if len(sys.argv) > 2 else 2)
