"""Contact as an elastic foundation: pressure = stiffness x overlap, along the surface normal.

Two rigid surfaces press on each other where they overlap (Winkler foundation; Johnson, Contact
Mechanics, 1985, chapter 4, from memory). The overlap is an exact signed distance at every vertex
within reach, linear between the vertices, and integrated exactly over the clipped triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.contact.field import GapField
from occlusim.contact.overlap import clipped_integrals
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.support import support_volume


@dataclass(frozen=True, slots=True)
class FoundationSettings:
    """Stiffness of the foundation, and how near a vertex must be to be looked at exactly.

    The default stands for the yielding of teeth in their sockets until each tooth has springs of
    its own. In light closure some 14 pairs share 20 N; a tooth yields 7 um under its 1.4 N (0.20
    N/um, derived from published curves), so a pair yields 14 um over about 1 mm2: 100 MPa/mm.
    Where one pair of canines guides and carries all 20 N, each yields 26 um: 400 MPa/mm. 300
    MPa/mm lies between; it lets a light closure sink in by some 5 um, about a scan's noise, so that
    the surfaces and not their highest points carry it. Stiffer, noise props the jaw open.
    """

    stiffness_MPa_per_mm: float = 300.0
    reach_mm: float = 0.05

    def __post_init__(self) -> None:
        if not (self.stiffness_MPa_per_mm > 0 and self.reach_mm > 0):
            raise InputError(
                f"foundation: stiffness {self.stiffness_MPa_per_mm} MPa/mm and reach "
                f"{self.reach_mm} mm given, both must be positive"
            )


@dataclass(frozen=True, slots=True)
class ContactBody:
    """A surface that may touch the field's: points (n, 3) mm, faces (m, 3), tooth (m,) a face."""

    name: str
    points: Float64Array
    faces: Int32Array
    tooth: Int32Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", frozen(self.points, np.float64))
        object.__setattr__(self, "faces", frozen(self.faces, np.int32))
        object.__setattr__(self, "tooth", frozen(self.tooth, np.int32))
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


def footprint(
    field: GapField, body: ContactBody, T_field_body: RigidTransform, reach_mm: float
) -> tuple[Footprint, float]:
    """Return the body's faces within reach of the field, and its least band gap in mm.

    The least band gap is NaN where no vertex lies in the band.

    Notes
    -----
    The band finds the faces; every distance of the footprint is exact.
    """
    band = field.sdf.sample(body.points, T_field_body)
    least = float(np.nanmin(band)) if np.isfinite(band).any() else float("nan")
    near = band < reach_mm + field.sdf.voxel_mm
    face = np.flatnonzero(near[body.faces].any(axis=1)).astype(np.int32)
    used, local = np.unique(body.faces[face], return_inverse=True)
    faces = local.reshape(-1, 3).astype(np.int32)
    closest = field.surface.closest(
        body.points[used], max_distance_mm=field.sdf.band_mm, T_surface_points=T_field_body
    )
    points = T_field_body.apply(body.points[used])
    gap = closest.distance_mm
    known = np.isfinite(gap)[faces].all(axis=1) if len(faces) else np.zeros(0, bool)
    faces, face = faces[known], face[known]
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    double_area = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(double_area[:, None], 1e-300)
    offset = points - closest.points
    sign = np.where(gap < 0, -1.0, 1.0)[:, None]
    size = np.linalg.norm(offset, axis=1, keepdims=True)
    direction = np.where(size > 1e-9, sign * offset / np.maximum(size, 1e-9), closest.normals)
    found = Footprint(points, faces, face, gap, direction, normal, 0.5 * double_area, closest.faces)
    return found, least


@dataclass(frozen=True, slots=True)
class BodyLoad:
    """The foundation's answer at a pose, per face of a footprint.

    area_mm2, overlap_mm3, force_N (the size of the normal force), all (f,); centroid (f, 3) mm
    in the field's frame.
    """

    area_mm2: Float64Array
    overlap_mm3: Float64Array
    force_N: Float64Array
    centroid: Float64Array


def body_load(print_: Footprint, gap_mm: Float64Array, settings: FoundationSettings) -> BodyLoad:
    """Return the load of a footprint for given gaps (k,) mm at its points."""
    found = clipped_integrals(print_.points, print_.faces, gap_mm, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        centroid = found.area_moment_mm3 / found.area_mm2[:, None]
    force_N = settings.stiffness_MPa_per_mm * found.volume_mm3
    return BodyLoad(found.area_mm2, found.volume_mm3, force_N, centroid)


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

    As long as no point of the body moves by more than `within_mm` less the reach and a voxel, they
    hold every face that can come within reach.
    """
    band = field.sdf.sample(body.points, T_field_body)
    face = np.flatnonzero((band < within_mm)[body.faces].any(axis=1))
    used, local = np.unique(body.faces[face], return_inverse=True)
    return ContactBody(
        body.name, body.points[used], local.reshape(-1, 3).astype(np.int32), body.tooth[face]
    )
