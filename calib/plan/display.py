"""What a machine's display needs of the antennas or prisms on the house, as a plan will give it."""

from dataclasses import dataclass

import numpy as np

from calib.plan.plan import Plan

#: Where the boom foot pin is the origin.
_HOUSE = "house"


@dataclass(frozen=True)
class MarkOnHouse:
    """A mark on the house that is shot."""

    name: str
    sd: np.ndarray  #: Shape (3,). Of its place ahead, left and above of the boom foot pin, m.
    to: str | None = None  #: The next such mark.
    #: Of the line to it against the boom plane, seen from above, rad.
    bearing_sd: float | None = None


def marks_on_house(plan: Plan) -> list[MarkOnHouse]:
    """The marks on the house that a plan shoots, each with the line to the next."""
    task = plan.prepared.task
    rig, free = task.rig, list(task.free_names)
    shot = {rig.target_names[task.targets[k]] for k in np.flatnonzero(plan.shots.any(0))}
    marks = [(name, columns) for name, columns in rig.marks.items() if name in shot
             and rig.targets[rig.target_names.index(name)].frame == _HOUSE]
    covariance = np.linalg.inv(plan.information)
    places = {name: [free.index(c) for c in columns] for name, columns in marks}
    found = []
    for k, (name, columns) in enumerate(marks):
        own = places[name]
        sd = np.sqrt(np.diag(covariance)[own])
        if k + 1 == len(marks):
            found.append(MarkOnHouse(name, sd))
            continue
        other, ends = marks[k + 1]
        start, end = (np.array([task.parameters[rig.parameter_names.index(c)] for c in names])
                      for names in (columns, ends))
        ahead, left = (end - start)[:2]
        rate = np.array([-left, ahead]) / max(ahead**2 + left**2, 1e-12)
        along = [*places[other][:2], *own[:2]]
        row = np.append(rate, -rate)
        found.append(MarkOnHouse(name, sd, other, float(np.sqrt(
            row @ covariance[np.ix_(along, along)] @ row))))
    return found
