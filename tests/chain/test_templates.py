"""The shipped rigs and two buckets on one rotator: each is what it says, and can be solved."""

import tomllib
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from calib.adjust.spectrum import NotDetermined, Spectrum
from calib.calibration import solve
from calib.chain.derived import derived_values
from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.edge import envelope_edge
from calib.simulate import drawn_joints, simulate

NAMES = template_names()


def with_sds(data):
    """A rig file's content with the noise of a careful run."""
    rig = rig_from_dict(data)
    return rig_from_dict(data | {
        "shots": {"sd": {"horizontal": 0.002, "vertical": 0.002}},
        "readings": {"sd": {r: 0.05 for r in rig.reading_names}},
    })


def written(name):
    """The content of a template's file."""
    return tomllib.loads((resources.files("calib.chain") / "rigs" / f"{name}.toml").read_text())


def test_the_rigs_that_are_shipped():
    """Six machines."""
    assert NAMES == ("plain_bucket", "swing_boom_tilt_rotator", "tilt_rotator",
                     "tilt_rotator_linkage", "tilting_bucket", "two_piece_boom_tilt_rotator")


@pytest.mark.parametrize("name", NAMES)
def test_compiles(name):
    """The name in the file is that of the file, and every parameter moves something."""
    rig = rig_from_template(name)
    assert rig.name == name
    assert rig.title.startswith("Excavator with")
    assert len(rig.edge_targets) == 3
    driven = {n for m in rig.chain.motions for n in m.by}
    driven |= {n for t in rig.targets for m in t.motions for n in m.by}
    driven |= {name for r in rig.readings for name in (r.zero, *r.uses.values())}
    assert driven == {*rig.parameter_names, "east", "north", "up", "heading"}
    # Other parts of the program ask for these frames.
    assert {"house", "boom_end", "stick_end"} <= set(rig.chain.depth)
    for what in (*rig.parameters, *rig.readings, *rig.targets, *rig.derived):
        assert what.means[0].islower() and not what.means.endswith("."), what.name


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("seed", [0, 1])
def test_derivatives(name, draw, assert_derivatives, seed):
    """By everything, for every target."""
    case = draw(rig_from_template(name), seed)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose())


@pytest.mark.parametrize("name", NAMES)
def test_readings_for_is_the_inverse_of_posture(name, draw):
    """Joint angles to readings and back."""
    case = draw(rig_from_template(name), 5)
    posture = case.chain.posture(case.parameters, case.placement, case.readings, jacobian=False)
    np.testing.assert_allclose(posture.joints, case.joints, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_shots_at_the_corners_determine_it(name):
    """Without a tape 30 poses give every free parameter; the truth is within 4.5 sd.

    Of a linkage they tell little of the single lengths, of which two are held here.
    """
    rig = with_sds({"template": name})
    rig = with_sds({"template": name, "hold": [
        n for n in ("link_input", "link_floating") if n in rig.parameter_names]})
    run, truth = simulate(rig, np.random.default_rng(7), poses=30, taped=False)
    solution = solve(run)
    assert set(solution.status) == {"estimated", "held"}
    assert solution.adjustment.linearised.spectrum.condition < 100
    free = ~rig.held
    sd = np.sqrt(np.diag(solution.covariance))[free]
    miss = (solution.parameters - truth.parameters)[free]
    assert (np.abs(miss) < 4.5 * sd).all()
    # No parameter is left weak: lengths to a centimetre, angles to a tenth of a degree.
    limit = np.array([0.01 if p.unit == "m" else np.radians(0.1 if "link_input" not in
                      rig.parameter_names else 0.4) for p in rig.parameters if not p.held])
    assert (sd < limit).all()


def test_a_linkage_with_its_tape():
    """Every length but one estimated: as good as the tape or better, and the truth within 4.5 sd.

    The edge is as well known as with a sensor on the coupler itself, to a third.
    """
    rig = with_sds({"template": "tilt_rotator_linkage"})
    run, truth = simulate(rig, np.random.default_rng(7), poses=30)
    solution = solve(run)
    free = ~rig.held
    sd = np.sqrt(np.diag(solution.covariance))
    assert (np.abs(solution.parameters - truth.parameters)[free] < 4.5 * sd[free]).all()
    for name in ("link_input", "link_floating", "link_output"):
        i = rig.parameter_names.index(name)
        assert not rig.held[i] and 0 < sd[i] < rig.parameters[i].tape_sd
    direct = with_sds({"template": "tilt_rotator"})
    plain = solve(simulate(direct, np.random.default_rng(7), poses=30)[0])
    worst = [np.nanmax(envelope_edge(s.rig, s.parameters).sd(s.covariance))
             for s in (solution, plain)]
    assert worst[0] == pytest.approx(worst[1], rel=1 / 3)


@pytest.mark.parametrize(
    ("name", "freed", "together"),
    [
        ("plain_bucket", "edge_side", ["east", "north"]),
        ("tilting_bucket", "tilt_axis_side", ["east", "north"]),
        ("tilt_rotator", "tilt_axis_side", ["east", "north"]),
        ("two_piece_boom_tilt_rotator", "tilt_axis_side", ["east", "north"]),
        ("swing_boom_tilt_rotator", "boom_side", ["tilt_axis_side"]),
        ("swing_boom_tilt_rotator", "swing_zero", ["heading"]),
        ("tilt_rotator_linkage", "link_ground", ["link_input", "link_floating", "link_output"]),
        ("tilt_rotator_linkage", "link_ground_angle", ["coupler_zero", "link_output_angle"]),
    ])
def test_what_is_held_is_held_for_a_reason(name, freed, together):
    """With a level house what a template holds cannot be told from a shift of the stand."""
    rig = rig_from_dict({"template": name, "limits": {
        "house_pitch": [-1e-300, 1e-300], "house_roll": [-1e-300, 1e-300]}})
    joints = drawn_joints(rig, rig.start, 20, np.random.default_rng(7))
    corners = np.array([rig.target_names.index(f"edge_{side}") for side in ("left", "right")])
    points = rig.chain.posture(
        rig.start, np.tile([3.0, 4.0, 0.5, 1.0], (20, 1)), rig.chain.readings_for(rig.start, joints)
    ).points(np.tile(corners, 20), np.repeat(range(20), 2))
    names = [*rig.parameter_names, "east", "north", "up", "heading"]
    design = np.concatenate([points.by_parameters, points.by_placement], axis=2)
    as_shipped = [n for n in names if n not in rig.parameter_names
                  or not rig.held[names.index(n)]]
    columns = design.reshape(-1, len(names))
    assert not Spectrum.of(columns[:, [names.index(n) for n in as_shipped]]).deficient
    with_it = [*as_shipped, freed]
    spectrum = Spectrum.of(columns[:, [names.index(n) for n in with_it]])
    (direction,) = spectrum.null_directions(with_it)
    assert set(direction.names) >= {freed, *together}


@pytest.mark.parametrize(
    ("name", "measures"),
    [
        ("plain_bucket", {"foot_to_bucket_pin": 8.60, "stick_pin_to_edge": 4.35}),
        ("tilting_bucket", {"foot_to_bucket_pin": 8.60, "edge_below_pin": 1.20,
                            "pin_to_edge": np.hypot(0.75, 1.20)}),
        ("tilt_rotator", {"foot_to_bucket_pin": 8.60, "edge_below_pin": 1.45,
                          "edge_ahead_of_pin": 0.70, "pin_to_edge": np.hypot(0.70, 1.45)}),
        ("two_piece_boom_tilt_rotator", {"foot_to_stick_pin": 5.90, "foot_to_bucket_pin": 8.80}),
        ("swing_boom_tilt_rotator", {"foot_to_bucket_pin": 3.80, "edge_below_pin": 0.94}),
    ])
def test_quantities_for_the_tape(name, measures):
    """What the tape would show on a machine built as the template."""
    rig = rig_from_template(name)
    values, _ = derived_values(rig, rig.start)
    shown = dict(zip((d.name for d in rig.derived), values, strict=True))
    for quantity, value in measures.items():
        assert shown[quantity] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_gradient_of_the_quantities_for_the_tape(name, draw):
    """Against central differences, on a machine off its template."""
    rig = rig_from_template(name)
    parameters = draw(rig, 2).parameters
    _, gradient = derived_values(rig, parameters)
    for i in range(len(parameters)):
        step = np.zeros(len(parameters))
        step[i] = 1e-5
        ahead, behind = (derived_values(rig, parameters + s)[0] for s in (step, -step))
        np.testing.assert_allclose(gradient[:, i], (ahead - behind) / 2e-5, rtol=1e-7, atol=1e-9)


# --- What makes each machine what it is ----------------------------------------------------------

def place(rig, target, joints):
    """A target's position forward, left, up at joint angles in degrees, parameters as shipped."""
    row = np.radians([[joints.get(name, 0.0) for name in rig.reading_names]])
    posture = rig.chain.with_direct_joints.posture(rig.start, [[0, 0, 0, np.pi / 2]], row, False)
    return posture.points([rig.target_names.index(target)], [0]).position[0]


def test_plain_bucket_stretched_out():
    """Three links in one line; curling brings the edge down and back."""
    rig = rig_from_template("plain_bucket")
    np.testing.assert_allclose(place(rig, "edge_mid", {}), [5.7 + 2.9 + 1.45, 0, 0], atol=1e-12)
    np.testing.assert_allclose(place(rig, "edge_mid", {"bucket": -90}), [8.6, 0, -1.45],
                               atol=1e-12)
    np.testing.assert_allclose(place(rig, "edge_left", {}), [10.05, 0.75, 0], atol=1e-12)


def test_tilting_bucket_tilts_about_its_axis():
    """The axis is 30 cm below the pin; tilted a right angle the edge is out to the left of it."""
    rig = rig_from_template("tilting_bucket")
    np.testing.assert_allclose(place(rig, "edge_mid", {}), [9.35, 0, -1.2], atol=1e-12)
    np.testing.assert_allclose(place(rig, "edge_mid", {"tilt": 90}), [9.35, 0.9, -0.3],
                               atol=1e-12)


def test_two_pieces_fold():
    """The upper piece turns about the pin between the two."""
    rig = rig_from_template("two_piece_boom_tilt_rotator")
    np.testing.assert_allclose(place(rig, "boom_pin", {"boom": 90}), [0, 0, 3.2], atol=1e-12)
    np.testing.assert_allclose(place(rig, "stick_pin", {"boom": 90, "upper_boom": -90}),
                               [2.7, 0, 3.2], atol=1e-12)


def test_swing_boom_swings_behind_its_foot():
    """A right angle to the left about an axis 18 cm behind the boom foot pin."""
    rig = rig_from_template("swing_boom_tilt_rotator")
    np.testing.assert_allclose(place(rig, "stick_pin", {"swing": 90}), [-0.18, 0.18 + 2.45, 0],
                               atol=1e-12)
    np.testing.assert_allclose(place(rig, "boom_foot_left", {"swing": 90}), [-0.33, 0.18, 0],
                               atol=1e-12)


def test_a_two_piece_boom_in_one_line_is_a_one_piece_boom():
    """With the upper piece's joint at zero it is the standard machine with a longer boom."""
    standard, two = (rig_from_template(n) for n in ("tilt_rotator", "two_piece_boom_tilt_rotator"))
    longer = rig_from_dict({"template": "tilt_rotator", "values": {"boom_length": 5.9}})
    pose = {"boom": 30, "stick": -70, "coupler": 20, "tilt": 15, "rotate": 40, "house_roll": 2}
    for target in standard.target_names:
        np.testing.assert_allclose(place(two, target, pose), place(longer, target, pose),
                                   atol=1e-12)


# --- Two buckets on one rotator ------------------------------------------------------------------

def two_buckets():
    """The tilt rotator with a second bucket: its own edge, everything else shared."""
    data = written("tilt_rotator")
    edge = [n for n in data["parameters"] if n.startswith("edge_")]
    for name in edge:
        data["parameters"][f"grading_{name}"] = dict(data["parameters"][name])
    data["parameters"]["grading_edge_width"]["start"] = 2.0
    for name in ("edge_left", "edge_mid", "edge_right"):
        target = data["targets"][name]
        data["targets"][f"{name}_grading"] = target | {"motions": [
            motion | {"by": {f"grading_{n}": c for n, c in motion["by"].items()}}
            for motion in target["motions"]]}
    return data


def test_two_buckets_share_the_rotator(draw, assert_derivatives):
    """Each corner moves with its own bucket's numbers and with the rotator's, not the other's."""
    rig = rig_from_dict(two_buckets())
    assert len(rig.parameters) == 23 + 5
    case = draw(rig, 3)
    targets, poses = case.every_target_in_every_pose()
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings, targets, poses)
    points = case.chain.posture(case.parameters, case.placement, case.readings).points(
        targets, poses)
    sees = {rig.target_names[t]: {rig.parameter_names[i] for i in np.flatnonzero(
        np.abs(points.by_parameters[targets == t]).max((0, 1)))} for t in set(targets.tolist())}
    own = sees["edge_left"] - sees["edge_left_grading"]
    other = sees["edge_left_grading"] - sees["edge_left"]
    assert own == {"edge_reach", "edge_drop", "edge_side", "edge_skew", "edge_width"}
    assert other == {f"grading_{name}" for name in own}
    assert {"rotation_axis_lean", "rotate_zero", "tilt_axis_drop", "boom_length"} <= (
        sees["edge_left"] & sees["edge_left_grading"])


def test_two_buckets_in_one_run():
    """Half the poses with each: all determined, and the shared numbers better than from one half.
    """
    rig = with_sds(two_buckets())
    run, truth = simulate(
        rig, np.random.default_rng(8), poses=30, taped=False,
        targets=("edge_left", "edge_right", "edge_left_grading", "edge_right_grading"))
    grading = np.char.endswith([rig.target_names[t] for t in run.shots.target], "grading")
    first = run.shots.pose < 15
    both = solve(replace(run, shots=run.shots.select(grading != first)))
    free = ~rig.held
    sd = np.sqrt(np.diag(both.covariance))
    assert (np.abs(both.parameters - truth.parameters)[free] < 4.5 * sd[free]).all()
    # Every pose of a run with one bucket fixes its edge; the other bucket's numbers are then held.
    alone = rig_from_dict({**two_buckets(), "hold": [
        n for n in rig.parameter_names if n.startswith("grading_")]})
    one = solve(replace(run, rig=alone, shots=run.shots.select(~grading & first)))
    shared = [i for i, n in enumerate(rig.parameter_names)
              if free[i] and not n.startswith(("edge_", "grading_"))]
    assert (sd[shared] < np.sqrt(np.diag(one.covariance))[shared]).all()


def test_a_bucket_that_was_never_shot_is_named():
    """The second bucket's numbers are not determined, one by one."""
    rig = with_sds(two_buckets())
    run, _ = simulate(rig, np.random.default_rng(8), poses=15, taped=False)
    with pytest.raises(NotDetermined, match="grading_edge_reach alone") as refused:
        solve(run)
    assert {d.names for d in refused.value.directions} == {
        (n,) for n in rig.parameter_names if n.startswith("grading_")}
