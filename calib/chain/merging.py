"""A shipped rig with the changes of a rig file laid over it."""

from calib.chain.schema import RigEntry, RigError


def merged(base: RigEntry, changes: RigEntry) -> RigEntry:
    """The template with the changes of a rig file laid over it."""
    named = changes.model_fields_set
    fixed = [key for key in ("motions", "parameters", "sensors") if key in named]
    if fixed:
        raise RigError(
            [(key, "given", "either a template or a chain of your own, not both") for key in fixed]
        )
    update = {key: getattr(changes, key) for key in ("free", "hold", "values", "shots", "readings")}
    update |= {key: {**getattr(base, key), **getattr(changes, key)}
               for key in ("limits", "ranges", "speeds", "targets", "marks", "derived")}
    update |= {key: getattr(changes, key)
               for key in ("title", "envelope", "name", "goal", "check", "effort") if key in named}
    return base.model_copy(update=update)
