"""Changed requests of the page against what a careful person would make of them."""

import numpy as np

from calib.yard.session import Session
from tests.yard.oracle import wrong_request


def test_as_a_careful_person_notes_it(grown):
    """A shot with one or two changed fields: noted as it was meant, or refused with nothing
    written."""
    session, rng = Session(grown), np.random.default_rng(11)
    pose = session.notebook.poses()[0]["pose"]
    found = [fault for _ in range(400) if (fault := wrong_request(session, pose, rng))]
    assert not found, f"{len(found)}: " + "\n".join(found[:5])
