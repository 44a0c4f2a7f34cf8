"""The sagittal path of a condyle: straight, or an arc that is convex downwards.

The posterior slope of the articular eminence is convex downwards, so a condyle that follows it
descends steeply at first and less steeply further on (anatomy, from memory). A curved path is the
arc of a circle through the recorded place; its inclination is that of its chord over
`CHORD_TRAVEL_MM` of forward travel, the way an inclination is read from a record taken in
protrusion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.errors import InputError

CHORD_TRAVEL_MM = 5.0
"""Forward travel over which the chord of a curved path has the stated inclination.

A condylar path is read over about 5 to 6 mm of protrusion: Oh, Saglik & Bak 2020, Compend Contin
Educ Dent.
"""

LEAST_RADIUS_MM, MOST_RADIUS_MM = 5.0, 1000.0
"""Radii allowed: below, a protrusion of 5 mm goes round the crest of the eminence; above, the arc
leaves its chord by less than 5 um over 5 mm (geometry)."""

STEEPEST_RAD = np.deg2rad(85.0)
"""A path that somewhere on a movement is steeper than this is refused: forward travel no longer
tells where the condyle is."""


@dataclass(frozen=True, slots=True)
class SagittalPath:
    """The path of one condyle in the sagittal plane of the jaw frame.

    Attributes
    ----------
    inclination_rad
        Slope to the occlusal plane, positive where the advancing condyle goes down: of the line,
        or of the arc's chord over `CHORD_TRAVEL_MM`.
    radius_mm
        Radius of curvature, the centre above the path; None is a straight path.

    Raises
    ------
    InputError
        If the radius is out of range, or too small for so steep an inclination.

    Notes
    -----
    The arc through (0, 0) and (L, L tan C) in (forward, down) has its centre at
    (L/2 + q sin C, L/2 tan C - q cos C) with q = sqrt(R^2 - (L / (2 cos C))^2).
    """

    inclination_rad: float
    radius_mm: float | None = None

    def __post_init__(self) -> None:
        radius_mm = self.radius_mm
        if radius_mm is None:
            return
        if not LEAST_RADIUS_MM <= radius_mm <= MOST_RADIUS_MM:
            raise InputError(
                f"path_radius_mm: {radius_mm:g} given, {LEAST_RADIUS_MM:g} to {MOST_RADIUS_MM:g} "
                "is allowed; leave it out for a straight path"
            )
        half_chord_mm = 0.5 * CHORD_TRAVEL_MM / np.cos(self.inclination_rad)
        steepest = np.sin(STEEPEST_RAD - abs(self.inclination_rad))
        if not half_chord_mm <= radius_mm * steepest:
            least_mm = half_chord_mm / steepest if steepest > 0 else np.inf
            raise InputError(
                f"path_radius_mm: {radius_mm:g} given with an inclination of "
                f"{np.rad2deg(self.inclination_rad):.4g} degrees to the occlusal plane; "
                f"{least_mm:.3g} or more is wanted, else the path stands upright within "
                f"{CHORD_TRAVEL_MM:g} mm of travel; leave it out for a straight path"
            )

    def _centre(self, radius_mm: float) -> tuple[float, float]:
        """Return where the arc's centre is, forward and down, mm; it lies above the path."""
        sine, cosine = np.sin(self.inclination_rad), np.cos(self.inclination_rad)
        half_mm = 0.5 * CHORD_TRAVEL_MM
        q = np.sqrt(radius_mm**2 - (half_mm / cosine) ** 2)
        return float(half_mm + q * sine), float(half_mm * sine / cosine - q * cosine)

    @property
    def limits_mm(self) -> tuple[float, float]:
        """Least and most forward travel, mm, between which the path is nowhere too steep."""
        if self.radius_mm is None:
            return -np.inf, np.inf
        forward, _ = self._centre(self.radius_mm)
        reach = self.radius_mm * float(np.sin(STEEPEST_RAD))
        return forward - reach, forward + reach

    def drop_mm(self, s_mm: Float64Array) -> Float64Array:
        """Return how far down the condyle is, (n,), mm, at forward travels (n,), mm.

        Straight: s tan C. Curved: s (2 f - s) / (sqrt(d^2 + 2 s f - s^2) - d), with the arc's
        centre f mm in front and d mm below (d is negative): the arc's equation, written so that
        nothing cancels as the radius grows.

        Raises
        ------
        InputError
            If the travel leaves `limits_mm`.
        """
        s = np.asarray(s_mm, dtype=np.float64)
        if self.radius_mm is None:
            return s * np.tan(self.inclination_rad)
        low, high = self.limits_mm
        if s.size and (s.min() < low or s.max() > high):
            raise InputError(
                f"path_radius_mm: {self.radius_mm:g} given, with which the condylar path stands "
                f"upright beyond a travel of {low:.2f} to {high:.2f} mm; {s.min():g} to "
                f"{s.max():g} mm are asked for: give a larger radius, or shorter movements"
            )
        forward, down = self._centre(self.radius_mm)
        return s * (2.0 * forward - s) / (np.sqrt(down**2 + s * (2.0 * forward - s)) - down)
