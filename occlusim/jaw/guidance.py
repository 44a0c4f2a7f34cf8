"""The jaw's guided movements: where the condyles go, and the mandible with them.

A rigid mandible hangs on two condylar points. The step parameter ``s_mm`` is the forward travel
(+y) of the advancing condyle or condyles; the working condyle of a laterotrusion moves along x
only, by what keeps the distance between the condyles, and that of a lateroprotrusion follows its
own path by a share of the travel. The displacement found here has no closing rotation about the
intercondylar axis; that last freedom is set by tooth contact, or by ``opening_rad``. Words after
the Glossary of Prosthodontic Terms, 9th ed., 2017.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.condylar_path import SagittalPath
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.movements import Movement, Side, course_of

InclinationPlane = Literal["occlusal", "camper", "frankfort"]

IMMEDIATE_SHIFT_LENGTH_MM = 0.5
"""Travel over which the immediate side shift runs out; gives 86 % of it at 1 mm of travel.

Source: chosen, so that most of the shift is over by 1 mm of travel, as in 64 % of the tracings of
Son et al. 1998 (J Prosthet Dent).
"""

MAX_TRAVEL_MM = 15.0
"""Larger travel is refused: maximal protrusion is 8.8 +/- 2.3 mm (500 patients, Swiss Dent J)."""


@dataclass(frozen=True, slots=True)
class SideGuidance:
    """Guidance of one condyle.

    Attributes
    ----------
    sagittal_inclination_rad
        Slope of the condylar path, positive where the advancing condyle goes down, to the plane
        that `GuidanceSettings.inclination_plane` names. Of a curved path: of its chord over 5 mm
        of forward travel.
    bennett_angle_rad
        Angle in the horizontal plane between the sagittal plane and the path of this condyle when
        it advances alone.
    immediate_side_shift_mm
        Medial shift of this condyle at the start of its advance.
    path_radius_mm
        Radius of curvature of the sagittal path, convex downwards; None is a straight path. See
        `occlusim.jaw.condylar_path`.
    """

    sagittal_inclination_rad: float = np.deg2rad(33.0)
    bennett_angle_rad: float = np.deg2rad(7.5)
    immediate_side_shift_mm: float = 0.0
    path_radius_mm: float | None = None

    def __post_init__(self) -> None:
        _check_angle("sagittal_inclination", self.sagittal_inclination_rad, -30.0, 80.0)
        _check_angle("bennett_angle", self.bennett_angle_rad, 0.0, 45.0)
        if not 0.0 <= self.immediate_side_shift_mm <= 4.0:
            raise InputError(
                f"immediate_side_shift_mm: {self.immediate_side_shift_mm} given, 0 to 4 is allowed "
                "(0 to 3 has been measured)"
            )


def _check_angle(name: str, angle_rad: float, low_deg: float, high_deg: float) -> None:
    angle_deg = np.rad2deg(angle_rad)
    if not low_deg <= angle_deg <= high_deg:
        raise InputError(
            f"{name}: {angle_deg:.4g} degrees given, {low_deg:g} to {high_deg:g} is allowed; "
            "check that degrees were given in degrees and radians in radians"
        )


@dataclass(frozen=True, slots=True)
class GuidanceSettings:
    """Guidance of both condyles, and the plane their inclination is measured to.

    Attributes
    ----------
    right, left
        Guidance of each condyle.
    inclination_plane
        The plane of reference of both sagittal inclinations.
    camper_to_occlusal_rad
        Camper's plane (tragus to ala) to the occlusal plane, 7 degrees: 3D morphometric study of
        120 cone-beam scans, PMID 26734666. A difference of planes to Frankfort of 2.3 degrees is
        published too (Iwate J): sources disagree.
    frankfort_to_occlusal_rad
        Frankfort plane to the occlusal plane, 12 degrees: 11.96 +/- 4.36 in 150 adults, Kumar et
        al. 2013, J Adv Prosthodont 5:9. 7.73 is published too.

    Notes
    -----
    Both planes lie above the occlusal plane behind and meet it in front: the occlusal plane falls
    forward against them, so an inclination loses the angle when it is turned to the occlusal
    plane. Published pairs agree with the sign: the same paths read 40-45 degrees to Frankfort
    and 33 to Camper.
    """

    right: SideGuidance
    left: SideGuidance
    inclination_plane: InclinationPlane
    camper_to_occlusal_rad: float = np.deg2rad(7.0)
    frankfort_to_occlusal_rad: float = np.deg2rad(12.0)

    def __post_init__(self) -> None:
        if self.inclination_plane not in get_args(InclinationPlane):
            raise InputError(
                f"inclination_plane: {self.inclination_plane!r} given, one of "
                f"{', '.join(get_args(InclinationPlane))} is wanted; an angle means nothing "
                "without its plane"
            )
        _check_angle("camper_to_occlusal", self.camper_to_occlusal_rad, -15.0, 30.0)
        _check_angle("frankfort_to_occlusal", self.frankfort_to_occlusal_rad, -15.0, 30.0)
        for side in ("right", "left"):
            self.sagittal_path(side)

    @staticmethod
    def from_degrees(
        *,
        inclination_plane: InclinationPlane,
        sagittal_inclination_deg: float | Mapping[str, float] = 33.0,
        bennett_angle_deg: float | Mapping[str, float] = 7.5,
        immediate_side_shift_mm: float | Mapping[str, float] = 0.0,
        path_radius_mm: float | Mapping[str, float | None] | None = None,
        camper_to_occlusal_deg: float = 7.0,
        frankfort_to_occlusal_deg: float = 12.0,
    ) -> GuidanceSettings:
        """Return settings from degrees; a number serves both sides, a mapping right and left."""
        inclination = _per_side("sagittal_inclination_deg", sagittal_inclination_deg)
        bennett = _per_side("bennett_angle_deg", bennett_angle_deg)
        shift = _per_side("immediate_side_shift_mm", immediate_side_shift_mm)
        radius = _both("path_radius_mm", path_radius_mm)
        right, left = (
            SideGuidance(
                sagittal_inclination_rad=float(np.deg2rad(inclination[k])),
                bennett_angle_rad=float(np.deg2rad(bennett[k])),
                immediate_side_shift_mm=shift[k],
                path_radius_mm=radius[k],
            )
            for k in (0, 1)
        )
        return GuidanceSettings(
            right=right,
            left=left,
            inclination_plane=inclination_plane,
            camper_to_occlusal_rad=float(np.deg2rad(camper_to_occlusal_deg)),
            frankfort_to_occlusal_rad=float(np.deg2rad(frankfort_to_occlusal_deg)),
        )

    @property
    def plane_to_occlusal_rad(self) -> float:
        """What an inclination loses when it is turned to the occlusal plane."""
        return {
            "occlusal": 0.0,
            "camper": self.camper_to_occlusal_rad,
            "frankfort": self.frankfort_to_occlusal_rad,
        }[self.inclination_plane]

    def of(self, side: Side) -> SideGuidance:
        """Return the guidance of one side."""
        return self.right if side == "right" else self.left

    def inclination_to_occlusal_rad(self, side: Side) -> float:
        """Return the sagittal inclination of one side to the occlusal plane."""
        return self.of(side).sagittal_inclination_rad - self.plane_to_occlusal_rad

    def sagittal_path(self, side: Side) -> SagittalPath:
        """Return the sagittal path of one condyle in the jaw frame."""
        return SagittalPath(self.inclination_to_occlusal_rad(side), self.of(side).path_radius_mm)


T = TypeVar("T")


def _both(name: str, value: T | Mapping[str, T]) -> tuple[T, T]:
    """Return (right, left)."""
    if isinstance(value, Mapping):
        if set(value) != {"right", "left"}:
            raise InputError(
                f"{name}: keys {sorted(value)} given, both right and left are wanted, "
                "or one number for both sides"
            )
        return value["right"], value["left"]
    return value, value


def _per_side(name: str, value: float | Mapping[str, float]) -> tuple[float, float]:
    right, left = _both(name, value)
    return float(right), float(left)


def condyle_paths(
    movement: Movement, s_mm: ArrayLike, settings: GuidanceSettings, half_width_mm: float
) -> tuple[Float64Array, Float64Array]:
    """Return where the two condylar points are, right then left, (n, 3) each, jaw frame, mm.

    Parameters
    ----------
    movement
        One of `jaw.movements.MOVEMENTS`, or a lateroprotrusion with its angle.
    s_mm : (n,) or a number
        Forward travel of the advancing condyle or condyles. Zero is the recorded bite; a negative
        value (protrusion only) follows the same path backwards.
    settings
        The guidance of each side.
    half_width_mm
        Half the distance between the condylar points.

    Raises
    ------
    InputError
        If there is no such movement, or the travel is out of its range or of a curved path's.

    Notes
    -----
    Each condyle follows its own sagittal path: the advancing one by s, the working one by its share
    of s. The advancing condyle goes medially by ISS (1 - exp(-a / 0.5 mm)) + a tan(Bennett), where
    a is by how much it leads the other: all of s in a laterotrusion, nothing in a protrusion. What
    the distance between the condyles asks for is given along x, exactly: by the working condyle
    alone in a laterotrusion, by each half in a protrusion, in between in proportion to the share.
    """
    s = _checked_travel(movement, s_mm)
    course = course_of(movement)
    advancing: Side = "right" if course.working == "left" else "left"
    working: Side = "left" if advancing == "right" else "right"
    forward = course.share * s
    ahead = s - forward
    down = settings.sagittal_path(advancing).drop_mm(s)
    working_down = settings.sagittal_path(working).drop_mm(forward)
    width = np.sqrt(4.0 * half_width_mm**2 - ahead**2 - (down - working_down) ** 2)
    given = 0.5 * course.share * (2.0 * half_width_mm - width)
    # Seen from the advancing condyle: x grows towards the working side.
    x = _medial(ahead, settings.of(advancing)) + given - half_width_mm
    sign = 1.0 if working == "right" else -1.0
    places = {
        advancing: np.column_stack([sign * x, s, -down]),
        working: np.column_stack([sign * (x + width), forward, -working_down]),
    }
    return places["right"], places["left"]


def _medial(s: Float64Array, side: SideGuidance) -> Float64Array:
    shift = side.immediate_side_shift_mm * -np.expm1(-s / IMMEDIATE_SHIFT_LENGTH_MM)
    return shift + s * np.tan(side.bennett_angle_rad)


def _checked_travel(movement: Movement, s_mm: ArrayLike) -> Float64Array:
    course_of(movement)
    s = np.atleast_1d(np.asarray(s_mm, dtype=np.float64))
    if s.ndim != 1 or not np.isfinite(s).all():
        raise InputError(f"s_mm: a finite number or (n,) finite numbers wanted, {s_mm!r} given")
    low = {"centric": 0.0, "protrusion": -5.0}.get(movement, 0.0)
    high = 0.0 if movement == "centric" else MAX_TRAVEL_MM
    if s.size and (s.min() < low or s.max() > high):
        raise InputError(
            f"s_mm: {s.min():g} to {s.max():g} given for {movement}, {low:g} to {high:g} is allowed"
        )
    return s


def displacements(
    movement: Movement, s_mm: ArrayLike, settings: GuidanceSettings, frame: JawFrame
) -> tuple[Float64Array, Float64Array]:
    """Return rotations (n, 3, 3) and translations (n, 3), jaw frame: `displacement` for many s."""
    right, left = condyle_paths(movement, s_mm, settings, frame.half_width_mm)
    middle = 0.5 * (right + left)
    u = right - left
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    # Least rotation that takes e_x to u: about e_x cross u, which has no x part.
    c = u[:, 0]
    k = np.zeros((len(u), 3, 3))
    k[:, 0, 1], k[:, 0, 2] = -u[:, 1], -u[:, 2]
    k[:, 1, 0], k[:, 2, 0] = u[:, 1], u[:, 2]
    rotations = np.eye(3) + k + (k @ k) / (1.0 + c)[:, None, None]
    return rotations, middle


def displacement(
    movement: Movement, s_mm: float, settings: GuidanceSettings, frame: JawFrame
) -> RigidTransform:
    """Return the jaw-frame displacement that carries the mandible from the recorded bite.

    It takes both condylar points to their places at `s_mm` by the least rotation, so with no
    closing rotation about the intercondylar axis.
    """
    rotations, translations = displacements(movement, s_mm, settings, frame)
    return RigidTransform(rotations[0], translations[0])


def hinge_axis_at(
    movement: Movement, s_mm: float, settings: GuidanceSettings, frame: JawFrame
) -> tuple[Float64Array, Float64Array]:
    """Return a point (3,) and direction (3,) of the displaced hinge axis, jaw frame.

    The point is midway between the condylar points; the direction points to the patient's right.
    """
    right, left = condyle_paths(movement, s_mm, settings, frame.half_width_mm)
    u = right[0] - left[0]
    return 0.5 * (right[0] + left[0]), u / np.linalg.norm(u)


def pose_at(
    frame: JawFrame,
    settings: GuidanceSettings,
    movement: Movement,
    s_mm: float,
    opening_rad: float,
    T_upper_lower_recorded: RigidTransform,
) -> RigidTransform:
    """Return T_upper_lower with the mandible displaced, then opened about the displaced axis.

    Parameters
    ----------
    frame
        The jaw frame mounted on the upper scan.
    settings
        Condylar guidance.
    movement, s_mm
        The movement, and the forward travel of its advancing condyle or condyles.
    opening_rad
        Rotation about the displaced axis; positive opens: the incisors go down.
    T_upper_lower_recorded
        The recorded bite.
    """
    T_moved_recorded = jaw_motion_at(frame, settings, movement, s_mm, opening_rad)
    T_upper_jaw = frame.T_jaw_upper.inverse()
    return T_upper_jaw @ T_moved_recorded @ frame.T_jaw_upper @ T_upper_lower_recorded


def jaw_motion_at(
    frame: JawFrame,
    settings: GuidanceSettings,
    movement: Movement,
    s_mm: float,
    opening_rad: float,
) -> RigidTransform:
    """Return, in the jaw frame, the motion of the mandible from the recorded bite."""
    point, direction = hinge_axis_at(movement, s_mm, settings, frame)
    opening = RigidTransform.rotation_about(point, direction, -opening_rad)
    return opening @ displacement(movement, s_mm, settings, frame)
