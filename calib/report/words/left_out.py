"""What is said of poses that cannot be shot."""

from collections.abc import Mapping

from calib.plan.candidates import Rule

_SAYS = {
    Rule.BLIND: "a sensor would be blind",
    Rule.EDGE_LOW: "the edge would be in the ground",
    Rule.PIN_LOW: "a pin would be in the ground",
    Rule.HIGH: "the edge would be higher than allowed",
    Rule.NEAR: "the edge would be nearer to the machine than allowed",
    Rule.ARM: "the edge would touch boom or stick",
    Rule.END_ON: "a corner would be seen too nearly along the edge",
    Rule.HIDDEN: "the machine would be in the line of sight",
    Rule.NO_ROOM: "a reading would have no room to be off",
}


def removed_says(removed: Mapping[Rule, int]) -> dict[str, int]:
    """How many poses were taken away, by what is said of the rule."""
    return {_SAYS[rule]: count for rule, count in removed.items()}
