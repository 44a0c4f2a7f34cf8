"""What to compute: the case, as the sections of a case file, in outside units (deg, um).

The models hold and check; they touch no file. Defaults are those of the stages. A value that
cannot be right is refused here, with what was given and what is allowed, so that no stage meets it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from occlusim.arrays import unit_vector
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import MAX_CONDYLE_DISTANCE_MM, MIN_CONDYLE_DISTANCE_MM
from occlusim.jaw.mounting_scatter import CondyleSource
from occlusim.jaw.numbering import (
    check_teeth,
    check_tooth,
    is_anterior,
    is_upper,
    iso_from_universal,
)
from occlusim.registration.shared_frame import SharedFrameSettings

SCHEMA = 1
MAX_SAMPLES = 5000
DEFAULT_CENTRIC_UM: Mapping[str, float] = {"tooth": 0.0, "implant": 25.0}

Units = Literal["um", "mm", "cm", "m", "inch"]
Support = Literal["tooth", "implant"]
CrownGuidance = Literal["none", "shared", "guides"]
Plane = Literal["occlusal", "camper", "frankfort"]


class _Section(BaseModel):
    """A table of the case file: fixed once read, and without keys that nobody knows."""

    model_config = ConfigDict(frozen=True, extra="forbid", protected_namespaces=())


def _plain_number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{value!r} given, a number is wanted")
    if not np.isfinite(value):
        raise ValueError(f"{value} given, a finite number is wanted")
    return float(value)


def _between(low: float, high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"{value:g} given, {low:g} to {high:g} is allowed")
        return value

    return AfterValidator(check)


def _plain_text(value: object) -> object:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{value!r} given, the name of a file in quotes is wanted")
    return value


def _iso(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise ValueError(f'{value!r} given, an ISO 3950 number in quotes, such as "46", is wanted')
    return str(check_tooth(value))


def _case_id(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9_-]{1,100}", value):
        raise ValueError(
            f"{value!r} given; letters, digits, - and _ are allowed (never a patient's name)"
        )
    return value


def _as_list(value: object) -> object:
    return [value] if isinstance(value, Mapping) else value


def _both_sides(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return {"right": value, "left": value}
    return value


def _three(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise ValueError(f"{value!r} given, three numbers [x, y, z] are wanted")
    return tuple(_plain_number(v) for v in value)


def _unit(value: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = unit_vector(value)
    return float(x), float(y), float(z)


def _rigid(value: object) -> tuple[tuple[float, ...], ...]:
    """Return a rigid matrix; rounding of its digits, up to 1e-4, is taken out of the rotation."""
    rows = list(value) if isinstance(value, list | tuple) else []
    if len(rows) != 4 or any(not isinstance(row, list | tuple) or len(row) != 4 for row in rows):
        raise ValueError("a 4x4 matrix, four rows of four numbers, is wanted")
    matrix = np.array([[_plain_number(v) for v in row] for row in rows])
    u, _, vt = np.linalg.svd(matrix[:3, :3])
    nearest = u @ vt
    if np.abs(nearest - matrix[:3, :3]).max() <= 1e-4:
        matrix[:3, :3] = nearest
    rigid = RigidTransform.from_matrix(matrix).matrix
    return tuple(tuple(float(v) for v in row) for row in rigid)


def _two_sides(low: float, high: float) -> AfterValidator:
    def check(sides: Sides) -> Sides:
        for name, value in (("right", sides.right), ("left", sides.left)):
            if not low <= value <= high:
                raise ValueError(f"{name}: {value:g} given, {low:g} to {high:g} is allowed")
        return sides

    return AfterValidator(check)


Number = Annotated[float, BeforeValidator(_plain_number)]
FileName = Annotated[Path, BeforeValidator(_plain_text)]
Tooth = Annotated[str, BeforeValidator(_iso)]
Point = Annotated[tuple[float, float, float], BeforeValidator(_three)]
Direction = Annotated[tuple[float, float, float], BeforeValidator(_three), AfterValidator(_unit)]


class Sides(_Section):
    """A number for the patient's right and one for the left; a single number serves both."""

    right: Number
    left: Number


class Scans(_Section):
    """The scans; `T_upper_lower` maps lower to upper: a start where there are bites, else given."""

    upper: FileName
    lower: FileName
    bites: tuple[FileName, ...] = ()
    units: Units = "mm"
    T_upper_lower: Annotated[tuple[tuple[float, ...], ...], BeforeValidator(_rigid)] | None = None

    @property
    def given_pose(self) -> RigidTransform | None:
        """The given pose, lower to upper, or None."""
        return (
            None if self.T_upper_lower is None else RigidTransform.from_matrix(self.T_upper_lower)
        )


class Access(_Section):
    """The screw access channel, in the crown's coordinates; the axis points out of the crown."""

    point_mm: Point
    axis: Direction
    diameter_mm: Annotated[Number, _between(0.5, 10.0)]
    max_tilt_deg: Annotated[Number, _between(0.0, 45.0)] = 0.0


class Crown(_Section):
    """A crown, or several in one mesh, in the coordinates of its own arch's scan.

    `tooth` (ISO 3950), `universal` (1 to 32) or `teeth` (several) says which; `iso` has them.
    `guidance` stays None where an incisor or canine does not state it.
    """

    mesh: FileName
    tooth: Tooth | None = None
    universal: int | None = None
    teeth: tuple[Tooth, ...] = ()
    support: Support
    guidance: CrownGuidance | None = None
    seating_axis: Direction | None = None
    min_thickness_mm: Annotated[Number, _between(0.1, 5.0)] = 1.0
    inner: FileName | None = None
    access: Access | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        named = (self.tooth is not None) + (self.universal is not None) + bool(self.teeth)
        if named != 1:
            raise ValueError(
                'one of tooth = "46" (ISO 3950), universal = 30 or teeth = ["45", "46"] is wanted, '
                f"{named} given"
            )
        iso = check_teeth(self.iso)
        if len({is_upper(tooth) for tooth in iso}) > 1:
            raise ValueError(f"teeth: {', '.join(map(str, iso))} stand in different arches")
        if self.guidance is None and not any(is_anterior(tooth) for tooth in iso):
            object.__setattr__(self, "guidance", "none")
        return self

    @property
    def iso(self) -> tuple[int, ...]:
        """The teeth of the crown as ISO 3950 numbers."""
        if self.universal is not None:
            return (iso_from_universal(self.universal),)
        return tuple(int(tooth) for tooth in (self.teeth or (self.tooth,)) if tooth is not None)

    @property
    def is_upper(self) -> bool:
        """Whether the crown stands in the upper arch."""
        return is_upper(self.iso[0])


class Implant(_Section):
    """The implant under the crown, in the crown's coordinates; the axis points to the crown."""

    platform_mm: Point
    axis: Direction


class Teeth(_Section):
    """What is known of other teeth; `mobility` is a factor on a tooth's yielding."""

    implants: tuple[Tooth, ...] = ()
    missing: tuple[Tooth, ...] = ()
    mobility: dict[Tooth, Annotated[Number, _between(0.1, 100.0)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        both = sorted(set(self.implants) & set(self.missing))
        if both:
            raise ValueError(f"{', '.join(both)} cannot be both implant and missing")
        check_teeth(self.implants)
        check_teeth(self.missing)
        return self


class Foil(_Section):
    """Pairs of teeth, upper and lower, seen to hold a foil or to let it slip before the crown."""

    thickness_um: Annotated[Number, _between(1.0, 500.0)] = 8.0
    load: Literal["light", "heavy"] = "light"
    holds: tuple[tuple[Tooth, Tooth], ...] = ()
    slips: tuple[tuple[Tooth, Tooth], ...] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        for pair in self.holds + self.slips:
            if is_upper(int(pair[0])) == is_upper(int(pair[1])):
                raise ValueError(f"{list(pair)} given, a pair of an upper and a lower tooth wanted")
        ordered = [{frozenset(pair) for pair in pairs} for pairs in (self.holds, self.slips)]
        if ordered[0] & ordered[1]:
            pair = sorted(next(iter(ordered[0] & ordered[1])))
            raise ValueError(f"the pair {pair} cannot both hold the foil and let it slip")
        return self


class Registration(_Section):
    """What is taken for granted of a bite that came without bite scans.

    `given_sigma_um` is the standard deviation of the lower jaw's displacement at the first molars,
    over all directions, where the arches share a frame or their pose is given. Its default and
    source: `occlusim.registration.shared_frame.SharedFrameSettings`.
    """

    given_sigma_um: Annotated[Number, _between(1.0, 1000.0)] = (
        SharedFrameSettings().displacement_sigma_um
    )


class Mounting(_Section):
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


class Guidance(_Section):
    """The condyles' guidance; any angle needs its plane. Defaults: see `jaw.guidance`."""

    inclination_plane: Plane = "occlusal"
    sagittal_inclination_deg: Annotated[
        Sides, BeforeValidator(_both_sides), _two_sides(-30.0, 80.0)
    ] = Sides(right=33.0, left=33.0)
    bennett_angle_deg: Annotated[Sides, BeforeValidator(_both_sides), _two_sides(0.0, 45.0)] = (
        Sides(right=7.5, left=7.5)
    )
    immediate_side_shift_mm: Annotated[
        Sides, BeforeValidator(_both_sides), _two_sides(0.0, 4.0)
    ] = Sides(right=0.0, left=0.0)

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


class Movements(_Section):
    """How far the movements go (forward travel of the advancing condyle) and in which steps."""

    protrusion_mm: Annotated[Number, _between(0.0, 15.0)] = 5.0
    laterotrusion_mm: Annotated[Number, _between(0.0, 15.0)] = 4.0
    step_mm: Annotated[Number, _between(0.005, 1.0)] = 0.1


def _samples(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{value!r} given, a whole number is wanted")
    if not 0 <= value <= MAX_SAMPLES:
        raise ValueError(f"{value} given, 0 to {MAX_SAMPLES} is allowed")
    return value


def _from_to(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError(f"{value!r} given, two numbers [from, to] are wanted")
    low, high = (_plain_number(v) for v in value)
    if not 0.0 <= low <= high <= 4.0:
        raise ValueError(f"[{low:g}, {high:g}] given, 0 to 4 with the smaller first is allowed")
    return low, high


class Sensitivity(_Section):
    """How far guidance and axis may be wrong, and how many jaws are tried for it.

    Standard deviations, and the range of the immediate side shift. The defaults are those between
    people, with their sources: `occlusim.jaw.mounting_scatter.GuidanceScatter`; where the angles
    were measured on the patient, give what the measurement repeats to. Each quantity is always
    varied alone and all at their worse ends at once; `samples` jaws drawn at random add the spread,
    at some 50 ms each.
    """

    samples: Annotated[int, BeforeValidator(_samples)] = 0
    inclination_sigma_deg: Annotated[Number, _between(0.0, 30.0)] = 12.0
    bennett_sigma_deg: Annotated[Number, _between(0.0, 15.0)] = 3.6
    side_shift_mm: Annotated[tuple[float, float], BeforeValidator(_from_to)] = (0.0, 2.0)


class Loads(_Section):
    """The sum of the vertical tooth forces in light and in heavy closure."""

    light_N: Annotated[Number, _between(0.5, 500.0)] = 20.0
    heavy_N: Annotated[Number, _between(1.0, 2000.0)] = 200.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.light_N < self.heavy_N:
            raise ValueError(
                f"light_N = {self.light_N:g} and heavy_N = {self.heavy_N:g} given, "
                "light below heavy is wanted"
            )
        return self


class Targets(_Section):
    """The wanted gaps; `centric_um` None means the default of the crown's support.

    A crown none of whose high places reaches `least_spot_um` is left as it is: a scan's own noise
    and the thinnest foil (8 um) are of that size.
    """

    centric_um: Annotated[Number, _between(-200.0, 500.0)] | None = None
    excursion_um: Annotated[Number, _between(-200.0, 1000.0)] = 50.0
    ramp_mm: Annotated[Number, _between(0.01, 10.0)] = 0.5
    tolerance_um: Annotated[Number, _between(0.5, 200.0)] = 10.0
    least_spot_um: Annotated[Number, _between(1.0, 200.0)] = 10.0


def _schema(value: object) -> int:
    if isinstance(value, bool) or value != SCHEMA:
        raise ValueError(
            f"{value!r} given; this version reads case files of schema = {SCHEMA} only"
        )
    return SCHEMA


class Case(_Section):
    """A whole case. Built from a file by `occlusim.files.case_file.read_case`.

    A case may have no crown yet: its bite can be judged while the patient is in the chair. What
    needs a crown asks for it.
    """

    schema_number: Annotated[int, BeforeValidator(_schema)] = Field(alias="schema")
    id: Annotated[str, BeforeValidator(_case_id)]
    scans: Scans
    crowns: Annotated[tuple[Crown, ...], BeforeValidator(_as_list)] = Field(
        alias="crown", default=()
    )
    implant: Implant | None = None
    teeth: Teeth = Teeth()
    foil: Foil | None = None
    registration: Registration = Registration()
    mounting: Mounting = Mounting()
    guidance: Guidance = Guidance()
    movements: Movements = Movements()
    sensitivity: Sensitivity = Sensitivity()
    loads: Loads = Loads()
    targets: Targets = Targets()

    @model_validator(mode="after")
    def _check(self) -> Self:
        crowned = [tooth for crown in self.crowns for tooth in crown.iso]
        check_teeth(crowned)
        gone = sorted({str(tooth) for tooth in crowned} & set(self.teeth.missing))
        if gone:
            raise ValueError(f"teeth.missing names {', '.join(gone)}, which the crown replaces")
        return self

    def centric_um(self, crown: Crown) -> float:
        """Return the wanted gap of a crown in closure, against the natural contacts' tightness."""
        given = self.targets.centric_um
        return DEFAULT_CENTRIC_UM[crown.support] if given is None else given


__all__ = [
    "SCHEMA",
    "Access",
    "Case",
    "Crown",
    "Foil",
    "Guidance",
    "Implant",
    "Loads",
    "Mounting",
    "Movements",
    "Registration",
    "Scans",
    "Sensitivity",
    "Sides",
    "Targets",
    "Teeth",
]
