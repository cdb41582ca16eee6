"""The chain of the standard rig in other libraries: symbolic in CasADi, as joints in pinocchio."""

import numpy as np

from benchmarks.speed.full import Full


class Casadi:
    """Residuals and derivatives of a full adjustment by CasADi's algorithmic differentiation."""

    def __init__(self, full: Full):
        import casadi as ca

        run, problem = full.run, full.problem
        z = ca.SX.sym("z", len(full.start))
        unknowns = ca.SX(problem.start)
        unknowns[np.flatnonzero(full.free).tolist()] = z[: full.n_free]
        (_, k), cells = full.shape, []
        layout, shots = problem.layout, run.shots
        own, stands = layout.columns("rig")[0], layout.columns("stand")
        for i, (pose, target) in enumerate(zip(shots.pose, shots.target, strict=True)):
            readings = [z[full.n_free + pose * k + j] for j in range(k)]
            stand = stands[problem.stand_of_pose[pose]]
            point = _point(ca, run.rig.chain, target, [unknowns[int(c)] for c in own],
                           [unknowns[int(c)] for c in stand], readings)
            cells.append(ca.DM(full.shot_whitener[i]) @ (ca.DM(shots.position[i]) - point))
        taped = ca.DM(full.prior_whitener) @ (
            ca.DM(problem.prior.values) - _taped(ca, full, unknowns))
        off = (ca.DM(run.poses.readings.ravel()) - z[full.n_free :]) / full.reading_sd.ravel()
        residuals = ca.vertcat(*cells, off, taped)
        self._residuals = ca.Function("residuals", [z], [residuals])
        self._jacobian = ca.Function("jacobian", [z], [ca.jacobian(residuals, z)])

    def residuals(self, z):
        return np.asarray(self._residuals(z)).ravel()

    def dense(self, z):
        return np.asarray(self._jacobian(z).full())


def _taped(ca, full, unknowns):
    """The tape is linear in the parameters of this rig: taken from its own gradient."""
    h, by = full.problem.prior.function(full.problem.start)
    return ca.DM(h) + ca.DM(by) @ (unknowns - ca.DM(full.problem.start))


def _point(ca, chain, target, parameters, placement, readings):
    """A target's place, motion by motion."""
    value = dict(zip(chain.parameters, parameters, strict=True))
    value |= dict(zip(("east", "north", "up", "heading"), placement, strict=True))
    sensors = {s.name: (s, r) for s, r in zip(chain.sensors, readings, strict=True)}
    turn, point = ca.SX.eye(3), ca.SX.zeros(3)
    target = chain.targets[target]
    for motion in (*chain.motions[: chain.depth[target.frame]], *target.motions):
        amount = motion.constant + sum(c * value[name] for name, c in motion.by.items())
        if motion.joint is not None:
            sensor, reading = sensors[motion.joint]
            angle = sensor.direction * reading + (value[sensor.zero] if sensor.zero else 0)
            amount = amount + motion.sense * _joint(ca, sensor.kind, angle, turn[2, :])
        if motion.turns:
            turn = turn @ _rotation(ca, motion.axis, amount)
        else:
            point = point + amount * turn[:, motion.axis]
    return point


def _joint(ca, kind, angle, up):
    if kind == "joint":
        return angle
    if kind == "in_boom_plane":
        q = angle - ca.atan2(up[0], up[2])
        return ca.atan2(ca.sin(q), ca.cos(q))
    if kind == "across":
        lever = ca.sqrt(up[1] ** 2 + up[2] ** 2)
        return ca.asin(ca.sin(angle) / lever) - ca.atan2(up[1], up[2])
    raise ValueError(f"no sensor of kind {kind} here")


def _rotation(ca, axis, angle):
    turn, (i, j) = ca.SX.eye(3), ((axis + 1) % 3, (axis + 2) % 3)
    turn[i, i] = turn[j, j] = ca.cos(angle)
    turn[i, j], turn[j, i] = -ca.sin(angle), ca.sin(angle)
    return turn


class Pinocchio:
    """The joints of the chain in pinocchio; rig parameters are constants of its model."""

    def __init__(self, chain, parameters, target):
        import pinocchio as pin

        self.pin, self.model, self.order = pin, pin.Model(), []
        value = dict(zip(chain.parameters, parameters, strict=True)) | {"heading": np.pi / 2}
        place, parent = pin.SE3.Identity(), 0
        target = next(t for t in chain.targets if t.name == target)
        for motion in (*chain.motions[: chain.depth[target.frame]], *target.motions):
            amount = motion.constant + sum(c * value.get(n, 0.0) for n, c in motion.by.items())
            axis = np.eye(3)[motion.axis]
            if motion.turns:
                place = place * pin.SE3(pin.AngleAxis(amount, axis).toRotationMatrix(), np.zeros(3))
            else:
                place = place * pin.SE3(np.eye(3), amount * axis)
            if motion.joint is not None:
                joint = pin.JointModelRevoluteUnaligned(motion.sense * axis)
                parent = self.model.addJoint(parent, joint, place, motion.joint)
                self.order.append([s.name for s in chain.sensors].index(motion.joint))
                place = pin.SE3.Identity()
        self.frame = self.model.addFrame(pin.Frame("edge", parent, 0, place, pin.OP_FRAME))
        self.data = self.model.createData()

    def point_and_jacobian(self, joints):
        """Position (3,) and its derivative by the joints (3, n_joints), in their own order."""
        pin = self.pin
        jacobian = pin.computeFrameJacobian(
            self.model, self.data, joints[self.order], self.frame, pin.LOCAL_WORLD_ALIGNED)[:3]
        out = np.empty_like(jacobian)
        out[:, self.order] = jacobian
        return pin.updateFramePlacement(self.model, self.data, self.frame).translation, out
