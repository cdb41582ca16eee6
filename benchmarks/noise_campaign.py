"""Is the kind of value that is noisier than stated named, and no other blamed for it?

For every kind of value and every factor: runs in which that kind is so many times noisier than
stated. The table gives the shares of runs in which

- bound: the most powerful test could tell it (see `most_power`), mean over a few designs,
- named: that kind is said to differ from what is stated,
- group: only a group that holds it is,
- blamed: another kind is, or a group without it,
- cover, least, most: the 95 % interval of that kind, and of the others by kind, holds the truth.

Run: ``python benchmarks/noise_campaign.py [runs] [shape] [kind:factor ...]``.
"""

import sys
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.judge.noise import HORIZONTAL, VERTICAL, noise
from calib.simulate import simulate

FIRST_SEED, DRAWS, DESIGNS, ALPHA = 7_310_000, 4000, 2, 0.05

SHOT_SD = {"east": 0.002, "north": 0.002, "up": 0.002}
READING_SD = {
    "house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05, "coupler": 0.05,
    "bucket": 0.05, "tilt": 0.06, "rotate": 0.10, "swing": 0.05, "second_boom": 0.05,
}

#: Poses, stands (dealt in turn over the runs), rig and whether it is taped.
SHAPES = {
    "standard": (30, (1, 2), "tilt_rotator", True),
    "untaped": (30, (1, 2), "tilt_rotator", False),
    "few": (8, (1,), "tilt_rotator", True),
    "bucket": (30, (1, 2), "plain_bucket", True),
}


def stated_rig(template):
    """A rig of the template with the sds of a careful run."""
    bare = rig_from_dict({"template": template})
    sds = {name: READING_SD[name] for name in bare.reading_names}
    return rig_from_dict({"template": template, "shots": {"sd": SHOT_SD},
                          "readings": {"sd": sds}})


def kinds_of(rig):
    return (HORIZONTAL, VERTICAL, *rig.reading_names)


def noisy_run(rig, kind, times, seed, poses, stands, taped=True):
    """A run in which one kind of value scatters `times` its stated sd."""
    shot_sd = np.array(rig.shot_sd, float)
    shot_sd[{HORIZONTAL: slice(0, 2), VERTICAL: slice(2, 3)}.get(kind, slice(0))] *= times
    readings = tuple(replace(r, sd=r.sd * times) if r.name == kind else r for r in rig.readings)
    run, _ = simulate(replace(rig, shot_sd=shot_sd, readings=readings),
                      np.random.default_rng(seed), poses=poses, stands=stands, taped=taped)
    sd = np.tile([r.sd for r in rig.readings], (poses, 1))
    covariance = np.tile(np.diag(rig.shot_sd**2), (len(run.shots), 1, 1))
    return replace(run, rig=rig, poses=replace(run.poses, sd=sd),
                   shots=replace(run.shots, covariance=covariance))


def contrasts(solution):
    """Covariances of the error contrasts: of the tape, and per kind as stated; dense."""
    linearised, n = solution.adjustment.linearised, len(solution.adjustment.residuals)
    left = linearised.spectrum.left
    free = np.linalg.svd(left, full_matrices=True)[0][:, left.shape[1]:]
    parts = [np.diag(np.arange(len(left)) >= n).astype(float)]
    parts += [np.zeros((len(left), len(left))) for _ in kinds_of(solution.rig)]
    for group, g in zip(solution.problem.observations.groups, linearised.whiteners[:-1],
                        strict=True):
        up = group.rows % 3 == 2
        b = linearised.by_readings[group.rows]
        own = [group.covariance * (~up[:, :, None] & ~up[:, None]),
               group.covariance * (up[:, :, None] & up[:, None])]
        for j in range(b.shape[2]):
            q = solution.problem.observations.reading_covariance[group.blocks, j, j]
            own.append(q[:, None, None] * b[:, :, None, j] * b[:, None, :, j])
        for part, stack in zip(parts[1:], own, strict=True):
            part[group.rows[:, :, None], group.rows[:, None]] = g @ stack @ g.transpose(0, 2, 1)
    return np.array([free.T @ part @ free for part in parts])


def most_power(parts, kind, times, level):
    """Upper bound of the power of any test that this kind is as stated, others being anything.

    That of the Neyman-Pearson test, at `level`, against the one set of factors with this kind as
    stated that comes closest to the truth (least Kullback-Leibler divergence); no test of the
    composite hypothesis can have more, nor against any other set of factors that fits it.
    """
    truth = np.ones(len(parts))
    truth[1 + kind] = times**2
    noisy = np.tensordot(truth, parts, 1)
    others = np.array([i for i in range(1, len(parts)) if i != 1 + kind])

    def divergence(logs):
        theta = np.ones(len(parts))
        theta[others] = np.exp(logs)
        null = np.tensordot(theta, parts, 1)
        inverse = np.linalg.inv(null)
        ratio = inverse @ noisy
        rate = np.einsum("kij,ji->k", parts[others], inverse - ratio @ inverse)
        return np.linalg.slogdet(null)[1] + np.trace(ratio), rate * theta[others]

    found = minimize(divergence, np.full(len(others), 0.1), jac=True, method="L-BFGS-B",
                     bounds=[(-9, 9)] * len(others), options={"maxiter": 40})
    theta = np.ones(len(parts))
    theta[others] = np.exp(found.x)
    null = np.tensordot(theta, parts, 1)
    rng, difference = np.random.default_rng(FIRST_SEED), np.linalg.inv(null) - np.linalg.inv(noisy)
    squares = rng.normal(size=(DRAWS, len(null))) ** 2
    drawn = []
    for covariance in (null, noisy):
        lower = np.linalg.cholesky(covariance)
        drawn.append(squares @ np.linalg.eigvalsh(lower.T @ difference @ lower))
    return float(np.mean(drawn[1] > np.quantile(drawn[0], 1 - level)))


def case(rig, kind, times, shape, runs):
    """One line of the table: shares of runs, and the cover by kind."""
    poses, stands, _, taped = SHAPES[shape]
    kinds, covered = kinds_of(rig), {}
    named = grouped = blamed = told_nothing = 0
    for i in range(runs):
        run = noisy_run(rig, kind, times, FIRST_SEED + i, poses, stands[i % len(stands)], taped)
        try:
            found = noise(solve(run))
        except Exception as error:  # a campaign counts what goes wrong and goes on
            print(f"# {kind} x{times} seed {FIRST_SEED + i}: {error!r}"[:120], flush=True)
            told_nothing += 1
            continue
        single = {n.name for n in found if n.differs and not n.kinds}
        group = [n.kinds for n in found if n.kinds]
        named += kind in single
        grouped += any(kind in g for g in group)
        blamed += bool(single - {kind}) or any(kind not in g for g in group)
        for n in found:
            if np.isfinite(n.times):
                truth = times if n.name == kind else 1.0
                covered.setdefault(n.name, []).append(n.low95 <= truth <= n.high95)
    done = max(runs - told_nothing, 1)
    return named / done, grouped / done, blamed / done, {
        k: np.mean(covered[k]) for k in kinds if len(covered.get(k, ())) >= runs / 10}


def bound(rig, kind, times, shape):
    """`most_power` at the level that one kind of all has, over a few designs."""
    poses, stands, _, taped = SHAPES[shape]
    power = []
    for i in range(DESIGNS):
        run = noisy_run(rig, kind, 1.0, FIRST_SEED + i, poses, stands[i % len(stands)], taped)
        parts = contrasts(solve(run))
        kinds = kinds_of(rig)
        power.append(most_power(parts, kinds.index(kind), times, ALPHA / len(kinds)))
    return float(np.mean(power))


def main():
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    shape = sys.argv[2] if len(sys.argv) > 2 else "standard"
    rig = stated_rig(SHAPES[shape][2])
    cases = [(argument.split(":")[0], float(argument.split(":")[1])) for argument in sys.argv[3:]]
    cases = cases or [("none", 1.0)] + [(k, t) for t in (3.0, 5.0) for k in kinds_of(rig)]
    print(f"{runs} runs of shape {shape} {SHAPES[shape]}")
    print(f"{'kind':18s}{'times':>6s}{'bound':>7s}{'named':>7s}{'group':>7s}{'blamed':>8s}"
          f"{'cover':>7s}{'least':>7s}{'most':>7s}")
    for kind, times in cases:
        most = bound(rig, kind, times, shape) if times != 1 else np.nan
        named, grouped, blamed, cover = case(rig, kind, times, shape, runs)
        rest = [c for k, c in cover.items() if k != kind] or [np.nan]
        print(f"{kind:18s}{times:6.1f}{most:7.2f}{named:7.2f}{grouped:7.2f}{blamed:8.3f}"
              f"{cover.get(kind, np.nan):7.2f}{min(rest):7.2f}{max(rest):7.2f}", flush=True)


if __name__ == "__main__":
    main()
