"""How often the test of backsights refuses sound set-ups, and how often it tells what is wrong.

Run: python benchmarks/set_up_test.py [TRIES] [SEED]

Invented free stations, three or four known points 15 to 70 m away, both faces, errors as stated.
Sound set-ups should be refused once in a thousand; each fault should be refused, and named.
"""

import sys
from collections import Counter

import numpy as np

from calib.intake.declaration import declare
from calib.intake.files.pointings import read_observations
from calib.intake.matching.backsights import judge_set_ups
from calib.intake.matching.known_points import KnownPoints, place_set_ups
from calib.run.complaints import Findings

SECOND = np.radians(1 / 3600)
FAULTS = {
    "sound": "", "packed-dms as deg": "read as packed-dms", "packed-dms as gon":
    "read as packed-dms", "deg as gon": "read as deg", "one point 5 cm off": "without P1 they",
    "pole 5 cm at one point": "only the heights", "two points exchanged": "P1 and P2 exchanged",
    "east and north exchanged": "east and north",
}


def written(angle, unit):
    """An angle as a field file has it."""
    degrees = np.degrees(angle) % 360
    if unit == "gon":
        return f"{degrees / 0.9:.5f}"
    if unit == "deg":
        return f"{degrees:.5f}"
    tenths = round(float(degrees) * 36000)
    return f"{tenths // 36000}.{tenths // 600 % 60:02d}{tenths % 600:03d}"


def drawn(rng, fault):
    """Text of a raw file, its declared unit, and the known points."""
    unit, said = fault.split(" as ") if " as " in fault else ("deg", "deg")
    n = int(rng.integers(3, 5))
    bearing = rng.uniform(0, 2 * np.pi) + np.arange(n) * 2 * np.pi / n + rng.uniform(-0.5, 0.5, n)
    reach, up = rng.uniform(15, 70, n), rng.uniform(-4, 6, n)
    known = np.column_stack([reach * np.sin(bearing), reach * np.cos(bearing), up])
    truth = known + 0.002 * rng.normal(size=known.shape)
    if fault == "one point 5 cm off":
        truth[1, 0] += 0.05
    if fault == "pole 5 cm at one point":
        truth[1, 2] += 0.05
    turn, rows = rng.uniform(0, 2 * np.pi), []
    for i, arm in enumerate(truth - [0.0, 0.0, 1.6]):
        distance = np.linalg.norm(arm)
        h, v = np.arctan2(arm[0], arm[1]) - turn, np.arccos(arm[2] / distance)
        for face in (1, 2):
            hf, vf = (h, v) if face == 1 else (h + np.pi, 2 * np.pi - v)
            hf, vf = (x + np.sqrt(2) * 5 * SECOND * rng.normal() for x in (hf, vf))
            rows.append(f"S,P{i},{face},{written(hf, unit)},{written(vf, unit)},"
                        f"{distance + (0.002 + 2e-6 * distance) * rng.normal():.4f}")
    if fault == "two points exchanged":
        known[[1, 2]] = known[[2, 1]]
    if fault == "east and north exchanged":
        known = known[:, [1, 0, 2]]
    points = KnownPoints("known.csv", tuple(f"P{i}" for i in range(n)), known,
                         np.full((n, 3), 0.002))
    return "setup,point,face,direction,zenith,distance\n" + "\n".join(rows) + "\n", said, points


def judged(rng, fault):
    """What became of one set-up: accepted, named, or refused without a name."""
    text, said, known = drawn(rng, fault)
    declared = declare({"unit": "m", "frame": "ground", "pole": "applied", "angles": said,
                        "instrument": {"direction": "5 arcsec", "zenith": "5 arcsec",
                                       "distance": "2 mm + 2 ppm"}})

    def reread(angles):
        unheard = Findings()
        found = read_observations(text.encode(), "raw.txt", declared.model_copy(
            update={"angles": angles}), unheard)
        return None if unheard.complaints else found

    findings = Findings()
    found = read_observations(text.encode(), "raw.txt", declared, findings)
    if found is None:
        return "refused at reading"
    sds = declared.instrument.sds()
    placed, _ = place_set_ups(("S",), found.polar, found.setup, found.ids, known, {}, sds, findings)
    judge_set_ups(found, known, {}, placed, sds, said, reread, findings)
    words = "\n".join(map(str, findings.complaints))
    if not words:
        return "accepted"
    return "named" if FAULTS[fault] and FAULTS[fault] in words else "refused, not named"


def main(tries=200, seed=1):
    """Print the table."""
    rng = np.random.default_rng(seed)
    outcomes = ("accepted", "named", "refused, not named", "refused at reading")
    print(f"{'fault':28}" + "".join(f"{o:>20}" for o in outcomes))
    for fault in FAULTS:
        count = Counter(judged(rng, fault) for _ in range(tries * (5 if fault == "sound" else 1)))
        print(f"{fault:28}" + "".join(f"{count[o]:>20}" for o in outcomes), flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
