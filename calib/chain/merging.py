"""A shipped rig with the changes of a rig file laid over it."""

from collections.abc import Mapping, Sequence
from typing import Any

from calib.chain.schema import MotionEntry, Problem, RigEntry
from calib.chain.sound import used_parameters

#: What a rig file replaces as a whole, if it has it.
_WHOLE = ("title", "envelope", "name", "goal", "job", "check", "effort")

#: What it adds to, or replaces, key by key.
_BY_KEY = ("sensors", "pose_columns", "limits", "ranges", "speeds", "targets", "marks", "derived")


def with_sensors_of(base: RigEntry, data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The content of a rig file, its sensors completed by what those of the template say.

    A sensor that the template has needs only what is different; what varies in it is added.
    """
    sensors = data.get("sensors")
    if not isinstance(sensors, Mapping):
        return data
    completed = {}
    for name, sensor in sensors.items():
        if name in base.sensors and isinstance(sensor, Mapping):
            own = base.sensors[name].model_dump(exclude_unset=True)
            varying = sensor.get("varying", {})
            if isinstance(varying, Mapping) and varying:
                varying = {**own.get("varying", {}), **varying}
            sensor = {**own, **sensor, **({"varying": varying} if varying else {})}
        completed[name] = sensor
    return {**data, "sensors": completed}


def merged(base: RigEntry, changes: RigEntry) -> tuple[RigEntry, list[Problem]]:
    """The template with the changes of a rig file laid over it, and what is wrong with these."""
    problems = [
        (f"parameters.{name}", repr(name), "a name that the template does not have (its own "
         "parameters are changed under values, ranges, free and hold)")
        for name in changes.parameters if name in base.parameters
    ]
    motions, misplaced = _inserted(base.motions, changes.motions)
    update = {key: getattr(changes, key)
              for key in ("free", "hold", "effects", "values", "shots", "readings")}
    update |= {key: {**getattr(base, key), **getattr(changes, key)} for key in _BY_KEY}
    update |= {key: getattr(changes, key) for key in _WHOLE if key in changes.model_fields_set}
    new = {name: p for name, p in changes.parameters.items() if name not in base.parameters}
    update |= {"motions": motions, "parameters": {**base.parameters, **new}}
    whole = base.model_copy(update=update)
    # What a replaced sensor or target was the only one to depend on goes with it.
    used = used_parameters(whole)
    kept = {name: p for name, p in whole.parameters.items() if name in used or name in new}
    return whole.model_copy(update={"parameters": kept}), problems + misplaced


def _inserted(motions: Sequence[MotionEntry], added: Sequence[MotionEntry]
              ) -> tuple[list[MotionEntry], list[Problem]]:
    """The template's motions with others before or after named frames, and what is wrong."""
    motions, problems = list(motions), []
    for index, motion in enumerate(added):
        frames = [m.frame for m in motions]
        given = {word: frame for word in ("before", "after", "at")
                 if (frame := getattr(motion, word)) is not None}
        (word, anchor), key = next(iter(given.items()), ("", None)), f"motions.{index}"
        if len(given) != 1:
            problems.append((key, " and ".join(given) or "none of them",
                             'one of "before", "after" or "at" with a frame of the template'))
        elif anchor not in frames:
            problems.append((f"{key}.{word}.{anchor}", repr(anchor),
                             "a frame: one of " + ", ".join(filter(None, frames))))
        elif word == "at" and motion.frame:
            problems.append((f"{key}.frame", repr(motion.frame), "nothing: the frame is its own"))
        else:
            place = frames.index(anchor)
            if word == "at":
                motions[place] = motions[place].model_copy(update={"frame": None})
                place += 1
                motion = motion.model_copy(update={"frame": anchor})
            if motion.after is not None:
                place += 1
                # Behind what was put after this frame before.
                while place < len(motions) and motions[place].after is not None:
                    place += 1
            motions.insert(place, motion.written_at(index))
            continue
        motions.append(motion.written_at(index))
    return motions, problems
