"""A set-up that is called like a known point stands on it."""

import numpy as np
import pytest

from calib.intake.declaration import declare
from calib.intake.gather import gather_import
from calib.intake.proposal.propose import propose
from calib.run.complaints import Findings, InputError
from tests.intake.layouts import sheet_of, shots_of

KNOWN = {"K1": (20.0, -30.0, -1.0), "K2": (45.0, 12.0, 0.5), "K3": (-20.0, 18.0, 1.5)}
HEIGHT, TURN = 1.532, np.radians(47.3)
TOLD = {"unit": "m", "instrument": {"angles": "3 arcsec", "distance": "1 mm + 1 ppm"}}


def raw_of(run, sighted, heights=(HEIGHT,), at=KNOWN["K1"]):
    """Raw observations from K1; instrument heights in turn; it stands at `at`."""
    sights = [(name, KNOWN[name]) for name in sighted]
    sights += [(f"{pose}-{side}", position) for pose, side, position, _ in shots_of(run)]
    lines = ["station,instrument height,point,Hz [gon],V [gon],slope distance,prism height"]
    for i, (name, position) in enumerate(sights):
        arm = np.array(position) - np.array(at) - [0, 0, heights[0]]
        turned = np.mod(np.arctan2(arm[0], arm[1]) - TURN, 2 * np.pi)
        zenith = np.arctan2(np.hypot(*arm[:2]), arm[2])
        lines.append(f"K1,{heights[i % len(heights)]},{name},{turned * 200 / np.pi:.6f},"
                     f"{zenith * 200 / np.pi:.6f},{np.linalg.norm(arm):.5f},0.000")
    return "\n".join(lines) + "\n"


def imported(folder, run, raw, **told):
    (folder / "raw.csv").write_text(raw)
    (folder / "known.csv").write_text("point,east,north,up\n" + "".join(
        f"{name},{e},{n},{u}\n" for name, (e, n, u) in KNOWN.items()))
    (folder / "readings.csv").write_text(sheet_of(run))
    proposal = propose([folder / name for name in ("known.csv", "raw.csv", "readings.csv")],
                       run.rig, declare({**TOLD, **told}))
    return proposal, gather_import(proposal.request(folder / "run"), Findings())


@pytest.mark.parametrize(("sighted", "doubtful"), [(("K2", "K3"), 0), (("K2",), 1)])
def test_the_mark_gives_the_position(sighted, doubtful, run, tmp_path):
    proposal, found = imported(tmp_path, run, raw_of(run, sighted))
    assert [c.about for c in proposal.doubtful] == ["where the set-ups stand"] * doubtful
    assert np.abs(found.placed["K1"].value[:3] - KNOWN["K1"] - [0, 0, HEIGHT]).max() < 1e-9
    for shot, (_, _, at, _) in zip(found.shots, shots_of(run), strict=True):
        assert np.abs(shot.position - at).max() < 1e-4
    assert any("sights alone put it" in line for line in found.understood) == (doubtful == 0)


def test_a_set_up_away_from_its_mark_is_refused(run, tmp_path):
    raw = raw_of(run, ("K2", "K3"), at=np.add(KNOWN["K1"], [0.1, 0, 0]))
    with pytest.raises(InputError, match="sights to known points that disagree"):
        imported(tmp_path, run, raw)
    assert imported(tmp_path, run, raw, setup_sd="solved")[1].shots


def test_two_heights_of_one_set_up_are_two_set_ups(run, tmp_path):
    with pytest.raises(InputError, match="a name of its own"):
        imported(tmp_path, run, raw_of(run, ("K2", "K3"), (1.532, 1.611)))
