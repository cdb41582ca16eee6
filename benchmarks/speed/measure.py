"""What is measured, and how: processor seconds, medians, all contenders in turn in one process."""

import os
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.linalg import lapack

from benchmarks.speed import rivals
from benchmarks.speed.full import Full
from benchmarks.speed.kinematics import Casadi, Pinocchio
from calib.adjust.reliability import reliability
from calib.calibration import HOUSE_PLACEMENT, Problem, problem_of, solve
from calib.chain.rig import rig_from_dict
from calib.cli.simulate import STANDARD_RIG
from calib.judge.suspects import find_suspects
from calib.simulate import simulate

RIG = rig_from_dict(tomllib.loads(STANDARD_RIG))


def a_run(poses, stands=1, seed=0):
    """A simulated run, two corners of the edge in every pose, taped."""
    return simulate(RIG, np.random.default_rng(seed), poses=poses, stands=stands)[0]


def seconds(call) -> float:
    """Processor seconds of a call."""
    begin = time.process_time()
    call()
    return time.process_time() - begin


def median(call, repeats=5) -> float:
    """Of so many calls after a first one, s."""
    call()
    return float(np.median([seconds(call) for _ in range(repeats)]))


def whole(run):
    """What is compared: the solution with covariance and reliability."""
    solution = solve(run)
    reliability(solution.adjustment)
    return solution


#: Name, what it is, how often it is repeated.
CONTENDERS = (
    ("(a) scipy, numeric", rivals.numeric, 3),
    ("(b) scipy, analytic, dense", rivals.analytic_dense, 9),
    ("(b) scipy, analytic, sparse", rivals.analytic_sparse, 5),
    ("(c) lmfit", rivals.by_lmfit, 3),
    ("(d) odrpack", rivals.by_odrpack, 3),
    ("(e) CasADi derivatives", rivals.by_casadi, 9),
    ("(f) Ceres", rivals.by_ceres, 9),
)


def ratios(poses=30, only=None):
    """Per contender name, seconds (None: not installed) and distance from calib's answer in sds.

    The first row is calib itself. In each round everybody has a turn.
    """
    run = a_run(poses)
    full, solution = Full(run), whole(run)
    free, sd = solution.adjustment.free, solution.adjustment.sd
    times, off, calls = {"calib": []}, {"calib": 0.0}, {"calib": lambda: whole(run)}
    for name, solver, _ in CONTENDERS:
        if only and name not in only:
            continue
        try:
            call = _ready(solver, full)
            found = call()
        except ImportError:
            times[name], off[name] = None, np.nan
            continue
        gap = np.abs(found - solution.adjustment.parameters[free]) / sd[free]
        times[name], off[name], calls[name] = [], float(gap.max()), call
    turns = {name: repeats for name, _, repeats in CONTENDERS} | {"calib": 25}
    for turn in range(max(turns[name] for name in calls)):
        for name, call in calls.items():
            if turn < turns[name]:
                times[name].append(seconds(call))
    return {name: (None if t is None else float(np.median(t)), off[name])
            for name, t in times.items()}


def _ready(solver, full):
    if solver is rivals.by_casadi:
        made = Casadi(full)  # once per run: not counted
        return lambda: solver(full, made)
    return lambda: solver(full)


def floor(poses=30) -> float:
    """Seconds of bare LAPACK on matrices of the shapes that a solve has, as often as it has them.

    For each evaluation of the model a QR and the Cholesky factors of all blocks with their
    inverses; once an SVD for rank, covariance and reliability.
    """
    solution, evaluations = _counted(a_run(poses))
    linearised = solution.adjustment.linearised
    design = np.asfortranarray(linearised.design)
    blocks = [np.tile(np.eye(g.shape[1]), (len(g), 1, 1)) for g in linearised.whiteners[:-1]]

    def bare():
        for _ in range(evaluations):
            lapack.dgeqrf(design)
            for block in blocks:
                np.linalg.inv(np.linalg.cholesky(block))
        lapack.dgesdd(design, full_matrices=False)

    return median(bare, 15 if poses <= 100 else 3)


def parts(poses=30) -> dict[str, float]:
    """Of a solve: seconds in the chain with its derivatives, in setting up, and in all."""
    run = a_run(poses)
    solution, evaluations = _counted(run)
    problem, repeats = solution.problem, 15 if poses <= 100 else 7
    at = solution.adjustment.parameters, solution.adjusted_readings
    return {"chain": evaluations * median(lambda: problem(*at), repeats),
            "setting up": median(lambda: problem_of(run), repeats),
            "all": median(lambda: whole(run), repeats)}


def _counted(run):
    """The solution of a run, and how often the model was evaluated for it."""
    evaluations, rows = [0], Problem._rows

    def counted(self, *arguments):
        evaluations[0] += 1
        return rows(self, *arguments)

    Problem._rows = counted
    try:
        return solve(run), evaluations[0]
    finally:
        Problem._rows = rows


def threads(poses=30) -> tuple[float, float]:
    """Processor seconds of a solve with BLAS as it comes, in all its threads, and in one."""
    code = ("import sys; from threadpoolctl import ThreadpoolController as Pools; "
            "Pools.wrap = Pools.wrap if 'one' in sys.argv else lambda *_, **__: lambda f: f; "
            "from benchmarks.speed.measure import a_run, median, whole; "
            f"run = a_run({poses}); print(median(lambda: whole(run), 25))")
    environment = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    every, one = (float(subprocess.run(
        [sys.executable, "-c", code, how], check=True, capture_output=True, text=True,
        env=environment).stdout) for how in ("all", "one"))
    return every, one


def kinematics(poses=1000):
    """Microseconds per configuration: point and Jacobian by calib and by pinocchio.

    calib's Jacobian is by all parameters, the placement and the readings, pinocchio's by the
    joints, which are the same numbers.
    """
    chain, joints = RIG.chain, np.random.default_rng(0).uniform(-1, 1, (poses, 7))
    direct, level = chain.with_direct_joints, np.tile(HOUSE_PLACEMENT, (poses, 1))
    target = np.full(poses, [t.name for t in chain.targets].index("edge_left"))

    def own():
        return direct.posture(RIG.start, level, joints).points(target, np.arange(poses))

    mine = 1e6 * median(own) / poses
    try:
        other = Pinocchio(chain, RIG.start, "edge_left")
    except ImportError:
        return mine, None, np.nan
    point, jacobian = other.point_and_jacobian(joints[0])
    same = own()
    off = max(np.abs(point - same.position[0]).max(), np.abs(jacobian - same.by_readings[0]).max())
    return mine, 1e6 * median(lambda: [other.point_and_jacobian(q) for q in joints]) / poses, off


def large(poses=30_000, stands=1):
    """Of a solve with reliability in a process of its own: processor seconds, peak memory, MB, and
    that before it.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.pickle"
        made = ("import pickle, sys; from benchmarks.speed.measure import a_run; "
                f"pickle.dump(a_run({poses}, {stands}), open({str(path)!r}, 'wb'))")
        subprocess.run([sys.executable, "-c", made], check=True)
        code = ("from benchmarks.speed.measure import whole, seconds, peak; import pickle; "
                f"run = pickle.load(open({str(path)!r}, 'rb')); before = peak(); "
                "print(seconds(lambda: whole(run)), peak(), before)")
        told = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True,
                              text=True)
    return tuple(map(float, told.stdout.split()))


def peak() -> float:
    """Largest memory that this process has had since its program began, MB (Linux)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def stands(poses=1000, many=40) -> float:
    """How many times as long a run on so many stands takes as one on a single stand."""
    one, other = a_run(poses), a_run(poses, many)
    return median(lambda: whole(other)) / median(lambda: whole(one))


def wrong_readings(poses=2000, errors=100):
    """Seconds to find readings that are 1 to 8 deg off, how many are named, and names in all."""
    rng = np.random.default_rng(4)
    run = simulate(RIG, rng, poses=poses, stands=2)[0]
    readings = run.poses.readings.copy()
    bad = rng.choice(poses, errors, replace=False), rng.integers(0, readings.shape[1], errors)
    size = np.radians(np.exp(rng.uniform(0.0, np.log(8.0), errors)))
    readings[bad] += size * rng.choice([-1, 1], errors)
    run = replace(run, poses=replace(run.poses, readings=readings))
    return _found(run, {f"{run.poses.ids[p]}/{RIG.reading_names[r]}"
                        for p, r in zip(*bad, strict=True)})


def snooping(poses=2000, errors=100):
    """Seconds to find shots that are 5 to 40 cm off, how many are named, and names in all."""
    rng = np.random.default_rng(4)
    run = simulate(RIG, rng, poses=poses, stands=2)[0]
    bad = rng.choice(len(run.shots), errors, replace=False)
    way = rng.normal(size=(errors, 3))
    size = np.exp(rng.uniform(np.log(0.05), np.log(0.4), errors))
    position = run.shots.position.copy()
    position[bad] += size[:, None] * way / np.linalg.norm(way, axis=1, keepdims=True)
    run = replace(run, shots=replace(run.shots, position=position))
    return _found(run, {run.shots.ids[i] for i in bad})


def _found(run, planted):
    solution, found = solve(run), []
    taken = seconds(lambda: found.append(find_suspects(solution)))
    named = {s.name for s in found[0].found}
    return taken, len(named & planted), len(named)
