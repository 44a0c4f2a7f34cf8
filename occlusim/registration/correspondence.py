"""Matches between scan points and an arch: exact closest points on a curved patch.

A scan's vertices lie on the true surface, but its flat facets cut the chord, so the distance from
one scan's vertices to another scan's facets is biased by the facets' sag, second order in the edge
length (5 um on a cusp of 1 mm radius at 0.2 mm edges). The bias is taken out by standing a
quadratic height over each facet, after the curved point-normal triangles of Vlachos, Peters, Boyd
& Mitchell 2001 (Curved PN triangles, Symposium on Interactive 3D Graphics). Vertex normals are
weighted after Max 1999 (J Graphics Tools 4:1-6), exact on a sphere for any triangulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

LEAST_CORNER_COSINE = 0.5
"""Above 60 degrees between a facet and its corner's normal the corner is a crease, not a curve."""


@dataclass(frozen=True, slots=True)
class Match:
    """Signed distances of points from a curved surface, in the surface's frame.

    Attributes
    ----------
    residual_mm : (n,)
        Distance from the tangent plane of the curved surface, positive outside.
    normals : (n, 3)
        Unit normal of that plane.
    distance_mm : (n,)
        Unsigned distance from the flat facets; NaN where nothing is within reach.
    is_usable : (n,)
        False beyond reach, and where the nearest feature is the scan's trimmed boundary.
    """

    residual_mm: Float64Array
    normals: Float64Array
    distance_mm: Float64Array
    is_usable: BoolArray


def smooth_vertex_normals(mesh: TriangleMesh) -> Float64Array:
    """Return unit vertex normals (V, 3) weighted after Max 1999; zero at unused vertices."""
    corner = mesh.vertices[mesh.faces]
    edge = np.roll(corner, -1, axis=1) - corner
    length_sq = np.einsum("fki,fki->fk", edge, edge)
    face = np.cross(edge[:, 0], edge[:, 1])
    product = length_sq * np.roll(length_sq, 1, axis=1)
    weight = np.divide(1.0, product, out=np.zeros_like(product), where=product > 0)
    index = mesh.faces.ravel()
    n_vertices = len(mesh.vertices)
    normals = np.stack(
        [
            np.bincount(index, (weight * face[:, i, None]).ravel(), minlength=n_vertices)
            for i in range(3)
        ],
        axis=1,
    )
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)


class CurvedSurface:
    """A surface whose facets are lifted to quadratic patches through its vertex normals.

    Parameters
    ----------
    surface : Surface
        The scan, with its closest-point search.
    is_curved : bool
        False measures to the flat facets: what the curved patch is compared with.
    """

    def __init__(self, surface: Surface, *, is_curved: bool = True) -> None:
        self.surface = surface
        self.is_curved = is_curved
        self.normals = smooth_vertex_normals(surface.mesh)

    def match(self, points: Float64Array, reach_mm: float) -> Match:
        """Return the match of points (n, 3), given in the surface's frame, within `reach_mm`."""
        closest = self.surface.closest(points, max_distance_mm=reach_mm)
        distance = np.asarray(closest.unsigned_mm, dtype=np.float64)
        is_found = np.isfinite(distance) & (distance <= reach_mm)
        is_usable = is_found & ~closest.is_boundary
        residual = np.full(len(points), np.nan)
        normals = np.full((len(points), 3), np.nan)
        row = np.flatnonzero(is_usable)
        if len(row):
            residual[row], normals[row] = self._to_patch(
                points[row], closest.points[row], closest.faces[row]
            )
        is_usable &= np.isfinite(residual)
        return Match(residual, normals, np.where(is_found, distance, np.nan), is_usable)

    def _to_patch(
        self, points: Float64Array, foot: Float64Array, face: Int32Array
    ) -> tuple[Float64Array, Float64Array]:
        """Return distances (n,) from, and normals (n, 3) of, the patch over each foot point."""
        index = self.surface.mesh.faces[face]
        corner = self.surface.mesh.vertices[index]
        corner_normal = self.normals[index]
        facet = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        facet /= np.linalg.norm(facet, axis=1, keepdims=True)
        if not self.is_curved:
            return np.einsum("ij,ij->i", facet, points - foot), facet
        bary = barycentric(corner, foot)
        cosine = np.einsum("nki,ni->nk", corner_normal, facet)
        is_curve = (cosine > LEAST_CORNER_COSINE).all(axis=1)
        corner_normal[~is_curve] = facet[~is_curve, None]
        normal = np.einsum("nk,nki->ni", bary, corner_normal)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        lifted = foot + patch_lift(corner, corner_normal, bary)
        return np.einsum("ij,ij->i", normal, points - lifted), normal


def barycentric(corner: Float64Array, foot: Float64Array) -> Float64Array:
    """Return barycentric coordinates (n, 3) of points (n, 3) in triangles (n, 3, 3)."""
    u, v, w = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0], foot - corner[:, 0]
    uu, uv, vv = (np.einsum("ij,ij->i", a, b) for a, b in ((u, u), (u, v), (v, v)))
    wu, wv = np.einsum("ij,ij->i", w, u), np.einsum("ij,ij->i", w, v)
    area_sq = uu * vv - uv * uv
    second, third = (vv * wu - uv * wv) / area_sq, (uu * wv - uv * wu) / area_sq
    bary = np.clip(np.stack([1 - second - third, second, third], axis=1), 0.0, 1.0)
    return bary / bary.sum(axis=1, keepdims=True)


def patch_lift(corner: Float64Array, normal: Float64Array, bary: Float64Array) -> Float64Array:
    """Return the vectors (n, 3), mm, from each facet to its quadratic patch.

    Zero at the corners. Along the edge e from i to j the patch rises by a t (1 - t) along m, the
    direction halfway between the corners' normals and across e, with the mean of the slopes that
    these normals ask for: a = (e . n_j / m . n_j - e . n_i / m . n_i) / 2. On an edge only that
    edge's own term is left, so neighbouring patches meet.

    Parameters
    ----------
    corner, normal : (n, 3, 3)
        Corners, mm, and the unit normals there; second axis: corner.
    bary : (n, 3)
        Barycentric coordinates.
    """
    lift = np.zeros((len(corner), 3))
    for i, j in ((0, 1), (1, 2), (2, 0)):
        edge, n_i, n_j = corner[:, j] - corner[:, i], normal[:, i], normal[:, j]
        between = n_i + n_j
        along = np.einsum("ij,ij->i", between, edge) / np.einsum("ij,ij->i", edge, edge)
        between -= along[:, None] * edge
        between /= np.linalg.norm(between, axis=1, keepdims=True)
        slope_j, slope_i = (
            np.einsum("ij,ij->i", edge, n) / np.einsum("ij,ij->i", between, n) for n in (n_j, n_i)
        )
        height = 0.5 * (slope_j - slope_i) * bary[:, i] * bary[:, j]
        lift += height[:, None] * between
    return lift
