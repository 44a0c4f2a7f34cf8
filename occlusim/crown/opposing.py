"""The antagonist's side of the promise: its facets keep the wanted gap to the adjusted crown.

While surfaces are apart the least distance is the same from both sides, but a crown's facet is
looked at only where the antagonist in front of it, convex or hollow, may come too near: a vertex
that stands out of a rough scan may poke between. And where they may overlap (a wanted gap below 0)
the antagonist's depth in the crown is not the crown's depth in it: a sharp cusp counts for more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, any_corner
from occlusim.contact.field import GapField
from occlusim.crown.clearance import (
    FacetMinimum,
    Opposing,
    facet_bounds,
    surface_of,
    swept_clearance,
    swept_facet_clearance,
)
from occlusim.crown.deepening import CHECK_LIMIT_MM, MOST_ROUNDS, Removal, chosen, increments
from occlusim.crown.path import PathTable
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

# Deeper than this the two surfaces' depths in each other may differ.
OVERLAP_MM = -0.0005


@dataclass(frozen=True, slots=True)
class Patch:
    """The part of a crown that may be cut, with a ring of faces around it.

    Elsewhere nothing can be done against the antagonist, and where the nearest place is the
    patch's own edge nothing is known and nothing asked: so the rest of the crown is left out.
    `faces` (k,) of the crown; `is_allowed` (k,) marks those that can move.
    """

    faces: Int64Array
    is_allowed: BoolArray

    @staticmethod
    def around(removal: Removal) -> Patch:
        """Return the patch of a removal in which something may move."""
        own = removal.touching(removal.allowed)
        is_corner = np.zeros(len(removal.vertices), dtype=np.bool_)
        is_corner[removal.faces[own]] = True
        faces = removal.touching(is_corner)
        return Patch(faces, np.isin(faces, own))

    def surface(self, removal: Removal, depth_mm: Float64Array) -> Surface:
        """Return the patch's surface at some depths (V,)."""
        whole = TriangleMesh(removal.moved(depth_mm), removal.faces)
        return Surface.build(whole.submesh(self.faces.astype(np.int32))[0])


def deepen_against(
    removal: Removal,
    depth_mm: Float64Array,
    antagonist: Surface,
    table: PathTable,
    accepted_mm: float,
    input_crown: Opposing | None = None,
) -> tuple[Float64Array, Int64Array]:
    """Return depths (V,) at which the antagonist's facets too keep the wanted gap to the crown.

    Returns also the antagonist's facets (n,) whose least gap no cut mends.

    Parameters are those of `deepen_facets`; the antagonist's facets are swept past the crown, which
    is built anew at every round around what may be cut. The input crown's band, if it is a field,
    tells what is far; what is clear of the input crown, as in the hollow behind what may be cut, is
    clear of what is left of it.
    """
    depth = depth_mm.copy()
    whole = None if input_crown is None else surface_of(input_crown)
    if not removal.allowed.any():
        return depth, np.empty(0, dtype=np.int64)
    back = table.inverse()
    faces = _facing(removal, depth, antagonist, table)
    patch = Patch.around(removal)
    crown = patch.surface(removal, depth)
    faces = _doubtful(crown, antagonist, faces, back, accepted_mm, input_crown)
    corners = antagonist.mesh.vertices[antagonist.mesh.faces[faces]]
    for _ in range(MOST_ROUNDS):
        if len(faces) == 0:
            break
        found = swept_facet_clearance(corners, crown, back, accepted_mm)
        low = found.value_mm < accepted_mm
        corners, faces = corners[low], faces[low]
        if len(faces) == 0:
            break
        found = chosen(found, low)
        moved = _places(corners, found, back)
        real = is_near(whole, moved, back.wanted_at(found.row), accepted_mm)
        step = _step_against(removal, crown, moved[real], chosen(found, real), patch)
        deeper = np.minimum(depth + step, removal.cap_mm)
        changed = removal.allowed & (deeper > depth + 1e-7)
        if not changed.any():
            break
        depth = np.where(changed, deeper, depth)
        crown = patch.surface(removal, depth)
    return depth, faces


def _doubtful(
    crown: Surface,
    antagonist: Surface,
    faces: Int64Array,
    back: PathTable,
    accepted_mm: float,
    input_crown: Opposing | None,
) -> Int64Array:
    """Return those of the antagonist's faces that their corners do not prove to be clear."""
    if len(faces) == 0:
        return faces
    vertex, compact = np.unique(antagonist.mesh.faces[faces], return_inverse=True)
    points = antagonist.mesh.vertices[vertex]
    cut: Opposing = input_crown.shrunk(crown) if isinstance(input_crown, GapField) else crown
    compact = compact.reshape(-1, 3).astype(np.int32)
    if back.wanted_mm.min() >= OVERLAP_MM:
        # The crown's facets have been looked at: what is left is a vertex that pokes into one.
        swept = swept_clearance(points, cut, back, accepted_mm)
        return faces[any_corner(swept.least_mm < accepted_mm, compact)]
    swept = swept_clearance(points, cut, back, CHECK_LIMIT_MM)
    bound = facet_bounds(points, compact, swept)
    return faces[bound < accepted_mm]


def _facing(
    removal: Removal, depth_mm: Float64Array, antagonist: Surface, table: PathTable
) -> Int64Array:
    """Return the antagonist's faces (n,) that come near what was cut, by boxes around it."""
    cut = removal.moved(depth_mm)[depth_mm > 0]
    if len(cut) == 0:
        return np.empty(0, dtype=np.int64)
    corners = antagonist.mesh.vertices[antagonist.mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    box_low, box_high = cut.min(axis=0), cut.max(axis=0)
    centre, half = 0.5 * (box_low + box_high), 0.5 * (box_high - box_low) + CHECK_LIMIT_MM
    at = table.rotations @ centre + table.translations
    reach = np.abs(table.rotations) @ half
    near = np.zeros(len(corners), dtype=bool)
    for first, last in zip(table.start[:-1], table.start[1:], strict=True):
        floor = (at - reach)[first:last].min(axis=0)
        roof = (at + reach)[first:last].max(axis=0)
        near |= ((low <= roof) & (high >= floor)).all(axis=1)
    return np.flatnonzero(near)


def _places(corners: Float64Array, found: FacetMinimum, back: PathTable) -> Float64Array:
    """Return where the lowest places (n, 3) of facets are at their rows, in the crown's frame."""
    places = np.einsum("nc,ncx->nx", found.bary, corners)
    rotation, translation = back.poses_at(found.row)
    return np.einsum("nij,nj->ni", rotation, places) + translation


def is_near(
    whole: Surface | None, places: Float64Array, wanted_mm: Float64Array, limit_mm: float
) -> BoolArray:
    """Return which places (n, 3) are not proved by a crown to be clear (n,); all without one."""
    if whole is None:
        return np.ones(len(places), dtype=np.bool_)
    return ~(whole.signed_distance(places) - wanted_mm >= limit_mm)


def _step_against(
    removal: Removal, crown: Surface, places: Float64Array, found: FacetMinimum, patch: Patch
) -> Float64Array:
    """Return the depths (V,) to add under places (n, 3) of the antagonist that come too close."""
    closest = crown.closest(places)
    face = patch.faces[closest.faces]
    own = patch.is_allowed[closest.faces]
    triangle = crown.mesh.vertices[crown.mesh.faces[closest.faces]]
    below = FacetMinimum(
        found.value_mm[own],
        found.row[own],
        barycentric(triangle[own], closest.points[own]),
        -closest.normals[own],
    )
    return increments(removal, face[own], below, 0.0)


def barycentric(corners: Float64Array, points: Float64Array) -> Float64Array:
    """Return the barycentric coordinates (n, 3) of points (n, 3) in triangles (n, 3, 3)."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    w = points - corners[:, 0]
    uu, uv, vv = (np.einsum("ij,ij->i", a, b) for a, b in ((u, u), (u, v), (v, v)))
    wu, wv = np.einsum("ij,ij->i", w, u), np.einsum("ij,ij->i", w, v)
    scale = np.maximum(uu * vv - uv * uv, 1e-30)
    b1, b2 = (vv * wu - uv * wv) / scale, (uu * wv - uv * wu) / scale
    return np.clip(np.stack([1.0 - b1 - b2, b1, b2], axis=1), 0.0, 1.0)
