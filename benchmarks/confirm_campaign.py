"""How often confirm names what was mistyped: a table, kind by kind.

    python benchmarks/confirm_campaign.py [--runs 20] [--seed 51000] [--poses 6] [--step 0.001]
                                          [--noise 1] [--only WORD] [--pairs] [--show]

Of every kind of typing fault (`tests/confirm/planted.py`, made of the texts in the fields) those
are planted that move the edge by more than the requirement of 20 mm somewhere in the envelope.
Named first: the first claim is about these fields and no others, with what is in them within a
step and a half, or within what the display can tell. Alike: the same, but as one of a group. Else
it is not named (the display disagrees), not seen (it agrees at these poses, which is not called
proof), missed (called agreement), or named wrongly. "clean" plants nothing. With --pairs
each fault has a second of any kind in other fields (all old values leave none). The last column is
processor seconds a run.
"""

import argparse
import sys
import time
import tomllib
from collections import Counter
from importlib import resources
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT)]

from calib.chain.rig import rig_from_dict  # noqa: E402
from calib.confirm.confirmed import AGREES, DISAGREES, NOT_PROVEN, confirm  # noqa: E402
from calib.confirm.posed import from_readings  # noqa: E402
from calib.confirm.slips import Sheet  # noqa: E402
from calib.entries.listed import entry_list  # noqa: E402
from tests.confirm import planted  # noqa: E402
from tests.conftest import STANDARD  # noqa: E402

GOAL = 0.020

ENTRIES = tomllib.loads((resources.files("calib.entries") / "example.toml").read_text("utf-8"))

VERDICTS = ("first", "alike", "not named", "not seen", "missed", "wrong")


def run(world, texts, rng, poses, step, noise):
    """What confirm says of a display with these texts."""
    rig = world.rig
    listed = entry_list(ENTRIES, rig)
    sheet = Sheet(listed, *(np.array(list(map(float, t)))
                            for t in (world.texts, world.old, world.start, world.sd)))
    shown = planted.display(world, texts, planted.some_poses(rig, rng, poses), rng, step=step,
                            noise=noise)
    return confirm(rig, sheet, planted.in_si(rig, world.solved), shown, from_readings(rig, shown),
                   GOAL)


def is_right(tried, world, texts, confirmed):
    """Whether a claim is about what was planted, and no further from it than the display tells."""
    typed, right = np.array(list(map(float, texts))), confirmed.sheet.right
    steps = confirmed.sheet.entries.steps
    fields = set(np.flatnonzero(np.abs(typed - right) > 0.75 * steps).tolist())
    if tried is None or tried.pose is not None or not fields or set(tried.fields) != fields:
        return False
    if all(abs(tried.typed[i] - typed[i]) <= 1.5 * steps[i] for i in fields):
        return True
    compared = confirmed.compared
    one, other = compared.misfits(np.array([*compared.machines(typed[None]), tried.parameters]))
    return float(np.linalg.norm(one - other)) < 3.0


def verdict(confirmed, world, texts):
    """One of `VERDICTS`."""
    if confirmed.status in (AGREES, NOT_PROVEN):
        return "missed" if confirmed.status == AGREES else "not seen"
    if confirmed.status == DISAGREES:
        return "not named"
    if is_right(confirmed.found.claimed, world, texts, confirmed):
        return "first"
    rivals = confirmed.found.rivals
    return "alike" if any(is_right(r, world, texts, confirmed) for r in rivals) else "wrong"


def plant(kind, seed, pairs):
    """A world and the texts in its fields."""
    rng = np.random.default_rng(seed)
    world = planted.world(rig_from_dict(STANDARD), rng)
    if kind == "clean":
        return world, world.texts, rng
    texts = planted.faulty(world, kind, rng, GOAL)
    return world, _with_another(world, texts, rng) if pairs and texts else texts, rng


def _with_another(world, texts, rng):
    """The texts with a second fault, of any kind, in other fields; None where none are left."""
    changed = [i for i, (a, b) in enumerate(zip(texts, world.texts, strict=True)) if a != b]
    for _ in range(40):
        other = planted.faulty(world, str(rng.choice(list(planted.KINDS))), rng, GOAL)
        if other is not None and all(other[i] == world.texts[i] for i in changed):
            return tuple(texts[i] if i in changed else other[i] for i in range(len(texts)))
    return None


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--seed", type=int, default=51000)
    parser.add_argument("--poses", type=int, default=6)
    parser.add_argument("--step", type=float, default=0.001)
    parser.add_argument("--noise", type=float, default=1.0)
    parser.add_argument("--only", default="")
    parser.add_argument("--pairs", action="store_true")
    parser.add_argument("--show", action="store_true")
    asked = parser.parse_args()
    print(f"{'kind':36}" + "".join(f"{v:>10}" for v in VERDICTS) + f"{'s':>7}")
    total, kinds = Counter(), [k for k in (*planted.KINDS, "clean") if asked.only in k]
    for kind in kinds:
        counts, spent, made = Counter(), 0.0, 0
        for k in range(asked.runs):
            number = [*planted.KINDS, "clean"].index(kind)
            world, texts, rng = plant(kind, [asked.seed, number, k],
                                      asked.pairs and kind != "clean")
            if texts is None:
                continue
            began, made = time.process_time(), made + 1
            found = run(world, texts, rng, asked.poses, asked.step, asked.noise)
            spent += time.process_time() - began
            if kind == "clean":
                counts[found.status] += 1
                continue
            said = verdict(found, world, texts)
            counts[said] += 1
            if asked.show and said != "first":
                changed = [(planted.FIELDS[i][0], world.texts[i], t) for i, t in enumerate(texts)
                           if t != world.texts[i]]
                claimed = found.found.claimed
                print("   ", k, said, changed[:3], "->", claimed and (
                    claimed.pose, [(s.family.name, dict(s.typed)) for s in claimed.slips]))
        if kind == "clean":
            print(f"{kind:36}", dict(counts), f"{spent / max(made, 1):6.2f}")
        else:
            print(f"{kind:36}" + "".join(f"{counts[v]:>10}" for v in VERDICTS)
                  + f"{spent / max(made, 1):7.2f}", flush=True)
            total += counts
    print(f"{'all':36}" + "".join(f"{total[v]:>10}" for v in VERDICTS))


if __name__ == "__main__":
    main()
