"""The slide from the retruded to the intercuspal position, between two recorded places.

Both records fix where the condyles are; between them the jaw is led from one to the other, and
tooth contact sets the closing rotation, as in every excursion. Words after the Glossary of
Prosthodontic Terms, 9th ed., 2017.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, frozen
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.pose import condyle_positions

LEAST_SLIDE_MM = 0.05
"""A shorter way of both condyles is none: registrations do not tell it from nothing (the published
mean of 69 um at the teeth: Solaberrieta et al 2015, J Prosthet Dent 114:92-7)."""

MOST_SLIDE_MM = 5.0
"""A longer way is refused: slides of 1.25 +/- 1 mm are published (Posselt 1952, from memory)."""

MOST_FORWARD_MM = 0.5
"""A retruded record that has the condyles this far in front of the intercuspal one is refused: the
two are exchanged (chosen: several times what registration errs by at the condyles)."""


@dataclass(frozen=True, slots=True)
class RetrusiveSlide:
    """The way of the condyles from their retruded to their intercuspal places.

    Attributes
    ----------
    right, left : (3,), mm, jaw frame
        The retruded places of the condylar points; the intercuspal ones are (+-h, 0, 0).
    half_width_mm
        Half the distance h between the condylar points.

    Raises
    ------
    InputError
        If the retruded condyles do not keep their distance, or lie in front of the intercuspal
        ones or too far from them.

    Notes
    -----
    The middle between the condyles goes straight and the axis through them turns evenly about one
    fixed direction, so that their distance is kept exactly; with it each condyle leaves its own
    straight line by no more than h (1 - cos(turn / 2)), 2 um for a turn of one degree. The step
    parameter runs from -length_mm (retruded) to 0 (intercuspal).
    """

    right: Float64Array
    left: Float64Array
    half_width_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "right", frozen(self.right, np.float64))
        object.__setattr__(self, "left", frozen(self.left, np.float64))
        apart_mm = float(np.linalg.norm(self.right - self.left))
        if not abs(apart_mm - 2.0 * self.half_width_mm) < 1e-6:
            raise InputError(
                f"retruded condyles: {apart_mm:.6f} mm apart, {2.0 * self.half_width_mm:.6f} as at "
                "the intercuspal record wanted; give both of one rigid jaw"
            )
        forward_mm = 0.5 * float(self.right[1] + self.left[1])
        if forward_mm > MOST_FORWARD_MM:
            raise InputError(
                f"retruded record: the condyles lie {forward_mm:.2f} mm in front of their "
                f"intercuspal places, {MOST_FORWARD_MM:g} at most is allowed; check that the "
                "retruded and the intercuspal record are not exchanged"
            )
        if self.length_mm > MOST_SLIDE_MM:
            raise InputError(
                f"retruded record: a condyle lies {self.length_mm:.2f} mm from its intercuspal "
                f"place, {MOST_SLIDE_MM:g} mm at most is allowed; check that both records belong "
                "to these arches, and the condyles' places"
            )

    @staticmethod
    def between(
        frame: JawFrame, T_upper_lower_retruded: RigidTransform, T_upper_lower: RigidTransform
    ) -> RetrusiveSlide:
        """Return the slide from a retruded to the intercuspal record, lower to upper both."""
        right, left = condyle_positions(frame, T_upper_lower_retruded, T_upper_lower)
        return RetrusiveSlide(right, left, frame.half_width_mm)

    @property
    def length_mm(self) -> float:
        """The longer one of the two condyles' ways."""
        home = np.array([self.half_width_mm, 0.0, 0.0])
        return max(
            float(np.linalg.norm(self.right - home)), float(np.linalg.norm(self.left + home))
        )

    @property
    def is_one(self) -> bool:
        """Whether the condyles move at all, beyond what a record can tell."""
        return self.length_mm >= LEAST_SLIDE_MM

    def displacement(self, s_mm: float) -> RigidTransform:
        """Return the jaw-frame displacement from the intercuspal record at a parameter.

        Without closing rotation about the intercondylar axis, as `guidance.displacement`.

        Raises
        ------
        InputError
            If the parameter leaves -length_mm to 0.
        """
        if not -self.length_mm * (1.0 + 1e-12) <= s_mm <= 0.0:
            raise InputError(
                f"s_mm: {s_mm:g} given for the retrusive slide, {-self.length_mm:g} (retruded) to "
                "0 (intercuspal) is allowed"
            )
        share = min(-s_mm / self.length_mm, 1.0) if self.length_mm > 0.0 else 0.0
        u = (self.right - self.left) / (2.0 * self.half_width_mm)
        across = np.array([0.0, -u[2], u[1]])  # e_x cross u
        sine = float(np.linalg.norm(across))
        middle = share * 0.5 * (self.right + self.left)
        if sine == 0.0:
            return RigidTransform(np.eye(3), middle)
        turn = RigidTransform.rotation_about(
            np.zeros(3), across / sine, share * float(np.arctan2(sine, u[0]))
        )
        return RigidTransform(turn.rotation, middle)

    def condyles(self, s_mm: float) -> tuple[Float64Array, Float64Array]:
        """Return the right and the left condylar point (3,), mm, jaw frame, at a parameter."""
        moved = self.displacement(s_mm)
        home = np.array([self.half_width_mm, 0.0, 0.0])
        return moved.apply(home), moved.apply(-home)
