"""What to compute: the case, as the sections of a case file, in outside units (deg, um).

The models hold and check; they touch no file. Defaults are those of the stages. A value that
cannot be right is refused here, with what was given and what is allowed, so that no stage meets it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from occlusim.case_jaw import (
    Guidance,
    Loads,
    Mounting,
    Movements,
    PathRadii,
    Sensitivity,
)
from occlusim.case_values import (
    Direction,
    FileName,
    Matrix,
    Number,
    Point,
    Section,
    Sides,
    Tooth,
    between,
)
from occlusim.crown.units import gaps_in
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import (
    check_teeth,
    is_anterior,
    is_upper,
    iso_from_universal,
    sort_along_arch,
)
from occlusim.registration.shared_frame import SharedFrameSettings

SCHEMA = 1
DEFAULT_CENTRIC_UM: Mapping[str, float] = {"tooth": 0.0, "implant": 25.0}

Units = Literal["um", "mm", "cm", "m", "inch"]
Support = Literal["tooth", "implant"]
CrownGuidance = Literal["none", "shared", "guides"]


def _case_id(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z0-9_-]{1,100}", value):
        raise ValueError(
            f"{value!r} given; letters, digits, - and _ are allowed (never a patient's name)"
        )
    return value


def _as_list(value: object) -> object:
    return [value] if isinstance(value, Mapping) else value


class Scans(Section):
    """The scans; `T_upper_lower` maps lower to upper: a start where there are bites, else given.

    `retruded_bites` and `T_upper_lower_retruded` are a second record, taken in the retruded
    position, under the same rule; without either there is no slide.
    """

    upper: FileName
    lower: FileName
    bites: tuple[FileName, ...] = ()
    units: Units = "mm"
    T_upper_lower: Matrix | None = None
    retruded_bites: tuple[FileName, ...] = ()
    T_upper_lower_retruded: Matrix | None = None

    @property
    def given_pose(self) -> RigidTransform | None:
        """The given pose, lower to upper, or None."""
        return _pose(self.T_upper_lower)

    @property
    def given_retruded_pose(self) -> RigidTransform | None:
        """The given pose of the retruded record, lower to upper, or None."""
        return _pose(self.T_upper_lower_retruded)

    @property
    def has_retruded(self) -> bool:
        """Whether there is a retruded record."""
        return bool(self.retruded_bites) or self.T_upper_lower_retruded is not None


def _pose(matrix: tuple[tuple[float, ...], ...] | None) -> RigidTransform | None:
    return None if matrix is None else RigidTransform.from_matrix(matrix)


class Access(Section):
    """The screw access channel, in the crown's coordinates; the axis points out of the crown.

    `point_mm` is the screw's seat, the deepest place of the channel, about which it is tilted.
    """

    point_mm: Point
    axis: Direction
    diameter_mm: Annotated[Number, between(0.5, 10.0)]
    max_tilt_deg: Annotated[Number, between(0.0, 45.0)] = 0.0


class Milling(Section):
    """How the crown is cut, in its own coordinates; the axis is the way the cutter points.

    Without an axis depths are along the surface's normal; without a radius a cut follows every
    detail.
    """

    axis: Direction | None = None
    tool_radius_mm: Annotated[Number, between(0.0, 3.0)] = 0.0


class Crown(Section):
    """A crown, or several in one mesh, in the coordinates of its own arch's scan.

    `tooth` (ISO 3950), `universal` (1 to 32) or `teeth` (several) says which; `iso` has them.
    `pontics` are those of them that stand on nothing and hang on the others.
    `guidance` stays None where an incisor or canine does not state it.
    """

    mesh: FileName
    tooth: Tooth | None = None
    universal: int | None = None
    teeth: tuple[Tooth, ...] = ()
    pontics: tuple[Tooth, ...] = ()
    support: Support
    guidance: CrownGuidance | None = None
    seating_axis: Direction | None = None
    min_thickness_mm: Annotated[Number, between(0.1, 5.0)] = 1.0
    inner: FileName | None = None
    access: Access | None = None
    milling: Milling = Milling()

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
        check_teeth(self.pontics)
        strange = [tooth for tooth in self.pontics if int(tooth) not in iso]
        if strange or (self.pontics and len(self.pontics) == len(iso)):
            raise ValueError(
                f"pontics: {', '.join(self.pontics)} given; some of the crown's own teeth are "
                f"allowed ({', '.join(map(str, iso))}), and at least one of them must stand on a "
                "tooth or an implant"
            )
        if self.guidance is None and not any(is_anterior(tooth) for tooth in iso):
            object.__setattr__(self, "guidance", "none")
        return self

    @property
    def iso(self) -> tuple[int, ...]:
        """The teeth of the crown as ISO 3950 numbers, from the patient's right to left."""
        if self.universal is not None:
            return (iso_from_universal(self.universal),)
        if self.tooth is not None:
            return (int(self.tooth),)
        return sort_along_arch(self.teeth)

    @property
    def is_upper(self) -> bool:
        """Whether the crown stands in the upper arch."""
        return is_upper(self.iso[0])


class Implant(Section):
    """An implant under a crown, in the crown's coordinates; the axis points to the crown.

    `tooth` says which it stands for where the case has more than one implant or crown.
    """

    tooth: Tooth | None = None
    platform_mm: Point
    axis: Direction


class Teeth(Section):
    """What is known of other teeth; `mobility` is a factor on a tooth's yielding."""

    implants: tuple[Tooth, ...] = ()
    missing: tuple[Tooth, ...] = ()
    mobility: dict[Tooth, Annotated[Number, between(0.1, 100.0)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        both = sorted(set(self.implants) & set(self.missing))
        if both:
            raise ValueError(f"{', '.join(both)} cannot be both implant and missing")
        check_teeth(self.implants)
        check_teeth(self.missing)
        return self


class Foil(Section):
    """Pairs of teeth, upper and lower, seen to hold a foil or to let it slip before the crown.

    Where it `constrains`, the record's pose is moved, within its certainty, towards one at which
    the teeth do so.
    """

    thickness_um: Annotated[Number, between(1.0, 500.0)] = 8.0
    load: Literal["light", "heavy"] = "light"
    constrains: bool = False
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


class Registration(Section):
    """What is taken for granted of a bite that came without bite scans.

    `given_sigma_um` is the standard deviation of the lower jaw's displacement at the first molars,
    over all directions, where the arches share a frame or their pose is given. Its default and
    source: `occlusim.registration.shared_frame.SharedFrameSettings`.
    """

    given_sigma_um: Annotated[Number, between(1.0, 1000.0)] = (
        SharedFrameSettings().displacement_sigma_um
    )


class Targets(Section):
    """The wanted gaps; `centric_um` None means the default of the crown's support.

    A crown none of whose high places reaches `least_spot_um` is left as it is: a scan's own noise
    and the thinnest foil (8 um) are of that size.
    """

    centric_um: Annotated[Number, between(-200.0, 500.0)] | None = None
    excursion_um: Annotated[Number, between(-200.0, 1000.0)] = 50.0
    ramp_mm: Annotated[Number, between(0.01, 10.0)] = 0.5
    tolerance_um: Annotated[Number, between(0.5, 200.0)] = 10.0
    least_spot_um: Annotated[Number, between(1.0, 200.0)] = 10.0


def _schema(value: object) -> int:
    if isinstance(value, bool) or value != SCHEMA:
        raise ValueError(
            f"{value!r} given; this version reads case files of schema = {SCHEMA} only"
        )
    return SCHEMA


class Case(Section):
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
    implants: Annotated[tuple[Implant, ...], BeforeValidator(_as_list)] = Field(
        alias="implant", default=()
    )
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
        twice = sorted({str(tooth) for tooth in crowned if crowned.count(tooth) > 1})
        if twice:
            raise ValueError(
                f"crown: tooth {', '.join(twice)} is given to more than one crown; each tooth "
                "belongs to one: take it out of the others"
            )
        gone = sorted({str(tooth) for tooth in crowned} & set(self.teeth.missing))
        if gone:
            raise ValueError(f"teeth.missing names {', '.join(gone)}, which the crown replaces")
        missing = [int(tooth) for tooth in self.teeth.missing]
        for crown in self.crowns:
            between = ", ".join(map(str, gaps_in(crown.iso, missing)))
            if between:
                raise ValueError(
                    f"crown: teeth {', '.join(map(str, crown.iso))} given, {between} between them "
                    "left out; teeth of one mesh stand next to each other: name every one, pontics "
                    "too (in teeth and in pontics), or write a [[crown]] for each part; a tooth "
                    "whose gap has closed goes into teeth.missing"
                )
        self._check_implants(crowned)
        self._check_travel()
        return self

    def _check_implants(self, crowned: list[int]) -> None:
        """Refuse implants of which it is not clear under which crown they stand."""
        named = [implant.tooth for implant in self.implants]
        standing = [crown for crown in self.crowns if crown.support == "implant"]
        is_clear = len(self.implants) == 1 and (len(self.crowns) <= 1 or len(standing) == 1)
        if None in named and not is_clear:
            raise ValueError(
                f"implant: {len(self.implants)} given with {len(standing)} crowns on implants; "
                'give each [[implant]] its tooth, such as tooth = "46"'
            )
        known = [tooth for tooth in named if tooth is not None]
        check_teeth(known)
        hanging = {tooth for crown in self.crowns for tooth in crown.pontics}
        for tooth in known:
            if int(tooth) not in crowned or tooth in hanging:
                raise ValueError(
                    f"implant: tooth {tooth} given, the tooth of a crown that is no pontic is "
                    f"wanted: {', '.join(str(t) for t in crowned if str(t) not in hanging)}"
                )

    def implants_of(self, crown: Crown) -> tuple[Implant, ...]:
        """Return the implants under a crown."""
        return tuple(
            implant
            for implant in self.implants
            if (int(implant.tooth) in crown.iso if implant.tooth else self._stands_on_it(crown))
        )

    def _stands_on_it(self, crown: Crown) -> bool:
        """Whether an implant without a tooth is this crown's: the only one, or the only on one."""
        return len(self.crowns) == 1 or crown.support == "implant"

    def _check_travel(self) -> None:
        """Refuse movements that go further than a curved condylar path reaches."""
        longest = max(self.movements.lengths_mm().values(), default=0.0)
        guidance = self.guidance.inside()
        for side in ("right", "left"):
            most_mm = guidance.sagittal_path(side).limits_mm[1]
            if longest > most_mm:
                raise ValueError(
                    f"movements: {longest:g} mm of forward travel given, but the {side} condylar "
                    f"path of guidance.path_radius_mm reaches {most_mm:.2f} mm only: give a larger "
                    "radius, or shorter movements"
                )

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
    "Milling",
    "Mounting",
    "Movements",
    "PathRadii",
    "Registration",
    "Scans",
    "Sensitivity",
    "Sides",
    "Targets",
    "Teeth",
]
