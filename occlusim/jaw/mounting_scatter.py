"""How far the hinge axis and the condylar guidance may lie from where they were put.

A mounting names a place for the axis and angles for the condyles; people differ from means, and
measurements repeat only so well. Every spread here is one standard deviation with its published
source; where surveys disagree, or a range had to be read as a spread, the words say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from occlusim.errors import InputError

CondyleSource = Literal["measured", "arbitrary"]

REPEAT_ACROSS_MM = 2.4
"""Repeated location of a known axis fell within an area so far across.

Source: the study of hinge axis location on an instrument that paperexplained.cn lists as
89bab9d7670b88a7e30e7a29a8ca7b604b7b923d.
"""

ARBITRARY_SHARE = 0.33
ARBITRARY_WITHIN_MM = 5.0
"""Share of arbitrary points so near to the located axis: Lauritzen and Bodner.

As quoted in the abstract of the geometry of the arbitrary hinge axis (J Prosthet Dent 1982;48:725).
The surveys quoted there run from 20 % (Walker) to over 95 % (Schallhorn) within 5 mm, which is 7.5
to 2.0 mm of spread: they disagree strongly, and this one lies between.
"""

N_MORPHOMETRY = 120
ARM_RANGE_MM = (90.2, 117.9)
BASE_RANGE_MM = (85.2, 112.6)
HEIGHT_RANGE_MM = (21.0, 47.2)
"""Ranges of Bonwill arm, distance of the condyles, height of the axis: 120 scans, PMID 26734666."""

GIVEN_LANDMARK_MM = 0.5
FOUND_LANDMARK_MM = 1.0
"""Spread of a landmark's height, set by hand or found by the program. Assumed, not published."""


@dataclass(frozen=True, slots=True)
class AxisScatter:
    """One standard deviation of the hinge axis' place, in jaw axes, and what it rests on.

    The directions are taken as independent. A shift along the axis is left out: closing and a
    symmetric protrusion do not feel it, and no survey gives its size.
    """

    forward_mm: float
    vertical_mm: float
    words: str


@dataclass(frozen=True, slots=True)
class GuidanceScatter:
    """How people differ in their condylar guidance.

    Attributes
    ----------
    inclination_rad
        Standard deviation of a sagittal inclination: 12.1 degrees on the right and 11.8 on the
        left, 154 people (Appl Sci 2025;15:10231); 12 is used.
    inclination_correlation
        Of right and left in one person: 36 % of 47 people differed by more than 6 degrees (IADR
        abstract 177411), a spread of the difference of 6.5 degrees.
    bennett_rad
        Standard deviation of a Bennett angle, sides independent: 26 % of the same 47 differed by
        more than 6 degrees, with means of 7.3 and 9.0. The spread over people is not given there.
    side_shift_mm
        Immediate side shift from, to, every value alike: means of 0.80 (women) and 1.68 mm (men),
        50 patients, J Baghdad Coll Dent; range 0 to 2.
    """

    inclination_rad: float = np.deg2rad(12.0)
    inclination_correlation: float = 0.85
    bennett_rad: float = np.deg2rad(3.6)
    side_shift_mm: tuple[float, float] = (0.0, 2.0)

    def __post_init__(self) -> None:
        if not (0.0 <= self.inclination_rad <= np.deg2rad(30.0)):
            raise InputError(
                f"inclination_sigma: {np.rad2deg(self.inclination_rad):.4g} degrees given, 0 to 30 "
                "is allowed (12 has been measured between people)"
            )
        if not (0.0 <= self.bennett_rad <= np.deg2rad(15.0)):
            raise InputError(
                f"bennett_sigma: {np.rad2deg(self.bennett_rad):.4g} degrees given, 0 to 15 is "
                "allowed"
            )
        if not -1.0 <= self.inclination_correlation <= 1.0:
            raise InputError(
                f"inclination_correlation: {self.inclination_correlation:g} given, -1 to 1 is "
                "allowed"
            )
        low, high = self.side_shift_mm
        if not 0.0 <= low <= high <= 4.0:
            raise InputError(
                f"side_shift: from {low:g} to {high:g} mm given, 0 to 4 with the smaller first is "
                "allowed"
            )

    def words(self) -> str:
        """Return in words what is taken for granted of the guidance."""
        low, high = self.side_shift_mm
        return (
            f"condylar inclination {np.rad2deg(self.inclination_rad):.3g} degrees (154 people, "
            "Appl Sci 2025;15:10231), right and left of one person alike to "
            f"{self.inclination_correlation:.2g}; Bennett angle "
            f"{np.rad2deg(self.bennett_rad):.2g} degrees (from the differences of sides in 47 "
            f"people, IADR abstract 177411); immediate side shift {low:g} to {high:g} mm, every "
            "value alike (J Baghdad Coll Dent, 50 patients)"
        )


def expected_range(n: int) -> float:
    """Return the mean range of n draws from a normal distribution, in standard deviations.

    The integral of 1 - F^n - (1 - F)^n over the line (Tippett 1925, Biometrika 17:364).

    Raises
    ------
    InputError
        If fewer than two draws are given: they have no range.
    """
    if n < 2:
        raise InputError(f"expected_range: {n} draws given, 2 or more are wanted")
    x = np.linspace(-9.0, 9.0, 3601)
    return float(np.trapezoid(1.0 - ndtr(x) ** n - ndtr(-x) ** n, x))


def sigma_of_range(low: float, high: float, n: int) -> float:
    """Return the standard deviation that makes n normal draws span `low` to `high` in the mean."""
    return (high - low) / expected_range(n)


def sigma_of_share(share: float, within: float) -> float:
    """Return the spread per direction that puts a share of isotropic points within a distance.

    P(r < within) = 1 - exp(-within^2 / 2 sigma^2), the Rayleigh distribution.

    Raises
    ------
    InputError
        If the share is not between 0 and 1, or the distance is not positive.
    """
    if not (0.0 < share < 1.0 and within > 0.0):
        raise InputError(
            f"sigma_of_share: a share of {share:g} within {within:g} given; a share between 0 and "
            "1 and a positive distance are wanted"
        )
    return float(within / np.sqrt(-2.0 * np.log1p(-share)))


def condyle_scatter(source: CondyleSource) -> AxisScatter:
    """Return the scatter of an axis through given condylar points.

    Parameters
    ----------
    source
        ``measured``: located by the patient's own hinge movement; ``arbitrary``: by a rule on the
        face or by the ears.

    Raises
    ------
    InputError
        If the source is neither.
    """
    if source == "measured":
        sigma = sigma_of_share(0.95, 0.5 * REPEAT_ACROSS_MM)
        words = (
            f"measured condyles repeat within an area {REPEAT_ACROSS_MM:g} mm across (hinge axis "
            "location on an instrument), read as the circle that holds 95 %"
        )
    elif source == "arbitrary":
        sigma = sigma_of_share(ARBITRARY_SHARE, ARBITRARY_WITHIN_MM)
        words = (
            f"arbitrary condylar points: {100 * ARBITRARY_SHARE:.0f} % lie within "
            f"{ARBITRARY_WITHIN_MM:g} mm of the located axis (Lauritzen and Bodner, quoted in J "
            "Prosthet Dent 1982;48:725); other surveys say 20 to over 95 %, a spread of 7.5 to 2.0 "
            "mm"
        )
    else:
        raise InputError(f"condyles: {source!r} given, measured or arbitrary is allowed")
    return AxisScatter(sigma, sigma, words)


def mean_value_scatter(
    arm_mm: float,
    base_mm: float,
    height_mm: float,
    forward_mm: float,
    molar_mm: float,
    *,
    is_found: bool,
) -> AxisScatter:
    """Return the scatter of an axis placed from landmarks by mean values.

    Parameters
    ----------
    arm_mm, base_mm, height_mm, forward_mm
        Bonwill arm, distance of the condyles, height of the axis above the occlusal plane, and its
        distance behind the incisal point along it, as used.
    is_found
        Whether the landmarks were found by the program, else given.

    Notes
    -----
    The published ranges become spreads as those of 120 normal draws. The distance forward follows
    from forward^2 = arm^2 - (base / 2)^2 - height^2, the three taken as independent (their
    correlations are not published). The landmarks' own spread tilts the plane, which is carried
    back from the molars to the axis: molars 46 mm in front of it and an incisal point at 84 mm
    double it.
    """
    arm, base, height = (
        sigma_of_range(*limits, N_MORPHOMETRY)
        for limits in (ARM_RANGE_MM, BASE_RANGE_MM, HEIGHT_RANGE_MM)
    )
    mark_mm = FOUND_LANDMARK_MM if is_found else GIVEN_LANDMARK_MM
    forward = np.sqrt(
        (arm_mm * arm) ** 2 + (0.25 * base_mm * base) ** 2 + (height_mm * height) ** 2
    )
    back = molar_mm / (forward_mm - molar_mm)
    lever = np.sqrt(0.5 * (1.0 + back) ** 2 + back**2)
    who = "found by the program" if is_found else "given"
    return AxisScatter(
        float(np.hypot(forward / forward_mm, mark_mm / np.sqrt(3.0))),
        float(np.hypot(height, lever * mark_mm)),
        f"mean values: ranges in {N_MORPHOMETRY} cone-beam scans (PMID 26734666) read as those of "
        f"normal draws; landmarks {who}, their own spread taken as {mark_mm:g} mm (assumed)",
    )
