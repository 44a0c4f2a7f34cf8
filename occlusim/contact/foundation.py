"""Contact as an elastic foundation: pressure = stiffness x overlap, along the surface normal.

Two rigid surfaces press on each other where they overlap (Winkler foundation; Johnson, Contact
Mechanics, 1985, chapter 4, from memory). The overlap is an exact signed distance at every vertex
within reach, linear between the vertices, and integrated exactly over the clipped triangles.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, frozen
from occlusim.contact.field import GapField
from occlusim.errors import InputError
from occlusim.geometry.surface import Closest
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.footprint import place_faces, place_points, touched_faces
from occlusim.kernels.pressure import corner_loads
from occlusim.kernels.support import support_volume


@dataclass(frozen=True, slots=True)
class FoundationSettings:
    """Stiffness of the foundation, and how near a vertex must be to be looked at exactly.

    The default evens out a scan's noise: under 1.4 N on 1 mm2, a pair's part of a light closure,
    it lets surfaces sink in by some 5 um, so that they and not their highest points carry the load.
    Ten times stiffer, noise of 5 um props the jaw open and depths come out 20 um short (three seeds
    of a demo case). Enamel itself is a thousand times stiffer (Hertz: 2 um under 10 N).
    """

    stiffness_MPa_per_mm: float = 300.0
    reach_mm: float = 0.03

    def __post_init__(self) -> None:
        if not (self.stiffness_MPa_per_mm > 0 and self.reach_mm > 0):
            raise InputError(
                f"foundation: stiffness {self.stiffness_MPa_per_mm} MPa/mm and reach "
                f"{self.reach_mm} mm given, both must be positive"
            )


@dataclass(frozen=True, slots=True)
class ContactBody:
    """A surface that may touch the field's: points (n, 3) mm, faces (m, 3), tooth (m,) a face.

    corners (8, 3) are of the box around the points: no point moves more than they do.
    """

    name: str
    points: Float64Array
    faces: Int32Array
    tooth: Int32Array
    corners: Float64Array = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", frozen(self.points, np.float64))
        object.__setattr__(self, "faces", frozen(self.faces, np.int32))
        object.__setattr__(self, "tooth", frozen(self.tooth, np.int32))
        object.__setattr__(self, "corners", frozen(box_corners(self.points), np.float64))
        if self.tooth.shape != (len(self.faces),):
            raise InputError(
                f"body {self.name}: {self.tooth.shape} tooth numbers for {len(self.faces)} faces"
            )


@dataclass(frozen=True, slots=True)
class Footprint:
    """What of a body is within reach of the field at a pose, all exact, in the field's frame.

    points (k, 3) mm; faces (f, 3) into points; face (f,) in the body; overlap-side gap (k,) mm,
    direction (k, 3) of growing gap; normal (f, 3) out of the body and area_mm2 (f,);
    field_face (k,) nearest face.
    """

    points: Float64Array
    faces: Int32Array
    face: Int32Array
    gap_mm: Float64Array
    direction: Float64Array
    normal: Float64Array
    area_mm2: Float64Array
    field_face: Int32Array

    @property
    def counted_mm2(self) -> Float64Array:
        """Area of the faces (f,) seen along the gap: the same whichever side is integrated."""
        along = self.direction[self.faces].mean(axis=1)
        return self.area_mm2 * np.maximum(-np.einsum("fd,fd->f", self.normal, along), 0.0)


class NearContact:
    """What of a body may come within reach of the field while the pose changes little.

    The band is asked once. At later poses the bounds, exact where a gap was asked for, less the way
    that the points have moved since, say which points to look at: a distance changes no faster than
    its point.
    Points may be shifted against the body, as teeth are that give way.
    """

    def __init__(self, field: GapField, body: ContactBody) -> None:
        self._field, self._body = field, body
        self._corners = body.corners
        self._anchor: RigidTransform | None = None
        self._shift: Float64Array | None = None
        self._travelled_mm = np.inf
        self._lower = np.empty(0)

    def footprint(
        self, T_field_body: RigidTransform, reach_mm: float, shift: Float64Array | None = None
    ) -> Footprint:
        """Return the body's faces that come within reach of the field; every gap is exact.

        `shift` (n, 3), mm, in the field's frame, is added to the body's points.
        """
        moved_mm = self._moved_mm(T_field_body)
        if not self._travelled_mm + moved_mm < self._field.sdf.voxel_mm:
            self._lay(T_field_body)
            moved_mm = 0.0
        bound = self._lower - moved_mm
        if self._shift is not None or shift is not None:
            bound -= self._shifted_mm(shift)
        candidate = np.flatnonzero(bound < reach_mm)
        found = _closest(self._field, self._body, candidate, T_field_body, shift)
        known = np.isfinite(found.distance_mm)
        bound[candidate[known]] = found.distance_mm[known]
        self._lower, self._shift, self._anchor = bound, shift, T_field_body
        self._travelled_mm += moved_mm
        is_near = np.zeros(len(self._body.points), dtype=np.bool_)
        is_near[candidate[found.distance_mm < reach_mm]] = True
        return _print_of(self._field, self._body, T_field_body, is_near, candidate, found, shift)

    def least_mm(self, T_field_body: RigidTransform) -> float:
        """Return a lower bound of the least gap at a pose; NaN where nothing lies in the band.

        Of the points without shifts.
        """
        moved_mm = self._moved_mm(T_field_body)
        least = float(self._lower.min(initial=np.inf))
        return least - moved_mm if np.isfinite(least) else float("nan")

    def _lay(self, T_field_body: RigidTransform) -> None:
        """Ask the band at a pose: lower bounds of all gaps, infinite beyond it."""
        lower = self._field.sdf.lower_bounds(self._body.points, T_field_body)
        self._lower = np.where(np.isfinite(lower), lower, np.inf)
        self._anchor, self._shift, self._travelled_mm = T_field_body, None, 0.0

    def _moved_mm(self, T_field_body: RigidTransform) -> float:
        if self._anchor is None:
            return float("inf")
        apart = T_field_body.apply(self._corners) - self._anchor.apply(self._corners)
        return float(np.sqrt(np.einsum("ij,ij->i", apart, apart).max()))

    def _shifted_mm(self, shift: Float64Array | None) -> Float64Array:
        """Return how far (n,) each point's shift is from the one that its bound was found with."""
        old = np.zeros_like(self._body.points) if self._shift is None else self._shift
        apart = old if shift is None else shift - old
        return np.sqrt(np.einsum("ij,ij->i", apart, apart))


def _closest(
    field: GapField,
    body: ContactBody,
    points: Int64Array,
    T_field_body: RigidTransform,
    shift: Float64Array | None,
) -> Closest:
    """Return what is closest to some points (k,) of a body, shifted by (n, 3) in the field."""
    places = body.points[points]
    if shift is not None:
        places = places + T_field_body.inverse().rotate(shift[points])
    return field.surface.closest(
        places, max_distance_mm=field.sdf.band_mm, T_surface_points=T_field_body
    )


def _print_of(
    field: GapField,
    body: ContactBody,
    T_field_body: RigidTransform,
    is_near: BoolArray,
    asked: Int64Array,
    found: Closest,
    shift: Float64Array | None,
) -> Footprint:
    """Return the footprint of the faces at the near vertices; `found` answers for those `asked`."""
    face, used, number = _touched(body.faces, is_near)
    n = len(used)
    points, direction = np.empty((n, 3)), np.empty((n, 3))
    gap, field_face = np.empty(n), np.empty(n, dtype=np.int32)

    places = body.points
    if shift is not None:
        places = places + T_field_body.inverse().rotate(shift)

    def write(which: Int64Array, closest: Closest) -> None:
        place_points(
            places, which, number, T_field_body.rotation, T_field_body.translation,
            closest.distance_mm, closest.points, closest.normals, closest.faces,
            points, gap, direction, field_face,
        )  # fmt: skip

    write(asked, found)
    is_late = np.ones(len(body.points), dtype=np.bool_)
    is_late[asked] = False
    late = used[is_late[used]]
    if len(late):
        write(late, _closest(field, body, late, T_field_body, shift))
    n = len(face)
    faces, kept = np.empty((n, 3), dtype=np.int32), np.empty(n, dtype=np.int32)
    normal, area = np.empty((n, 3)), np.empty(n)
    n = place_faces(body.faces, face, number, points, gap, faces, kept, normal, area)
    return Footprint(points, faces[:n], kept[:n], gap, direction, normal[:n], area[:n], field_face)


def _touched(faces: Int32Array, is_near: BoolArray) -> tuple[Int32Array, Int64Array, Int32Array]:
    """Return the faces (f,) at some vertices (V,), their corners (k,), and numbers (V,) of these.

    A vertex that is not a corner of them bears the number -1.
    """
    is_used = np.zeros(len(is_near), dtype=np.bool_)
    touched = np.empty(len(faces), dtype=np.int32)
    face = touched[: touched_faces(faces, is_near, is_used, touched)]
    used = np.flatnonzero(is_used)
    number = np.full(len(is_near), -1, dtype=np.int32)
    number[used] = np.arange(len(used), dtype=np.int32)
    return face, used, number


@dataclass(frozen=True, slots=True)
class BodyLoad:
    """The foundation's answer at a pose, per face of a footprint.

    area_mm2 that is pressed, overlap_mm3, vertical_N, all (f,); vector_N (f, 3): force on the lower
    side, upper frame; centroid and pressure_centre (f, 3) mm of the pressed part in the field's
    frame; yielded_mm3 (f,): the integral of how far the teeth have given way there along the gap,
    by which the surfaces as scanned would overlap more.
    """

    area_mm2: Float64Array
    overlap_mm3: Float64Array
    vertical_N: Float64Array
    vector_N: Float64Array
    centroid: Float64Array
    pressure_centre: Float64Array
    yielded_mm3: Float64Array


def pressed_load(
    print_: Footprint,
    corner_gap_mm: Float64Array,
    yielded_mm: Float64Array,
    direction: Float64Array,
    down: Float64Array,
    settings: FoundationSettings,
) -> BodyLoad:
    """Return the load of a footprint.

    Parameters
    ----------
    print_
        The footprint.
    corner_gap_mm : (f, 3)
        Gaps at the faces' corners.
    yielded_mm : (f, 3)
        How much of each is due to teeth that gave way.
    direction : (k, 3)
        In which the gap grows as the lower side moves, at the footprint's points.
    down : (3,), unit length
        Away from the skull, in the frame of `direction`.
    settings
        Stiffness.
    """
    n = len(print_.faces)
    force, pressed, overlap = np.empty((n, 3)), np.empty((n, 3)), np.empty(n)
    weight = settings.stiffness_MPa_per_mm * print_.counted_mm2
    corner_loads(corner_gap_mm, weight, print_.area_mm2, force, pressed, overlap)
    area = pressed.sum(axis=1)
    corners = print_.points[print_.faces]
    with np.errstate(invalid="ignore", divide="ignore"):
        centroid = np.einsum("fc,fcd->fd", pressed, corners) / area[:, None]
        pressure = np.einsum("fc,fcd->fd", force, corners) / force.sum(axis=1)[:, None]
    vector = np.einsum("fc,fcd->fd", force, direction[print_.faces])
    yielded = np.einsum("fc,fc->f", pressed, yielded_mm)
    return BodyLoad(area, overlap, vector @ down, vector, centroid, pressure, yielded)


def support_N(
    print_: Footprint,
    slope: Float64Array,
    step: float,
    up: Float64Array,
    settings: FoundationSettings,
) -> float:
    """Return the vertical force, N, on a footprint whose gaps have changed linearly.

    Parameters
    ----------
    print_
        The footprint at a pose.
    slope : (k,), mm/rad
        Change of the gap at its points with opening.
    step
        Opening since, rad.
    up : (3,), unit length
        From the body into the field, in the field's frame: the part of a face's normal along it
        carries.
    settings
        Stiffness.
    """
    vertical_area = print_.area_mm2 * (print_.normal @ up)
    volume = support_volume(print_.faces, print_.gap_mm, slope, step, vertical_area)
    return settings.stiffness_MPa_per_mm * float(volume)


def near_part(
    field: GapField, body: ContactBody, T_field_body: RigidTransform, within_mm: float
) -> ContactBody:
    """Return the faces of a body that lie within a distance of the field, by the band.

    As long as no point of the body moves by more than `within_mm` less the reach, they hold every
    face that can come within reach.
    """
    lower = field.sdf.lower_bounds(body.points, T_field_body)
    face, used, number = _touched(body.faces, lower < within_mm)
    return ContactBody(body.name, body.points[used], number[body.faces[face]], body.tooth[face])


def box_corners(points: Float64Array) -> Float64Array:
    """Return the eight corners of the box around points: no point moves more than they do."""
    # A column at a time: numpy is slow along the first axis.
    low = np.array([points[:, k].min() for k in range(3)])
    high = np.array([points[:, k].max() for k in range(3)])
    pick = np.array([[(i >> k) & 1 for k in range(3)] for i in range(8)])
    return np.where(pick == 1, high, low)
