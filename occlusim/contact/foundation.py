"""Contact as an elastic foundation: pressure = stiffness x overlap, along the surface normal.

Two rigid surfaces press on each other where they overlap (Winkler foundation; Johnson, Contact
Mechanics, 1985, chapter 4, from memory). The overlap is an exact signed distance at every vertex
within reach, linear between the vertices, and integrated exactly over the clipped triangles.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from occlusim.arrays import AnyArray, Float64Array, Int32Array, frozen
from occlusim.contact.field import GapField
from occlusim.errors import InputError
from occlusim.geometry.surface import near_order
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.closest import CHUNK
from occlusim.kernels.footprint import near_faces, place_faces, touched_faces
from occlusim.kernels.pressure import face_loads
from occlusim.kernels.recall import FEW, UNSEEN, look
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

    points (k, 3) mm; vertex (k,) of the body; faces (f, 3) into points; face (f,) in the body;
    gap_mm (k,), below 0 where they overlap; direction (k, 3) of growing gap; normal (f, 3) out of
    the body and area_mm2 (f,); field_face (k,) nearest face.
    """

    points: Float64Array
    vertex: Int32Array
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

    def of(self, which: Int32Array) -> Footprint:
        """Return the footprint of some of the faces (m,) alone."""
        return replace(
            self,
            faces=self.faces[which],
            face=self.face[which],
            normal=self.normal[which],
            area_mm2=self.area_mm2[which],
        )


class Ways(NamedTuple):
    """How far teeth have given way: table (t, 3), mm, in the field's frame, by tooth.

    A body's point moves against the field by table[body_tooth] - table[field_tooth], both (n,).
    """

    table: Float64Array
    body_tooth: Int32Array
    field_tooth: Int32Array


class NearContact:
    """What of a body may come within reach of the field while the pose changes little.

    Every point remembers which triangles can be nearest to it and, where it was not looked at, a
    lower bound of its gap: see `occlusim.kernels.recall`. A distance changes no faster than its
    point, so that later poses ask again only for what may have changed.
    """

    def __init__(self, field: GapField, body: ContactBody) -> None:
        self._field, self._body = field, body
        n = len(body.points)
        self._order = near_order(body.points)
        self._memory: tuple[AnyArray, ...] = (
            np.zeros((n, 3)),
            np.full(n, -np.inf),
            np.zeros(n),
            np.zeros(n, dtype=np.int8),
            np.empty((n, FEW), dtype=np.int32),
            np.empty((n, FEW)),
        )
        self._known: tuple[AnyArray, ...] = (
            np.zeros(n, dtype=np.bool_),
            np.empty((n, 3)),
            np.empty(n),
            np.empty((n, 3)),
            np.empty(n, dtype=np.int32),
        )
        none = np.zeros(n, dtype=np.int32)
        self._rigid = Ways(np.zeros((1, 3)), none, none)

    def copy(self) -> NearContact:
        """Return another one that knows what this one does, and learns for itself."""
        made = copy(self)
        made._memory = tuple(array.copy() for array in self._memory)
        made._known = tuple(np.empty_like(array) for array in self._known)
        return made

    def footprint(
        self, T_field_body: RigidTransform, reach_mm: float, ways: Ways | None = None
    ) -> Footprint:
        """Return the body's faces that come within reach of the field; every gap is exact.

        The body's points are shifted as their teeth have given way.
        """
        ways = ways or self._rigid
        self._look(self._order, T_field_body, reach_mm, ways)
        is_exact, place, gap, direction, field_face = self._known
        faces = self._body.faces
        is_used = np.zeros(len(is_exact), dtype=np.bool_)
        face = np.empty(len(faces), dtype=np.int32)
        face = face[: near_faces(faces, is_exact, gap, reach_mm, is_used, face)]
        vertex = np.flatnonzero(is_used).astype(np.int32)
        late = vertex[~is_exact[vertex]]
        self._look(late, T_field_body, np.inf, ways)
        number = np.empty(len(is_exact), dtype=np.int32)
        number[vertex] = np.arange(len(vertex), dtype=np.int32)
        points, gap = place[vertex], gap[vertex]
        n = len(face)
        corners, kept = np.empty((n, 3), dtype=np.int32), np.empty(n, dtype=np.int32)
        normal, area = np.empty((n, 3)), np.empty(n)
        n = place_faces(faces, face, number, points, gap, corners, kept, normal, area)
        return Footprint(
            points, vertex, corners[:n], kept[:n], gap, direction[vertex], normal[:n], area[:n],
            field_face[vertex],
        )  # fmt: skip

    def least_mm(self, T_field_body: RigidTransform) -> float:
        """Return a lower bound of the least gap at a pose; NaN where nothing lies in the band.

        Of the points without shifts.
        """
        origin, lower, _, count, _, _ = self._memory
        seen = np.flatnonzero(count != UNSEEN)
        if len(seen) == 0:
            return float("nan")
        apart = T_field_body.apply(self._body.points[seen]) - origin[seen]
        return float((lower[seen] - np.sqrt(np.einsum("ij,ij->i", apart, apart))).min())

    def _look(self, order: Int32Array, T: RigidTransform, reach_mm: float, ways: Ways) -> None:
        """Know what is exact of some points (k,) whose gaps may lie below the reach."""
        sdf = self._field.sdf
        look(
            (len(order) + CHUNK - 1) // CHUNK, self._body.points, order, T.rotation, T.translation,
            ways.table, ways.body_tooth, ways.field_tooth, reach_mm, sdf.band_mm,
            sdf.voxel_mm + max(reach_mm, 0.0) if np.isfinite(reach_mm) else 0.0,
            self._field.surface.tree, self._field.band, self._memory, self._known,
        )  # fmt: skip


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
    weight: Float64Array,
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
    weight : (f,), N/mm
        Stiffness of the foundation times the faces' `counted_mm2`.
    """
    n = len(print_.faces)
    area, overlap, yielded = np.empty(n), np.empty(n), np.empty(n)
    vector, centroid, pressure = np.empty((n, 3)), np.empty((n, 3)), np.empty((n, 3))
    face_loads(
        print_.faces, print_.points, corner_gap_mm, yielded_mm, direction, weight, print_.area_mm2,
        area, overlap, vector, centroid, pressure, yielded,
    )  # fmt: skip
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
    is_used = np.zeros(len(lower), dtype=np.bool_)
    face = np.empty(len(body.faces), dtype=np.int32)
    face = face[: touched_faces(body.faces, lower < within_mm, is_used, face)]
    used = np.flatnonzero(is_used)
    # What is near in space lies near in memory.
    used = used[near_order(body.points[used])]
    number = np.full(len(lower), -1, dtype=np.int32)
    number[used] = np.arange(len(used), dtype=np.int32)
    faces = number[body.faces[face]]
    # The keys differ, so the order is the same by any way of sorting.
    order = np.argsort(faces[:, 0].astype(np.int64) * len(faces) + np.arange(len(faces)))
    return ContactBody(body.name, body.points[used], faces[order], body.tooth[face[order]])


def box_corners(points: Float64Array) -> Float64Array:
    """Return the eight corners of the box around points: no point moves more than they do."""
    # A column at a time: numpy is slow along the first axis.
    low = np.array([points[:, k].min() for k in range(3)])
    high = np.array([points[:, k].max() for k in range(3)])
    pick = np.array([[(i >> k) & 1 for k in range(3)] for i in range(8)])
    return np.where(pick == 1, high, low)
