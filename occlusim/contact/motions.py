"""Continuous rigid motions of one surface before another: about a hinge, or along a path of poses.

Both are made of pieces on which a body turns steadily about a point that moves steadily in a
straight line: what `occlusim.kernels.approach` bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen, points_array, unit_vector
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform

MOST_TURN_RAD = 3.0


@dataclass(frozen=True, slots=True)
class Piece:
    """A steady part of a motion; `progress` runs from 0 to `length`, in units of the parameter.

    Parameters
    ----------
    start, sign, length
        The parameter at a progress is start + sign * progress.
    T_a_b
        The pose at no progress.
    turn : (3,), rad per unit
        Rotation vector, in a's frame.
    at : (3,), mm
        The point about which the body turns, in a's frame, at no progress.
    velocity : (3,), mm per unit
        Of that point.
    """

    start: float
    sign: float
    length: float
    T_a_b: RigidTransform
    turn: Float64Array
    at: Float64Array
    velocity: Float64Array

    def pose(self, progress: float) -> RigidTransform:
        """Return T_a_b at a progress."""
        turn = RigidTransform.exp([*(self.turn * progress), 0.0, 0.0, 0.0]).rotation
        placed = self.at + progress * self.velocity
        translation = placed + turn @ (self.T_a_b.translation - self.at)
        return RigidTransform(turn @ self.T_a_b.rotation, translation)

    def motion(self, progress: float) -> Float64Array:
        """Return turn, point and velocity (9,) at a progress, as kernels take them."""
        return np.concatenate([self.turn, self.at + progress * self.velocity, self.velocity])

    def parameter(self, progress: float) -> float:
        """Return the motion's parameter at a progress."""
        return self.start + self.sign * progress


@dataclass(frozen=True, slots=True)
class HingeMotion:
    """A rotation about a fixed axis, from `start_rad` to `end_rad` (either may be the greater).

    Parameters
    ----------
    point : (3,), mm
        On the axis, in a's frame.
    axis : (3,)
        Its direction; angles turn by the right hand.
    T_a_b
        The pose at angle 0.
    start_rad, end_rad

    Raises
    ------
    InputError
        If the axis has no direction, or start and end are the same or not finite.
    """

    point: Float64Array
    axis: Float64Array
    T_a_b: RigidTransform
    start_rad: float
    end_rad: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen(points_array(self.point, "point")[0], np.float64))
        object.__setattr__(self, "axis", frozen(unit_vector(self.axis, "axis"), np.float64))
        sweep = self.end_rad - self.start_rad
        if not np.isfinite(sweep) or sweep == 0:
            raise InputError(
                f"hinge: from {self.start_rad} to {self.end_rad} rad given; two different finite "
                "angles are wanted"
            )

    def pose(self, parameter: float) -> RigidTransform:
        """Return T_a_b at an angle, rad."""
        return RigidTransform.rotation_about(self.point, self.axis, parameter) @ self.T_a_b

    def pieces(self) -> tuple[Piece, ...]:
        """Return the motion's only piece."""
        sign = float(np.sign(self.end_rad - self.start_rad))
        length = abs(self.end_rad - self.start_rad)
        start = self.pose(self.start_rad)
        turn = sign * self.axis
        return (Piece(self.start_rad, sign, length, start, turn, self.point, np.zeros(3)),)


@dataclass(frozen=True, slots=True)
class PosePath:
    """A path through poses: between two, a steady turn while one point moves in a straight line.

    Parameters
    ----------
    parameter : (n,)
        Increasing; mm of a path or any other measure.
    poses : (n,)
        T_a_b at the parameters.
    reference : (3,), mm
        The point of b, in b's frame, that moves in straight lines.

    Raises
    ------
    InputError
        If there are fewer than two poses, the parameters do not increase, or a body turns by more
        than 3 rad between two poses.

    Notes
    -----
    Sample a guided path finely enough that this interpolation is as good as wanted: between poses
    0.1 mm apart it and the path differ by far less than 0.1 um.
    """

    parameter: Float64Array
    poses: Sequence[RigidTransform]
    reference: Float64Array

    def __post_init__(self) -> None:
        parameter = frozen(self.parameter, np.float64)
        reference = points_array(self.reference, "reference")[0]
        object.__setattr__(self, "parameter", parameter)
        object.__setattr__(self, "poses", tuple(self.poses))
        object.__setattr__(self, "reference", frozen(reference, np.float64))
        if parameter.shape != (len(self.poses),) or len(self.poses) < 2:
            raise InputError(
                f"path: {parameter.shape} parameters and {len(self.poses)} poses given; as many "
                "of each are wanted, two at least"
            )
        if not (np.isfinite(parameter).all() and (np.diff(parameter) > 0).all()):
            raise InputError("path: the parameters do not increase; sort them, drop repeated ones")
        turns = [
            float(np.linalg.norm((two @ one.inverse()).log()[:3]))
            for one, two in zip(self.poses[:-1], self.poses[1:], strict=True)
        ]
        if max(turns) > MOST_TURN_RAD:
            raise InputError(
                f"path: a turn of {max(turns):.2f} rad between two poses given, at most "
                f"{MOST_TURN_RAD:g} allowed; add poses between them"
            )

    def pieces(self) -> tuple[Piece, ...]:
        """Return a piece between every two poses."""
        found = []
        for i, (one, two) in enumerate(zip(self.poses[:-1], self.poses[1:], strict=True)):
            length = float(self.parameter[i + 1] - self.parameter[i])
            start, end = one.apply(self.reference), two.apply(self.reference)
            turn = (two @ one.inverse()).log()[:3] / length
            found.append(
                Piece(
                    float(self.parameter[i]), 1.0, length, one, turn, start, (end - start) / length
                )
            )
        return tuple(found)


Motion = HingeMotion | PosePath
