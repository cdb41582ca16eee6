"""Which poses to shoot: before driving out, and next."""

from typing import TYPE_CHECKING

from calib.names import later

if TYPE_CHECKING:
    from calib.plan.further import further_poses
    from calib.plan.plan import Plan, make_plan
    from calib.plan.sight import Site
    from calib.plan.task import Task, prepare

_HOMES = {
    "Plan": "calib.plan.plan",
    "Site": "calib.plan.sight",
    "Task": "calib.plan.task",
    "further_poses": "calib.plan.further",
    "make_plan": "calib.plan.plan",
    "prepare": "calib.plan.task",
}

__all__ = ["Plan", "Site", "Task", "further_poses", "make_plan", "prepare"]

__getattr__, __dir__ = later(__name__, _HOMES)
