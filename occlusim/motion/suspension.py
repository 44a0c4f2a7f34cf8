"""The mandible hung on two condyles: closing rotation and the height of each condyle.

At a step of a movement the condyles have their guided places. From there the jaw may turn about the
intercondylar axis, and each condyle may rise into its fossa or leave it; the distance between the
condyles stays what it is. What is left, sideways, forward and about the vertical, the guidance
holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen
from occlusim.geometry.transform import RigidTransform, skew
from occlusim.kernels.hung import hang
from occlusim.motion.hinge import Hinge

Freedom = Float64Array
"""(3,): opening (rad), rise of the right and of the left condyle (mm, towards the skull)."""


@dataclass(frozen=True, slots=True)
class Suspension:
    """The jaw's three freedoms at a step of a movement, in the upper scan's frame.

    Attributes
    ----------
    hinge
        The intercondylar axis at the guided places, its point midway between the condyles.
    superior : (3,), unit length
        Towards the skull: the direction in which a condyle rises.
    half_width_mm
        Half the distance between the condyles.
    """

    hinge: Hinge
    superior: Float64Array
    half_width_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "superior", frozen(self.superior, np.float64))

    def axis(self, freedom: Freedom) -> tuple[Float64Array, Float64Array]:
        """Return the point midway between the condyles (3,) and the direction to the right (3,)."""
        rise, tilt = 0.5 * (freedom[1] + freedom[2]), freedom[1] - freedom[2]
        right = 2.0 * self.half_width_mm * self.hinge.right + tilt * self.superior
        return self.hinge.point + rise * self.superior, right / np.linalg.norm(right)

    def pose(self, freedom: Freedom) -> RigidTransform:
        """Return T_upper_lower at a freedom (3,)."""
        point, right = self.axis(freedom)
        T = self.hinge.T_upper_lower
        rotation, translation = T.rotation.copy(), T.translation.copy()
        hang(
            self.hinge.point, self.hinge.right, point, right, float(freedom[0]),
            rotation, translation,
        )  # fmt: skip
        return RigidTransform.trusted(rotation, translation)

    def velocity_terms(self, freedom: Freedom) -> tuple[Float64Array, Float64Array, Float64Array]:
        """Return a point, the axis about which the jaw closes, and that about which it tilts.

        Each (3,): a mandibular point at `arm` from the point moves by arm x right (mm/rad) as the
        jaw opens, and by half of superior plus or less roll x arm (mm/mm) as the right or the left
        condyle rises.
        """
        point, right = self.axis(freedom)
        return point, right, skew(right) @ self.superior / (2.0 * self.half_width_mm)

    def velocities(self, freedom: Freedom, points: Float64Array) -> Float64Array:
        """Return how mandibular points (n, 3), upper frame, move with each freedom, (n, 3, 3).

        [:, :, k] is the velocity with freedom k: mm/rad for the opening, mm/mm for the condyles.
        """
        point, right, roll = self.velocity_terms(freedom)
        arm = points - point
        moved = np.empty((len(points), 3, 3))
        # a x p = p S(a)^T, S the matrix of the cross product.
        moved[:, :, 0] = arm @ skew(right)
        tilting = arm @ skew(roll).T
        moved[:, :, 1] = 0.5 * self.superior + tilting
        moved[:, :, 2] = 0.5 * self.superior - tilting
        return moved
