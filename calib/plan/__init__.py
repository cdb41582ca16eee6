"""Which poses to shoot: before driving out, and next."""

from typing import TYPE_CHECKING

from calib.names import later

if TYPE_CHECKING:
    from calib.plan.candidates import Site
    from calib.plan.further import further_poses
    from calib.plan.plan import Plan, Task, make_plan, prepare

_HOMES = {
    "Plan": "calib.plan.plan",
    "Site": "calib.plan.candidates",
    "Task": "calib.plan.plan",
    "further_poses": "calib.plan.further",
    "make_plan": "calib.plan.plan",
    "prepare": "calib.plan.plan",
}

__all__ = ["Plan", "Site", "Task", "further_poses", "make_plan", "prepare"]

__getattr__, __dir__ = later(__name__, _HOMES)
