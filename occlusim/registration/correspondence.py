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

from occlusim.arrays import BoolArray, Float64Array, Int32Array, frozen
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.patch import corner_normals, patch_matches

LEAST_CORNER_COSINE = 0.5
"""Above 60 degrees between a facet and its corner's normal the corner is a crease, not a curve."""


@dataclass(frozen=True, slots=True)
class Match:
    """Signed distances of points from a curved surface.

    Attributes
    ----------
    residual_mm : (n,)
        Distance from the tangent plane of the curved surface, positive outside.
    normals : (n, 3)
        Unit normal of that plane, in the points' frame.
    distance_mm : (n,)
        Unsigned distance from the flat facets; NaN where nothing is within reach.
    is_usable : (n,)
        False beyond reach, and where the nearest feature is the scan's trimmed boundary.
    slot : (n,)
        Where the nearest triangle lies in the surface's tree, -1 where none is within reach.
    """

    residual_mm: Float64Array
    normals: Float64Array
    distance_mm: Float64Array
    is_usable: BoolArray
    slot: Int32Array


def smooth_vertex_normals(mesh: TriangleMesh) -> Float64Array:
    """Return unit vertex normals (V, 3) weighted after Max 1999; zero at unused vertices."""
    normals = np.empty_like(mesh.vertices)
    corner_normals(mesh.vertices, mesh.faces, normals)
    return normals


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

    def match(
        self,
        points: Float64Array,
        reach_mm: float,
        T_surface_points: RigidTransform | None = None,
        hint: Int32Array | None = None,
    ) -> Match:
        """Return the match of points (n, 3) within `reach_mm`.

        Parameters
        ----------
        points : (n, 3), mm
            Fastest where neighbours in the list are near in space (`near_order`).
        reach_mm : float
        T_surface_points : RigidTransform, optional
            Carries the points into the surface's frame; none leaves them where they are. The
            match's normals are in the points' frame.
        hint : (n,), optional
            `Match.slot` of an earlier match nearby: shortens the search, changes no answer.
        """
        n = len(points)
        T = T_surface_points or RigidTransform.identity()
        distance, residual, normals = np.empty(n), np.empty(n), np.empty((n, 3))
        slot = np.empty(n, dtype=np.int32)
        patch_matches(
            n,
            frozen(points, np.float64),
            T.rotation,
            T.translation,
            float(reach_mm),
            frozen(np.full(n, -1) if hint is None else hint, np.int32),
            self.surface.tree,
            self.surface.mesh.vertices,
            self.surface.mesh.faces,
            self.normals,
            LEAST_CORNER_COSINE,
            self.is_curved,
            distance,
            residual,
            normals,
            slot,
        )
        return Match(residual, normals, distance, np.isfinite(residual), slot)
