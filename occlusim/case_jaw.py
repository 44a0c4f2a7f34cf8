"""The jaw's sections of a case: mounting, guidance, movements, loads, how far they may be wrong."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import AfterValidator, BeforeValidator, model_validator

from occlusim.case_values import (
    Direction,
    Number,
    Point,
    Section,
    Sides,
    between,
    both_sides,
    plain_number,
    two_sides,
)
from occlusim.jaw.condylar_path import LEAST_RADIUS_MM, MOST_RADIUS_MM
from occlusim.jaw.frame import MAX_CONDYLE_DISTANCE_MM, MIN_CONDYLE_DISTANCE_MM
from occlusim.jaw.guidance import GuidanceSettings
from occlusim.jaw.mounting_scatter import CondyleSource
from occlusim.jaw.movements import Movement, lateroprotrusion

MAX_SAMPLES = 5000
Plane = Literal["occlusal", "camper", "frankfort"]


class PathRadii(Section):
    """The radius of each condylar path; a side that is left out has a straight one."""

    right: Annotated[Number, between(LEAST_RADIUS_MM, MOST_RADIUS_MM)] | None = None
    left: Annotated[Number, between(LEAST_RADIUS_MM, MOST_RADIUS_MM)] | None = None


class Mounting(Section):
    """Condylar points in the upper scan's coordinates, landmarks on the lower scan in its own.

    `condyles` says what the condylar points are: ``measured`` on the patient's own hinge movement,
    or ``arbitrary``, by a rule on the face; it decides how far the axis is trusted.
    """

    condyles: CondyleSource = "measured"
    right_condyle_mm: Point | None = None
    left_condyle_mm: Point | None = None
    incisal_mm: Point | None = None
    right_molar_mm: Point | None = None
    left_molar_mm: Point | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        condyles = (self.right_condyle_mm, self.left_condyle_mm)
        landmarks = (self.incisal_mm, self.right_molar_mm, self.left_molar_mm)
        if None in condyles and condyles != (None, None):
            raise ValueError("right_condyle_mm and left_condyle_mm: both or none are wanted")
        if None in condyles and "condyles" in self.model_fields_set:
            raise ValueError(
                f"condyles = {self.condyles!r} is given without condylar points: add "
                "right_condyle_mm and left_condyle_mm, or leave it out"
            )
        if None in landmarks and landmarks != (None, None, None):
            raise ValueError(
                "incisal_mm, right_molar_mm and left_molar_mm: all three or none are wanted"
            )
        if self.right_condyle_mm is not None and self.left_condyle_mm is not None:
            apart = np.subtract(self.right_condyle_mm, self.left_condyle_mm)
            distance = float(np.linalg.norm(apart))
            if not MIN_CONDYLE_DISTANCE_MM <= distance <= MAX_CONDYLE_DISTANCE_MM:
                raise ValueError(
                    f"the condylar points are {distance:.4g} mm apart, "
                    f"{MIN_CONDYLE_DISTANCE_MM:g} to {MAX_CONDYLE_DISTANCE_MM:g} is allowed"
                )
        return self


class Guidance(Section):
    """The condyles' guidance; any angle needs its plane. Defaults: see `jaw.guidance`.

    `path_radius_mm` makes the sagittal path an arc, whose chord over 5 mm of forward travel has the
    inclination: see `jaw.condylar_path`.
    """

    inclination_plane: Plane = "occlusal"
    sagittal_inclination_deg: Annotated[
        Sides, BeforeValidator(both_sides), two_sides(-30.0, 80.0)
    ] = Sides(right=33.0, left=33.0)
    bennett_angle_deg: Annotated[Sides, BeforeValidator(both_sides), two_sides(0.0, 45.0)] = Sides(
        right=7.5, left=7.5
    )
    immediate_side_shift_mm: Annotated[Sides, BeforeValidator(both_sides), two_sides(0.0, 4.0)] = (
        Sides(right=0.0, left=0.0)
    )
    path_radius_mm: Annotated[PathRadii, BeforeValidator(both_sides)] = PathRadii()

    @model_validator(mode="before")
    @classmethod
    def _plane_with_angles(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and "inclination_plane" not in data:
            angles = [key for key in data if str(key).endswith("_deg") and key in cls.model_fields]
            if angles:
                raise ValueError(
                    f'{angles[0]} is given without its plane: add inclination_plane = "occlusal", '
                    '"camper" or "frankfort"'
                )
        return data

    @model_validator(mode="after")
    def _check(self) -> Self:
        self.inside()
        return self

    def inside(self) -> GuidanceSettings:
        """Return the guidance in inside units."""
        return GuidanceSettings.from_degrees(
            inclination_plane=self.inclination_plane,
            sagittal_inclination_deg=self.sagittal_inclination_deg.model_dump(),
            bennett_angle_deg=self.bennett_angle_deg.model_dump(),
            immediate_side_shift_mm=self.immediate_side_shift_mm.model_dump(),
            path_radius_mm=self.path_radius_mm.model_dump(),
        )


def _samples(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{value!r} given, a whole number is wanted")
    if not 0 <= value <= MAX_SAMPLES:
        raise ValueError(f"{value} given, 0 to {MAX_SAMPLES} is allowed")
    return value


def _from_to(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError(f"{value!r} given, two numbers [from, to] are wanted")
    low, high = (plain_number(v) for v in value)
    if not 0.0 <= low <= high <= 4.0:
        raise ValueError(f"[{low:g}, {high:g}] given, 0 to 4 with the smaller first is allowed")
    return low, high


class Sensitivity(Section):
    """How far guidance and axis may be wrong, and how many jaws are tried for it.

    Standard deviations, and the range of the immediate side shift. The defaults are those between
    people, with their sources: `occlusim.jaw.mounting_scatter.GuidanceScatter`; where the angles
    were measured on the patient, give what the measurement repeats to. Each quantity is always
    varied alone and all at their worse ends at once; `samples` jaws drawn at random add the spread,
    at some 50 ms each.
    """

    samples: Annotated[int, BeforeValidator(_samples)] = 0
    inclination_sigma_deg: Annotated[Number, between(0.0, 30.0)] = 12.0
    bennett_sigma_deg: Annotated[Number, between(0.0, 15.0)] = 3.6
    side_shift_mm: Annotated[tuple[float, float], BeforeValidator(_from_to)] = (0.0, 2.0)


def _between_angle(value: float) -> float:
    if not 1.0 <= value <= 89.0 or round(value, 1) != value:
        raise ValueError(
            f"{value:g} given, 1 to 89 in tenths of a degree is allowed (0 is protrusion and 90 "
            "laterotrusion, which are made anyway)"
        )
    return value


class Movements(Section):
    """How far the movements go (forward travel of the advancing condyle) and in which steps.

    Every angle of `lateroprotrusion_deg` is made to both sides; see `jaw.movements.course_of`.
    `pace` as in `Loads`: a movement is quick unless said otherwise. In a sustained one teeth give
    way along their axes alone: without friction a lone canine would slide off its guide sideways.
    """

    protrusion_mm: Annotated[Number, between(0.0, 15.0)] = 5.0
    laterotrusion_mm: Annotated[Number, between(0.0, 15.0)] = 4.0
    lateroprotrusion_deg: tuple[Annotated[Number, AfterValidator(_between_angle)], ...] = ()
    lateroprotrusion_mm: Annotated[Number, between(0.1, 15.0)] = 4.0
    step_mm: Annotated[Number, between(0.005, 1.0)] = 0.1
    pace: Literal["sustained", "quick"] = "quick"

    @model_validator(mode="after")
    def _check(self) -> Self:
        twice = sorted({a for a in self.lateroprotrusion_deg if self._count(a) > 1})
        if twice:
            raise ValueError(
                f"lateroprotrusion_deg: {', '.join(f'{a:g}' for a in twice)} given more than once, "
                "each angle once is wanted"
            )
        return self

    def _count(self, angle_deg: float) -> int:
        return self.lateroprotrusion_deg.count(angle_deg)

    def lengths_mm(self) -> dict[Movement, float]:
        """Return how far each excursion goes, in the order of the results; 0 is left out."""
        lengths: dict[Movement, float] = {
            "protrusion": self.protrusion_mm,
            "laterotrusion_right": self.laterotrusion_mm,
            "laterotrusion_left": self.laterotrusion_mm,
        }
        for angle_deg in self.lateroprotrusion_deg:
            for side in ("right", "left"):
                lengths[lateroprotrusion(side, angle_deg)] = self.lateroprotrusion_mm
        return {name: length for name, length in lengths.items() if length > 0.0}


class Loads(Section):
    """The sum of the vertical tooth forces in light and in heavy closure, and what gives way.

    `others_N` are further closures. `pace`: in a sustained bite teeth give way in their sockets and
    condyles in their fossae; in a quick one, as in chewing, neither has the time. `lateral_springs`
    false lets teeth yield along their axes alone. The muscles' resultant acts at
    `muscle_point_jaw_mm` along `muscle_direction_jaw`, in the jaw frame. Reasons and sources:
    `occlusim.motion.mobility`, `occlusim.motion.joints`, `occlusim.contact.foundation`.
    """

    light_N: Annotated[Number, between(0.5, 500.0)] = 20.0
    heavy_N: Annotated[Number, between(1.0, 2000.0)] = 200.0
    others_N: tuple[Annotated[Number, between(0.5, 2000.0)], ...] = ()
    pace: Literal["sustained", "quick"] = "sustained"
    lateral_springs: bool = True
    muscle_point_jaw_mm: Point = (0.0, 35.0, 0.0)
    muscle_direction_jaw: Direction = (0.0, 0.0, 1.0)
    joint_stiffness_N_per_mm: Annotated[Number, between(10.0, 100000.0)] = 300.0
    foundation_MPa_per_mm: Annotated[Number, between(10.0, 10000.0)] = 300.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.light_N < self.heavy_N:
            raise ValueError(
                f"light_N = {self.light_N:g} and heavy_N = {self.heavy_N:g} given, "
                "light below heavy is wanted"
            )
        if not 5.0 <= self.muscle_point_jaw_mm[1] <= 90.0:
            raise ValueError(
                f"muscle_point_jaw_mm: {self.muscle_point_jaw_mm[1]:g} mm in front of the hinge "
                "axis given, 5 to 90 is allowed"
            )
        if not self.muscle_direction_jaw[2] > 0.5:
            raise ValueError(
                f"muscle_direction_jaw: {list(self.muscle_direction_jaw)} given; the elevators "
                "pull towards the skull, within 60 degrees of [0, 0, 1]"
            )
        return self
