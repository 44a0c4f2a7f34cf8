"""The jaw's joints as springs that are pressed and never pull, and the muscles that press them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen, unit_vector
from occlusim.errors import InputError


@dataclass(frozen=True, slots=True)
class JointSettings:
    """How a condyle gives way in its fossa.

    The chewing-side condyle rises by 0.5 mm from its place in intercuspation when a hard jelly is
    chewed (12 adults, Miyawaki et al. 2001, J Dent Res 80:437-442). With a joint force of some
    150 N (from memory) that is 300 N/mm. `is_held` holds both condyles on their guided places,
    pressed or pulled: their forces follow from equilibrium alone.
    """

    stiffness_N_per_mm: float = 300.0
    is_held: bool = False

    def __post_init__(self) -> None:
        if not self.stiffness_N_per_mm > 0:
            raise InputError(
                f"joints: stiffness {self.stiffness_N_per_mm} N/mm given, more than 0 is wanted"
            )


@dataclass(frozen=True, slots=True)
class Muscle:
    """The elevator muscles' resultant: a force with a point and a direction, not a moment.

    point (3,) mm in the lower scan's frame, it moves with the mandible; direction (3,) unit, in the
    upper scan's frame. By default it stands 35 mm in front of the hinge axis, midway between the
    condyles, and pulls towards the skull (from memory).
    """

    point: Float64Array
    direction: Float64Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "point", frozen(self.point, np.float64))
        object.__setattr__(
            self, "direction", frozen(unit_vector(self.direction, "muscle"), np.float64)
        )
