"""Planted errors and clean runs: what the search for suspects finds, leaves and accuses.

    python benchmarks/outliers.py KIND COUNT [SEED]

KIND: many, mixed, tape, small, untaped, clean, weak, reading. Prints a table; no test asserts it.
The errors are written into the arrays of a clean run, with sizes and shapes of their own.
"""

import sys
import time
from collections import Counter
from dataclasses import replace

import numpy as np

from calib.adjust.mixed_model import NotConverged
from calib.adjust.snooping import judge
from calib.adjust.spectrum import NotDetermined
from calib.calibration import HOUSE_PLACEMENT, solve
from calib.chain.rig import rig_from_dict
from calib.judge.set_aside import SetAside, without
from calib.judge.shot_checks import check_shots
from calib.judge.suspects import find_suspects, suspicion
from calib.run.complaints import InputError
from calib.simulate import simulate

RIG = rig_from_dict({
    "template": "tilt_rotator",
    "shots": {"sd": {"east": 0.004, "north": 0.004, "up": 0.006}},
    "readings": {"sd": {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
                        "coupler": 0.05, "tilt": 0.06, "rotate": 0.10}},
})

#: Readings of which the shots see an error of a few degrees.
SEEN = ("house_roll", "boom", "stick", "coupler", "tilt", "rotate")


def shots_off(run, rng, count, least=0.05, most=0.4):
    """Shots moved by lengths spread evenly in their logarithm, half of them straight up."""
    rows = rng.choice(len(run.shots), count, replace=False)
    size = np.exp(rng.uniform(np.log(least), np.log(most), count))
    way = rng.normal(size=(count, 3))
    way[rng.random(count) < 0.5] = [0, 0, 1]
    position = run.shots.position.copy()
    position[rows] += way / np.linalg.norm(way, axis=1)[:, None] * size[:, None]
    names = {run.shots.ids[i] for i in rows}
    return replace(run, shots=replace(run.shots, position=position)), names


def readings_off(run, rng, count):
    """Readings off by 1 to 20 deg, in poses of their own."""
    poses = rng.choice(np.unique(run.shots.pose), count, replace=False)
    readings, names = run.poses.readings.copy(), set()
    for pose in poses:
        name = rng.choice(SEEN)
        off = rng.choice([-1, 1]) * np.radians(rng.uniform(1, 20))
        readings[pose, run.rig.reading_names.index(name)] += off
        names.add(f"{run.poses.ids[pose]}/{name}")
    return replace(run, poses=replace(run.poses, readings=readings)), names


def tape_off(run, rng, quantity=None):
    """One taped value off by 8 to 20 of its sds, of those that the shots can see."""
    choice = [q for q in ("boom_length", "stick_length", "edge_width")
              if q in run.tape.quantities]
    quantity = quantity or rng.choice(choice)
    i = run.tape.quantities.index(quantity)
    value = run.tape.value.copy()
    value[i] += rng.choice([-1, 1]) * rng.uniform(8, 20) * run.tape.sd[i]
    return replace(run, tape=replace(run.tape, value=value)), {f"tape:{quantity}"}


def many(rng):
    run, _ = simulate(RIG, rng, poses=int(rng.integers(24, 31)), stands=int(rng.integers(1, 3)))
    return shots_off(run, rng, 16)


def mixed(rng):
    run, _ = simulate(RIG, rng, poses=int(rng.integers(18, 31)), stands=int(rng.integers(1, 3)))
    run, names = shots_off(run, rng, int(rng.integers(1, 7)))
    bad = {run.shots.pose[run.shots.ids.index(n)] for n in names}
    run, more = readings_off(run, rng, int(rng.integers(0, 3)))
    if {n.split("/")[0] for n in more} & {run.poses.ids[p] for p in bad}:
        return mixed(rng)
    names |= more
    if rng.random() < 0.5:
        run, more = tape_off(run, rng)
        names |= more
    return run, names


def tape(rng):
    run, _ = simulate(RIG, rng, poses=24)
    return tape_off(run, rng)


def small(rng):
    run, _ = simulate(RIG, rng, poses=int(rng.integers(5, 9)))
    return shots_off(run, rng, 1, 0.1)


def untaped(rng):
    run, _ = simulate(RIG, rng, poses=24, taped=False)
    return shots_off(run, rng, 2)


def clean(rng):
    run, _ = simulate(RIG, rng, poses=int(rng.integers(12, 31)), stands=int(rng.integers(1, 3)),
                      taped=rng.random() < 0.7)
    return run, set()


def touches(name, planted, run):
    """Whether a suspect is a planted error or of the pose of one."""
    return name in planted or pose_of(name, run) in {pose_of(p, run) for p in planted}


def covered(planted, names, run):
    """Planted errors that are among the suspects, or of whose pose something else is."""
    poses = {pose_of(n, run) for n in names if n not in planted}
    return {p for p in planted if p in names or pose_of(p, run) in poses}


def pose_of(name, run):
    """The pose that a shot, a reading or a pose belongs to; the name itself of what is taped."""
    if name in run.shots.ids:
        return run.poses.ids[run.shots.pose[run.shots.ids.index(name)]]
    return name.removeprefix("pose:").split("/")[0]


def campaign(kind, count, seed):
    """Plant, search, count."""
    found = named = planted_all = innocent = failed = kept = whole = low = 0
    stopped, started = Counter(), time.perf_counter()
    for k in range(count):
        run, planted = kind(np.random.default_rng([seed, k]))
        try:
            suspects = find_suspects(solve(run))
            rest = suspects.without
        except (NotConverged, NotDetermined, InputError) as error:
            failed += 1
            stopped[type(error).__name__] += 1
            continue
        names = {s.name for s in suspects.beyond_chance}
        named += len(names & planted)
        hit = covered(planted, names, run)
        wrong = {n for n in names if not touches(n, planted, run)}
        found, planted_all = found + len(hit), planted_all + len(planted)
        innocent += len(wrong)
        whole += hit == planted and not wrong
        worst = max((v.quotient for v in judge(rest.adjustment, suspicion(rest))
                     if v.candidate.detects), default=0.0)
        kept += worst > 2.5
        low += getattr(suspects, "chance", 1.0) < 0.05
        stopped[suspects.stopped.split(":")[0][:60]] += 1
    print(f"{kind.__name__}: {count} runs, {failed} without a solution; planted {planted_all}, "
          f"named {named}, or their pose {found}, others accused {innocent}; all right in {whole}; "
          f"rest worse than 2.5 times a limit in {kept}; run-level chance < 0.05 in {low}; "
          f"{(time.perf_counter() - started) / count:.2f} s a run")
    for words, times in stopped.most_common(8):
        print(f"    {times:4d}  {words}")


def weak(count, seed):
    """Runs that nearly do not determine the machine: how they end."""
    for name in ("tilt and rotate hardly moved", "5 poses"):
        ends = Counter()
        for k in range(count):
            rng = np.random.default_rng([seed, k])
            if name == "5 poses":
                run, _ = simulate(RIG, rng, poses=5, taped=False)
            else:
                _, truth = simulate(RIG, rng, poses=24)
                joints = RIG.chain.posture(
                    truth.parameters, np.tile(HOUSE_PLACEMENT, (24, 1)), truth.readings, False
                ).joints.copy()
                by = np.radians(np.exp(rng.uniform(np.log(0.01), np.log(0.5))))
                names = RIG.reading_names
                for reading in ("tilt", "rotate"):
                    j = names.index(reading)
                    joints[:, j] = np.radians(10) + by * rng.normal(size=24)
                run, _ = simulate(RIG, rng, poses=24, taped=False, joints=joints)
            try:
                solve(run)
                ends["solved"] += 1
            except (NotConverged, NotDetermined, InputError) as error:
                ends[type(error).__name__] += 1
                if count <= 3:
                    print(error)
        print(f"weak, {name}: {dict(ends)}")


def reading(count, seed):
    """A reading off by up to 180 deg set aside: fit, and the check shots of its pose."""
    factor, worst, statistics, failed, clear = [], [], [], 0, []
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        run, _ = simulate(RIG, rng, poses=20)
        pose, name = int(rng.integers(20)), rng.choice(SEEN)
        j = RIG.reading_names.index(name)
        values = run.poses.readings.copy()
        values[pose, j] += rng.choice([-1, 1]) * np.radians(rng.uniform(2, 180))
        run = replace(run, poses=replace(run.poses, readings=values))
        keep = np.arange(len(run.shots)) != np.flatnonzero(run.shots.pose == pose)[0]
        check = run.shots.select(~keep)
        run = replace(run, shots=run.shots.select(keep))
        try:
            solution = solve(without(run, SetAside(readings=frozenset({(pose, j)}))))
        except (NotConverged, NotDetermined, InputError):
            failed += 1
            continue
        checked = check_shots(solution, check)
        if len(checked.misses):
            worst.append(1000 * checked.lengths.max())
            statistics.append(checked.statistics[0])
            clear.append(1000 * np.sqrt(np.trace(checked.covariances[0])))
        factor.append(solution.adjustment.variance_factor)
    print(f"reading: {count} runs, {failed} failed; variance factor mean {np.mean(factor):.3f}, "
          f"largest {np.max(factor):.1f}; check shot of the pose: {len(worst)} predicted, median "
          f"miss {np.median(worst):.0f} mm (sd {np.median(clear):.0f}), largest "
          f"{np.max(worst):.0f}, mean chi2 of 3 {np.mean(statistics):.2f}")


if __name__ == "__main__":
    what, count = sys.argv[1], int(sys.argv[2])
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    if what in ("weak", "reading"):
        {"weak": weak, "reading": reading}[what](count, seed)
    else:
        campaign({k.__name__: k for k in (many, mixed, tape, small, untaped, clean)}[what],
                 count, seed)
