"""Which taped values keep other machines out."""

from calib.plan.look_alikes import KeptOut, kept_out


def test_fewest_values_by_hand(rig):
    """A value that keeps out two comes before those that keep out one; lengths before angles."""
    found = kept_out(rig, [
        ("one", ("edge_reach", "edge_width")), ("two", ("edge_reach", "rotate_zero")),
        ("three", ("tilt_zero",)), ("four", ("house_pitch_zero",))])
    assert found == [KeptOut("edge_reach", ("one", "two")), KeptOut("tilt_zero", ("three",)),
                     KeptOut(None, ("four",))]


def test_what_is_taped_is_not_asked_for(rig):
    """A machine that differs in a taped value is kept out already, whatever else differs."""
    found = kept_out(rig, [
        ("one", ("edge_reach", "edge_width")), ("two", ("edge_reach", "rotate_zero"))],
        ("edge_width", "pin_to_edge"))
    assert found == [KeptOut("edge_reach", ("two",))]
