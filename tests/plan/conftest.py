"""Tasks that the planning tests share."""

import pytest

from calib.plan.plan import make_plan
from calib.plan.sight import Site
from calib.plan.task import Task, prepare


@pytest.fixture(scope="session")
def prepared(rig):
    """The standard rig, fewer candidates than a real plan looks at."""
    return prepare(Task.for_rig(rig, count=3000))


@pytest.fixture(scope="session")
def planned(prepared):
    """A plan of 45 minutes."""
    return make_plan(prepared, minutes=45.0)


@pytest.fixture(scope="session")
def edge_only(rig):
    """The standard rig with nothing shot but both ends of the edge, at any height."""
    return prepare(Task.for_rig(rig, targets=["edge_left", "edge_right"], count=3000,
                                site=Site(highest=None)))
