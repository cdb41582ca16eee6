"""How often the 95 % interval of an effect's size holds the true one, effect by effect.

    python benchmarks/effects_cover.py --runs 300 --seed 700000 [--only NAME]

Every effect is a few lines of a rig file. Runs of 24 poses on three stands, both corners of the
edge, nothing taped; effects of a degree (1 sd, 0.1 deg per m of sag, 20 mm of the swing axis); the
house leans by 5 deg (1 sd) from stand to stand, which is what tells how inclinometers are turned:
on less the square of a larger turn has its say too, and its sign becomes a guess. Linkages are
5 mm (1 sd) and 0.5 deg from the template. Each effect has draws of its own. Prints the share of
intervals, and within which shares 99 % of honest campaigns of that size lie (binomial, exact).
"""

import argparse
import time

import numpy as np
from scipy.stats import binom

from calib.calibration import solve
from calib.chain.rig import rig_from_dict
from calib.intervals import intervals
from calib.simulate import drawn_joints, drawn_parameters, simulate

POSES, STANDS, LEANING = 24, 3, np.radians(5.0)
SDS = {"house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05, "coupler": 0.05,
       "tilt": 0.06, "rotate": 0.10, "slew": 0.05}


def _size(unit="deg"):
    return {"unit": unit, "start": 0.0, "means": "size of the effect"}


def _bent(times, of, to=None, **place):
    # A degree of sag per metre would be a machine of rubber.
    varying = {"by": {"size": 0.1 if to else 1}, "times": times, "of": of}
    varying |= {"to": to} if to else {}
    return {"motions": [{"rotate": "y", "varying": [varying], **place}]}


def _turned(axis, **place):
    return {"motions": [{"rotate": axis, "by": {"size": 1}, **place}]}


def _sensed(reading, **changes):
    return {"sensors": {reading: changes}}


SLEW = {
    "sensors": {"slew": {"kind": "slew", "uses": {"pitch": "house_pitch", "roll": "house_roll"},
                         "means": "house turned on its tracks"}},
    "motions": [{"rotate": "z", "joint": "slew", "after": "stand"},
                {"translate": "x", "by": {"size": 1}, "at": "house"}],
    "parameters": {"size": _size("m")}, "limits": {"slew": [-120, 120]}}

#: The boom is lifted by a cylinder with a stroke sensor; all of its triangle is free. Invented.
STROKE = {
    "sensors": {"boom": {"kind": "stroke", "zero": "boom_closed", "through": "triangle",
                         "branch": 1, "uses": {"near": "boom_near", "far": "boom_far",
                                               "near_angle": "boom_lift"}}},
    "parameters": {
        "boom_closed": {"unit": "m", "start": 1.65, "tape_sd": 0.005,
                        "means": "length of the cylinder, closed"},
        "boom_near": {"unit": "m", "start": 0.75, "least": 0.4, "most": 1.2, "tape_sd": 0.005,
                      "means": "boom foot pin to the cylinder's pin on the house"},
        "boom_far": {"unit": "m", "start": 2.3, "least": 1.8, "most": 2.8, "tape_sd": 0.005,
                     "means": "boom foot pin to the cylinder's pin on the boom"},
        "boom_lift": {"unit": "deg", "start": -34.0, "least": -60, "most": 0,
                      "means": "forward up to the line from boom foot to cylinder foot"}},
    "limits": {"boom": [-15, 55]}}

EFFECTS = {
    "boom sags under its own weight": _bent("cosine of inclination", "boom", after="boom"),
    "boom sags under its load": _bent("horizontal distance", "boom", "stick_end", after="boom"),
    "stick sags under its load": _bent("horizontal distance", "stick", "stick_end", after="stick"),
    "stick has play": _bent("pose column", "load", after="stick"),
    "boom lags by its approach": _sensed("boom", varying={"size": "approach"}),
    "rotate reads too much": _sensed("rotate", varying={"size": "reading"}),
    "rotate is off its centre": _sensed("rotate", varying={"size": "cosine"}),
    "boom sensor is turned": _sensed("boom", uses={"twist": "size"}),
    "stick sensor is turned": _sensed("stick", uses={"twist": "size"}),
    "tilt sensor is turned": _sensed("tilt", uses={"twist": "size"}),
    "stick pin turned left": _turned("z", before="stick"),
    "rotation axis leans left": _turned("x", before="rotator"),
    "swing axis, by an encoder": SLEW,
    "swing axis, slew unknown": SLEW | {"sensors": {"slew": {
        **SLEW["sensors"]["slew"], "optional": True}}},
    "bucket linkage, taped to 2 mm": {"template": "tilt_rotator_linkage"},
    "boom cylinder, taped to 5 mm": STROKE,
}

#: What is measured where it is not `size` alone; these have a tape.
MEASURED = {
    "bucket linkage, taped to 2 mm": ("link_input", "link_floating", "link_output"),
    "boom cylinder, taped to 5 mm": ("boom_closed", "boom_near", "boom_far", "boom_lift"),
}
TAPED = set(MEASURED)


def rig_with(name):
    """A template with an effect whose size is estimated."""
    effect, of_own = EFFECTS[name], {}
    if name not in MEASURED:
        of_own = {"parameters": {"size": _size()}}
    sds = {n: sd for n, sd in SDS.items() if n != "slew" or n in effect.get("sensors", {})}
    if effect is STROKE:
        sds["boom"] = 0.0005
    return rig_from_dict({
        "template": "tilt_rotator", **of_own, **effect,
        "shots": {"sd": {"horizontal": 0.002, "vertical": 0.002}}, "readings": {"sd": sds}})


def one_run(name, rig, rng):
    """Solved less true sizes over their sds, and which 95 % intervals hold the true ones."""
    truth = drawn_parameters(rig, rng)
    at = [rig.parameter_names.index(n) for n in MEASURED.get(name, ("size",))]
    if name not in MEASURED:
        truth[at] /= 1.0 if rig.parameters[at[0]].unit == "m" else 2.0
    else:  # Of a linkage of another size, some poses could not be assembled.
        truth[at] += (rig.start[at] - truth[at]) * 0.75
    fixed = [i for i, r in enumerate(rig.readings) if r.parked]
    parked = np.full((POSES, len(rig.readings)), np.nan)
    parked[:, fixed] = rng.normal(0, LEANING, (STANDS, len(fixed)))[np.arange(POSES) % STANDS]
    joints = drawn_joints(rig, truth, POSES, rng, parked)
    run, truth = simulate(rig, rng, poses=POSES, stands=STANDS, parameters=truth, joints=joints,
                          taped=name in TAPED)
    solution = solve(run)
    ends, true = intervals(solution), truth.parameters[at]
    off = (solution.parameters[at] - true) / np.sqrt(np.diag(solution.covariance))[at]
    return off, (ends.low[at] < true) & (true < ends.high[at])


def covered(name, runs, seed):
    """How many of how many 95 % intervals hold the true size, and the rms error in sds."""
    rig, place = rig_with(name), list(EFFECTS).index(name)
    off, held = zip(*(one_run(name, rig, np.random.default_rng([seed, place, k]))
                      for k in range(runs)), strict=True)
    return int(np.sum(held)), np.size(held), float(np.sqrt(np.mean(np.square(off))))


def main():
    """Print the table."""
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--runs", type=int, default=300)
    arguments.add_argument("--seed", type=int, default=700_000)
    arguments.add_argument("--only", default="")
    given = arguments.parse_args()
    low, high = binom.ppf([0.005, 0.995], given.runs, 0.95) / given.runs
    print(f"{given.runs} runs each; 99 % of honest campaigns: {low:.1%} to {high:.1%}")
    for name in EFFECTS:
        if given.only in name:
            before = time.process_time()
            count, of, rms = covered(name, given.runs, given.seed)
            print(f"{name:34} {count} of {of} {count / of:6.1%}  rms error {rms:.3f} sd  "
                  f"{time.process_time() - before:.0f} s", flush=True)


if __name__ == "__main__":
    main()
