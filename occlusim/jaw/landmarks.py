"""Landmarks of the mounting: the lower incisal point and the distobuccal cusps behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Three points that span the occlusal plane, mm, in the frame the caller states.

    Attributes
    ----------
    incisal : (3,)
        Lower incisal point: between the mesial edges of the lower central incisors.
    right_molar, left_molar : (3,)
        Distobuccal cusps of the last lower molars.
    method
        ``given`` or ``found``.
    confidence
        From 0 to 1; 1 for points that were given.
    """

    incisal: Float64Array
    right_molar: Float64Array
    left_molar: Float64Array
    method: str = "given"
    confidence: float = 1.0

    def __post_init__(self) -> None:
        for name in ("incisal", "right_molar", "left_molar"):
            point = frozen(getattr(self, name), np.float64)
            if point.shape != (3,) or not np.isfinite(point).all():
                raise InputError(f"{name}: three finite coordinates in mm wanted, {point!r} given")
            object.__setattr__(self, name, point)

    def transformed(self, T_new_old: RigidTransform) -> Landmarks:
        """Return the landmarks carried into another frame."""
        return Landmarks(
            T_new_old.apply(self.incisal),
            T_new_old.apply(self.right_molar),
            T_new_old.apply(self.left_molar),
            self.method,
            self.confidence,
        )
