"""A hinge: the one freedom that is left to the jaw at a step of a movement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen
from occlusim.geometry.transform import RigidTransform


@dataclass(frozen=True, slots=True)
class Hinge:
    """Opening about an axis, in the upper scan's frame.

    point (3,) mm on the axis; right (3,) unit, towards the patient's right; T_upper_lower is the
    pose of the mandible at no opening. Opening is positive: it carries the incisors down.
    """

    point: Float64Array
    right: Float64Array
    T_upper_lower: RigidTransform

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen(self.point, np.float64))
        object.__setattr__(self, "right", frozen(self.right, np.float64))

    def pose(self, opening_rad: float) -> RigidTransform:
        """Return T_upper_lower at an opening in rad."""
        turn = RigidTransform.rotation_about(self.point, self.right, -opening_rad)
        return turn @ self.T_upper_lower

    def opening_velocity(self, points: Float64Array) -> Float64Array:
        """Return velocities (n, 3), mm/rad, of mandibular points (n, 3) in the upper frame."""
        return -np.cross(self.right, points - self.point)
