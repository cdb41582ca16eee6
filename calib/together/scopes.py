"""What runs of one machine have in common: which parameter is shared by which of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calib.chain.rig import Rig

#: What a parameter may be: one for all runs, one per attachment, one per day.
SHARED, ATTACHMENT, DAY = "shared", "attachment", "day"
SCOPES = (SHARED, ATTACHMENT, DAY)

#: Of rigs without a rotator the last members, and what their zeros mean, hang on the attachment.
_ALSO_ATTACHED = {
    "plain_bucket": ("bucket_zero",),
    "tilting_bucket": ("tilt_axis_drop", "tilt_axis_side", "tilt_axis_yaw", "tilt_zero",
                       "coupler_zero"),
}


@dataclass(frozen=True)
class Visit:
    """One run among those that are adjusted together."""

    name: str  #: Of the run, unique.
    #: attachment, day: What was mounted, and when.
    attachment: str
    day: str
    #: Readings whose sensors were mounted anew before this run: their zeros begin anew with it.
    remounted: tuple[str, ...] = ()


def usual_scopes(rig: Rig) -> dict[str, str]:
    """The scope of each parameter of a rig, unless something else is asked for.

    What only the targets on the last member depend on comes with the attachment: the edge, and
    marks there. All else is shared.
    """
    chain = rig.chain
    last = max(chain.depth, key=lambda frame: chain.depth[frame])
    trunk = chain.moving(last)
    attached = frozenset().union(*(
        chain.moving(t.name) - trunk for t in rig.targets if t.frame == last))
    attached |= set(_ALSO_ATTACHED.get(rig.name, ()))
    return {name: ATTACHMENT if name in attached else SHARED for name in rig.parameter_names}


def instances(name: str, scope: str, visits: Sequence[Visit], rig: Rig) -> tuple[str, ...]:
    """Which instance of a parameter each run has: equal texts are one unknown.

    A zero, or what varies with a reading, begins anew where its sensor was remounted.
    """
    sensors = {r.name for r in rig.readings if name in (r.zero, *r.varying)}
    labels, since = [], ""
    for visit in visits:
        if sensors & set(visit.remounted):
            since = visit.name
        own = {SHARED: "", ATTACHMENT: visit.attachment, DAY: visit.day}[scope]
        labels.append(" ".join(filter(None, (own, f"since {since}" if since else ""))))
    if any(labels) and not all(labels):  # before the first time that a sensor was remounted
        labels = [label or f"since {visits[0].name}" for label in labels]
    return tuple(labels)


def partitions(rigs: Sequence[Rig], visits: Sequence[Visit], asked: Mapping[str, str]
               ) -> dict[str, tuple[str, ...]]:
    """Parameter name to the instance of it that each run has, in the order of the rigs.

    Parameters
    ----------
    asked : mapping of str to str
        Scopes in place of the usual ones.
    """
    found: dict[str, tuple[str, ...]] = {}
    for rig in rigs:
        usual = usual_scopes(rig)
        for name in rig.parameter_names:
            if name not in found:
                found[name] = instances(name, asked.get(name, usual[name]), visits, rig)
    return found
