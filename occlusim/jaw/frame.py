"""The jaw frame: hinge axis, occlusal plane and the scan of the upper arch brought together.

RAS: +x the patient's right, +y anterior, +z superior. The origin is midway between the condylar
points, +x runs along the hinge axis, and +y is perpendicular to x and parallel to the occlusal
plane through the lower incisal point and both distobuccal cusps of the last molars.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array, frozen
from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.landmarks import Landmarks
from occlusim.jaw.mounting_scatter import (
    AxisScatter,
    CondyleSource,
    condyle_scatter,
    mean_value_scatter,
)

MIN_CONDYLE_DISTANCE_MM = 70.0
MAX_CONDYLE_DISTANCE_MM = 140.0
"""Limits of a plausible distance: 85.2 to 112.6 in 120 scans (PMID 26734666), with a margin."""

MIN_PLANE_HEIGHT_MM = 0.5
"""Triangles of landmarks lower than this are taken for a line."""


@dataclass(frozen=True, slots=True)
class MountingMeans:
    """Mean values for a mounting without measured condyles.

    3D morphometric study of the joint's position, 120 cone-beam scans, PMID 26734666: Bonwill arm
    103.3 mm (90.2-117.9), distance of the condyles 99.6 (85.2-112.6), height of the axis above the
    occlusal plane 34.3 (21.0-47.2), Balkwill angle 20.4 degrees (9.0-27.6).

    Arm and distance put the axis 90.50 mm from the incisal point. With the height that makes a
    Balkwill angle of 22.3 degrees, not 20.4: means of different people, which cannot all hold.
    The triangle is always used; `second` says what fixes its tilt. The default is the height: it
    is measured to the occlusal plane itself, and an error of the axis in height moves a tooth more
    than the same error forward (dx = t (L ez + h ex) / (L (L - ex)), where L > h).
    """

    bonwill_arm_mm: float = 103.3
    condyle_distance_mm: float = 99.6
    axis_height_mm: float = 34.3
    balkwill_angle_rad: float = np.deg2rad(20.4)
    second: Literal["axis_height", "balkwill_angle"] = "axis_height"

    def __post_init__(self) -> None:
        _check_condyle_distance(self.condyle_distance_mm)
        if self.second not in ("axis_height", "balkwill_angle"):
            raise InputError(
                f"second: {self.second!r} given, axis_height or balkwill_angle is wanted"
            )
        if not self.bonwill_arm_mm > 0.5 * self.condyle_distance_mm:
            raise InputError(
                f"bonwill_arm_mm: {self.bonwill_arm_mm} given, more than half the distance of the "
                f"condyles ({0.5 * self.condyle_distance_mm}) is wanted"
            )
        if not 0.0 <= self.axis_height_mm < self.median_mm:
            raise InputError(
                f"axis_height_mm: {self.axis_height_mm} given, 0 to {self.median_mm:.1f} (the "
                "distance of the incisal point from the axis) is allowed"
            )
        if not 0.0 <= self.balkwill_angle_rad < np.deg2rad(60.0):
            raise InputError(
                f"balkwill_angle: {np.rad2deg(self.balkwill_angle_rad):.3g} degrees given, 0 to 60 "
                "is allowed"
            )

    @property
    def median_mm(self) -> float:
        """Distance of the incisal point from the middle of the axis."""
        return float(np.sqrt(self.bonwill_arm_mm**2 - (0.5 * self.condyle_distance_mm) ** 2))

    @property
    def height_mm(self) -> float:
        """Height of the axis above the occlusal plane, as used."""
        if self.second == "axis_height":
            return self.axis_height_mm
        return float(self.median_mm * np.sin(self.balkwill_angle_rad))

    @property
    def forward_mm(self) -> float:
        """Distance from the axis forward to the incisal point, along the plane, as used."""
        return float(np.sqrt(self.median_mm**2 - self.height_mm**2))

    def assumption(self) -> str:
        """Return in words which means are used."""
        if self.second == "axis_height":
            second = f"axis {self.axis_height_mm:g} mm above the occlusal plane"
            unused = f"Balkwill angle {np.rad2deg(self.balkwill_angle_rad):.1f} degrees not used"
        else:
            second = f"Balkwill angle {np.rad2deg(self.balkwill_angle_rad):.1f} degrees"
            unused = f"axis height {self.axis_height_mm:g} mm not used"
        return (
            f"mean values: Bonwill arm {self.bonwill_arm_mm:g} mm with condyles "
            f"{self.condyle_distance_mm:g} mm apart, and {second} ({unused}: means of different "
            "people cannot all hold)"
        )


@dataclass(frozen=True, slots=True)
class JawFrame:
    """The jaw frame mounted on the upper scan.

    Attributes
    ----------
    T_jaw_upper
        From the upper scan's coordinates to the jaw frame.
    right_condyle, left_condyle : (3,), mm
        Condylar points, in the upper scan's coordinates.
    landmarks
        Incisal point and molar cusps at the recorded bite, in the upper scan's coordinates.
    half_width_mm
        Half the distance between the condylar points.
    method
        ``condyles`` with their source, or ``landmarks`` with how they were found.
    scatter
        One standard deviation of the axis' place, with its source.
    assumptions
        What was taken for granted, in words for the report.
    """

    T_jaw_upper: RigidTransform
    right_condyle: Float64Array
    left_condyle: Float64Array
    landmarks: Landmarks
    half_width_mm: float
    method: str
    scatter: AxisScatter
    assumptions: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        object.__setattr__(self, "right_condyle", frozen(self.right_condyle, np.float64))
        object.__setattr__(self, "left_condyle", frozen(self.left_condyle, np.float64))

    @property
    def incisal_jaw(self) -> Float64Array:
        """Lower incisal point at the recorded bite, (3,), mm, jaw frame."""
        return self.T_jaw_upper.apply(self.landmarks.incisal)

    def shifted(self, forward_mm: float, up_mm: float) -> JawFrame:
        """Return the frame with its axis moved forward and up, in jaw axes; the teeth stay."""
        shift = np.array([0.0, forward_mm, up_mm])
        moved = self.T_jaw_upper.inverse().rotate(shift)
        here = self.T_jaw_upper
        return replace(
            self,
            T_jaw_upper=RigidTransform(here.rotation, here.translation - shift),
            right_condyle=self.right_condyle + moved,
            left_condyle=self.left_condyle + moved,
        )

    def to_jaw(self, T_upper_lower: RigidTransform) -> RigidTransform:
        """Return T_jaw_lower of a pose."""
        return self.T_jaw_upper @ T_upper_lower


def occlusal_normal(landmarks: Landmarks) -> Float64Array:
    """Return the unit normal (3,) of the occlusal plane, pointing superior.

    Raises
    ------
    DegenerateProblem
        If the three points lie on a line within 0.5 mm.
    """
    to_right = landmarks.right_molar - landmarks.left_molar
    to_front = landmarks.incisal - 0.5 * (landmarks.right_molar + landmarks.left_molar)
    n = np.cross(to_right, to_front)
    longest = max(
        float(np.linalg.norm(a - b))
        for a, b in (
            (landmarks.right_molar, landmarks.left_molar),
            (landmarks.right_molar, landmarks.incisal),
            (landmarks.left_molar, landmarks.incisal),
        )
    )
    area2 = float(np.linalg.norm(n))
    if longest < 1e-9 or area2 / longest < MIN_PLANE_HEIGHT_MM:
        raise DegenerateProblem(
            "landmarks: incisal point and molar cusps lie on one line "
            f"(within {area2 / max(longest, 1e-9):.2g} mm), so they span no occlusal plane; give "
            "the incisal point and one distobuccal cusp on each side"
        )
    return n / area2


def frame_from_condyles(
    right_condyle: ArrayLike,
    left_condyle: ArrayLike,
    landmarks: Landmarks,
    source: CondyleSource = "measured",
) -> JawFrame:
    """Return the jaw frame of given condylar points.

    Parameters
    ----------
    right_condyle, left_condyle : (3,), mm
        Condylar points, upper scan's coordinates.
    landmarks
        Incisal point and molar cusps at the recorded bite, upper scan's coordinates.
    source
        ``measured`` points of the patient's own hinge movement, or ``arbitrary`` ones.

    Raises
    ------
    InputError
        If the points are implausibly near or far, exchanged, or in front of or below the teeth.
    DegenerateProblem
        If the landmarks lie on a line, or the hinge axis is upright on the occlusal plane.
    """
    words = {
        "measured": "the condylar points given lie on the patient's own hinge axis",
        "arbitrary": "the condylar points given were placed by a rule, not by the hinge movement",
    }
    scatter = condyle_scatter(source)
    return _assemble(
        right_condyle, left_condyle, landmarks, f"condyles ({source})", scatter, (words[source],)
    )


def _assemble(
    right_condyle: ArrayLike,
    left_condyle: ArrayLike,
    landmarks: Landmarks,
    method: str,
    scatter: AxisScatter,
    assumptions: tuple[str, ...],
) -> JawFrame:
    right = _condyle("right_condyle", right_condyle)
    left = _condyle("left_condyle", left_condyle)
    distance_mm = float(np.linalg.norm(right - left))
    _check_condyle_distance(distance_mm)
    x = (right - left) / distance_mm
    n = occlusal_normal(landmarks)
    y = np.cross(n, x)
    if np.linalg.norm(y) < 0.5:
        raise DegenerateProblem(
            "condyles: the hinge axis stands more than 60 degrees out of the occlusal plane; "
            "check that condyles and landmarks are in the same coordinates"
        )
    to_right = landmarks.right_molar - landmarks.left_molar
    if float(to_right @ x) <= 0.0:
        raise InputError(
            "condyles: the right condyle lies on the side of the left molar; exchange "
            "right and left of the condyles, or of the molars"
        )
    y /= np.linalg.norm(y)
    rotation = np.vstack([x, y, np.cross(x, y)])
    T_jaw_upper = RigidTransform(rotation, -rotation @ (0.5 * (right + left)))
    frame = JawFrame(
        T_jaw_upper, right, left, landmarks, 0.5 * distance_mm, method, scatter, assumptions
    )
    _check_teeth_before_axis(frame)
    return frame


def _condyle(name: str, point: ArrayLike) -> Float64Array:
    p = np.asarray(point, dtype=np.float64)
    if p.shape != (3,) or not np.isfinite(p).all():
        raise InputError(f"{name}: three finite coordinates in mm wanted, {point!r} given")
    return p


def _check_condyle_distance(distance_mm: float) -> None:
    if not MIN_CONDYLE_DISTANCE_MM <= distance_mm <= MAX_CONDYLE_DISTANCE_MM:
        raise InputError(
            f"condyles: {distance_mm:.1f} mm apart, {MIN_CONDYLE_DISTANCE_MM:g} to "
            f"{MAX_CONDYLE_DISTANCE_MM:g} is allowed (85 to 113 has been measured); check unit "
            "and coordinates"
        )


def _check_teeth_before_axis(frame: JawFrame) -> None:
    incisal = frame.incisal_jaw
    molars = frame.T_jaw_upper.apply(
        0.5 * (frame.landmarks.right_molar + frame.landmarks.left_molar)
    )
    if not (incisal[1] > molars[1] > 10.0):
        raise InputError(
            f"condyles: the incisal point lies {incisal[1]:.1f} mm and the molars {molars[1]:.1f} "
            "mm in front of the hinge axis; the incisal point must lie in front of the molars and "
            "these at least 10 mm in front of the condyles"
        )
    if not incisal[2] < 0.0:
        raise InputError(
            f"condyles: the hinge axis lies {-incisal[2]:.1f} mm above the incisal point; it "
            "must lie above it (21 to 47 has been measured). Check that right and left are "
            "the patient's, and that all points are in the upper scan's coordinates"
        )


def frame_from_landmarks(landmarks: Landmarks, means: MountingMeans | None = None) -> JawFrame:
    """Return the jaw frame of landmarks and mean values.

    Parameters
    ----------
    landmarks
        Incisal point and molar cusps at the recorded bite, upper scan's coordinates.
    means
        The mean values; see there which are used.

    Notes
    -----
    The median plane is that of the symmetric triangle that fits the three landmarks best in least
    squares, so one molar further back than the other turns it no more than it must.
    """
    means = means or MountingMeans()
    z = occlusal_normal(landmarks)
    points = np.vstack([landmarks.incisal, landmarks.right_molar, landmarks.left_molar])
    centre = points.mean(axis=0)
    x, y = _median_axes(points - centre, z)
    forward_mm = float((landmarks.incisal - centre) @ y) - means.forward_mm
    origin = centre + forward_mm * y + means.height_mm * z
    half = 0.5 * means.condyle_distance_mm
    return _assemble(
        origin + half * x,
        origin - half * x,
        landmarks,
        f"landmarks ({landmarks.method}) with mean values",
        mean_value_scatter(
            means.bonwill_arm_mm,
            means.condyle_distance_mm,
            means.height_mm,
            means.forward_mm,
            float((0.5 * (landmarks.right_molar + landmarks.left_molar) - origin) @ y),
            is_found=landmarks.method != "given",
        ),
        (means.assumption(), _landmark_words(landmarks)),
    )


def _landmark_words(landmarks: Landmarks) -> str:
    if landmarks.method == "given":
        return "the landmarks given are the lower incisal point and the distobuccal cusps"
    return (
        "the landmarks were found on the lower scan by the program, with a confidence of "
        f"{landmarks.confidence:.2f} of 1; look at them in the picture of the mounting"
    )


def _median_axes(points: Float64Array, z: Float64Array) -> tuple[Float64Array, Float64Array]:
    """Return x and y of the best symmetric triangle; rows: incisal, right and left molar."""
    x0 = points[1] - points[2]
    x0 = x0 - (x0 @ z) * z
    x0 = x0 / np.linalg.norm(x0)
    y0 = np.cross(z, x0)
    q = np.column_stack([points @ x0, points @ y0])
    half = 0.5 * float(np.linalg.norm(q[1] - q[2]))
    depth = float(np.linalg.norm(q[0] - 0.5 * (q[1] + q[2])))
    p = np.array([[0.0, 2 / 3 * depth], [half, -depth / 3], [-half, -depth / 3]])
    sine = float(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]))
    cosine = float(np.sum(p * q))
    turn = float(np.arctan2(sine, cosine))
    x: Float64Array = np.cos(turn) * x0 + np.sin(turn) * y0
    return x, np.asarray(np.cross(z, x), dtype=np.float64)
