"""Changed requests of the page against what a careful person would make of them."""

import numpy as np
import pytest

from calib.run.complaints import InputError
from calib.yard.changes import ACTIONS
from calib.yard.session import Session, planned_poses
from tests.yard.oracle import wrong_request


def test_as_a_careful_person_notes_it(grown):
    """A shot with one or two changed fields: noted as it was meant, or refused with nothing
    written."""
    session, rng = Session(grown), np.random.default_rng(11)
    pose = session.notebook.poses()[0]["pose"]
    found = [fault for _ in range(400) if (fault := wrong_request(session, pose, rng))]
    assert not found, f"{len(found)}: " + "\n".join(found[:5])


@pytest.mark.parametrize("body", ['{"names": ["a"], "names": []}', '{"names": [NaN]}', "[" * 9999,
                                  "{", "\x00"])
def test_what_can_be_read_in_two_ways_or_none_is_refused(grown, body):
    """A key twice, numbers that JSON does not know, nested without end; nothing is noted."""
    before = {p: p.read_bytes() for p in grown.iterdir() if p.is_file()}
    with pytest.raises(InputError, match="no JSON"):
        ACTIONS["/aside"](Session(grown), body.encode())
    assert {p: p.read_bytes() for p in grown.iterdir() if p.is_file()} == before


def test_a_plan_with_a_key_twice_is_none(planned, tmp_path):
    """Which of the two counts nobody can tell."""
    text = (planned[0] / "plan" / "plan.json").read_text("utf-8")
    (tmp_path / "plan").mkdir()
    assert planned_poses(tmp_path) == ()
    (tmp_path / "plan" / "plan.json").write_text(text, "utf-8")
    assert planned_poses(tmp_path)
    (tmp_path / "plan" / "plan.json").write_text(text.replace("{", '{"poses": [], ', 1), "utf-8")
    with pytest.raises(InputError, match=r"plan\.json: found a damaged file"):
        planned_poses(tmp_path)
