"""Tasks that the planning tests share."""

import pytest

from calib.plan.plan import Task, make_plan, prepare


@pytest.fixture(scope="session")
def prepared(rig):
    """The standard rig, fewer candidates than a real plan looks at."""
    return prepare(Task.for_rig(rig, count=3000))


@pytest.fixture(scope="session")
def everything(rig):
    """The standard rig and as many candidates as a real plan looks at."""
    return prepare(Task.for_rig(rig))


@pytest.fixture(scope="session")
def planned(everything):
    """The plan of 24 poses that a user gets who asks for nothing in particular."""
    return make_plan(everything, 24)
