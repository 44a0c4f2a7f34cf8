"""The names of the guided movements, and what each asks of the two condyles.

A lateroprotrusion's name ends in its angle in degrees, such as ``lateroprotrusion_right_30``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from occlusim.errors import InputError

Movement = str
"""The name of a movement; `course_of` checks it and says what it means."""

Side = Literal["right", "left"]

RETRUSIVE_SLIDE: Movement = "retrusive_slide"
"""Between two recorded places of the condyles: `occlusim.jaw.slide`, not by their guidance."""

MOVEMENTS: tuple[Movement, ...] = (
    "centric",
    "protrusion",
    "laterotrusion_right",
    "laterotrusion_left",
)
"""The movements that need no angle; see `lateroprotrusion` for those between them."""


@dataclass(frozen=True, slots=True)
class Course:
    """What a guided movement asks of the condyles.

    Attributes
    ----------
    working
        The side towards which the jaw moves; None where it moves to neither.
    share
        Forward travel of the working condyle as a share of the advancing one's: 1 in protrusion,
        0 in laterotrusion.
    """

    working: Side | None
    share: float


def lateroprotrusion(working: Side, angle_deg: float) -> Movement:
    """Return the name of the lateroprotrusion to a side at an angle (0 to 90 degrees).

    Raises
    ------
    InputError
        If the angle is out of range or finer than a tenth of a degree, which a name can tell.
    """
    if not 0.0 <= angle_deg <= 90.0 or round(angle_deg, 1) != angle_deg:
        raise InputError(
            f"lateroprotrusion: {angle_deg!r} degrees given, 0 to 90 in tenths are allowed"
        )
    return f"lateroprotrusion_{working}_{angle_deg:g}".replace(".", "_")


def lateroprotrusion_angle_deg(movement: Movement) -> float | None:
    """Return the angle in a lateroprotrusion's name, or None where it is another movement."""
    found = re.fullmatch(r"lateroprotrusion_(?:right|left)_(\d{1,2})(?:_(\d))?", movement)
    if found is None:
        return None
    angle_deg = float(f"{found[1]}.{found[2] or 0}")
    return angle_deg if angle_deg <= 90.0 else None


def course_of(movement: Movement) -> Course:
    """Return what a movement asks of the condyles.

    Notes
    -----
    A lateroprotrusion at an angle A is laterotrusion and protrusion at once, in the ratio
    sin A : cos A. Protrusion carries both condyles forward and laterotrusion one of them, so
    the working condyle's share of the travel is cos A / (cos A + sin A): 1 at 0 degrees, a half at
    45, 0 at 90. The reason is what the incisal point does: it leaves the sagittal plane by an
    angle nearly proportional to A, atan(tan(E) (1 - share) / (1 + share)) without side shift, where
    E is its angle in laterotrusion: tan(E) is its distance in front of the axis over half the
    distance of the condyles, 59 degrees for the mean triangle. So 30, 45 and 60 become 21, 29 and
    38 degrees there; a share of cos A would make them 7, 16 and 29.

    Raises
    ------
    InputError
        If there is no movement of that name.
    """
    if movement in ("centric", "protrusion"):
        return Course(None, 1.0)
    side: Side = "right" if "_right" in movement else "left"
    if movement in ("laterotrusion_right", "laterotrusion_left"):
        return Course(side, 0.0)
    angle_deg = lateroprotrusion_angle_deg(movement)
    if angle_deg is None:
        raise InputError(
            f"movement: {movement!r} given, one of {', '.join(MOVEMENTS)} is wanted, or a "
            "lateroprotrusion with its angle in degrees such as lateroprotrusion_right_30"
        )
    angle = np.deg2rad(angle_deg)
    cosine = 0.0 if angle_deg == 90.0 else float(np.cos(angle))
    return Course(side, cosine / (cosine + float(np.sin(angle))))
