"""What a pose of the mandible means: incisal displacement, condyle positions, opening."""

from __future__ import annotations

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame


def motion_in_jaw(
    frame: JawFrame, T_upper_lower: RigidTransform, T_upper_lower_recorded: RigidTransform
) -> RigidTransform:
    """Return, in the jaw frame, the motion of the mandible from the recorded bite to a pose."""
    T_jaw = frame.T_jaw_upper
    return T_jaw @ T_upper_lower @ T_upper_lower_recorded.inverse() @ T_jaw.inverse()


def incisal_displacement(
    frame: JawFrame, T_upper_lower: RigidTransform, T_upper_lower_recorded: RigidTransform
) -> Float64Array:
    """Return how far the lower incisal point has moved from the recorded bite, (3,), mm, RAS."""
    motion = motion_in_jaw(frame, T_upper_lower, T_upper_lower_recorded)
    return motion.apply(frame.incisal_jaw) - frame.incisal_jaw


def condyle_positions(
    frame: JawFrame, T_upper_lower: RigidTransform, T_upper_lower_recorded: RigidTransform
) -> tuple[Float64Array, Float64Array]:
    """Return the right and the left condylar point of a pose, (3,) each, mm, jaw frame."""
    motion = motion_in_jaw(frame, T_upper_lower, T_upper_lower_recorded)
    h = frame.half_width_mm
    return motion.apply([h, 0.0, 0.0]), motion.apply([-h, 0.0, 0.0])


def opening_angle(
    frame: JawFrame, T_upper_lower: RigidTransform, T_upper_lower_recorded: RigidTransform
) -> float:
    """Return the rotation about the displaced hinge axis, rad, opening positive.

    The part of the motion's rotation that is left when the least rotation that takes the
    hinge axis to its new direction is undone.
    """
    rotation = motion_in_jaw(frame, T_upper_lower, T_upper_lower_recorded).rotation
    u = rotation[:, 0]
    k = np.array([[0.0, -u[1], -u[2]], [u[1], 0.0, 0.0], [u[2], 0.0, 0.0]])
    least = np.eye(3) + k + (k @ k) / (1.0 + u[0])
    left_over = least.T @ rotation
    return float(np.arctan2(left_over[1, 2], left_over[1, 1]))


def opened_on_hinge(
    frame: JawFrame, opening_rad: float, T_upper_lower_recorded: RigidTransform
) -> RigidTransform:
    """Return T_upper_lower with the mandible opened about the undisplaced hinge axis."""
    T_jaw = frame.T_jaw_upper
    turn = RigidTransform.rotation_about(np.zeros(3), [1.0, 0.0, 0.0], -opening_rad)
    return T_jaw.inverse() @ turn @ T_jaw @ T_upper_lower_recorded


def incisal_opening(
    frame: JawFrame, T_upper_lower: RigidTransform, T_upper_lower_recorded: RigidTransform
) -> float:
    """Return the length of the incisal point's displacement, mm."""
    return float(np.linalg.norm(incisal_displacement(frame, T_upper_lower, T_upper_lower_recorded)))
