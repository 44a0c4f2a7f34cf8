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

from occlusim.arrays import BoolArray, Float64Array, Int8Array, Int32Array, Int64Array
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface, n_chunks, near_order
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.match import match_nearer, place_vertices, recall_nearer
from occlusim.kernels.patch import PARTS, PATCH, sum_corners, unite_normals
from occlusim.kernels.recall import FEW

LEAST_CORNER_COSINE = 0.5
"""Above 60 degrees between a facet and its corner's normal the corner is a crease, not a curve."""


MARGIN_MM = 0.01
"""What lies within this of the nearest triangle is remembered. A vertex is searched for again when
it has moved half as far; where scans are finest, at 0.1 mm, few triangles lie within (own choice).
"""


@dataclass(frozen=True, slots=True)
class MatchMemory:
    """What was nearest to the V vertices of a scan; see `occlusim.kernels.match`.

    It spares searches and changes no distance; of places that are equally near another one may be
    taken.
    """

    origin: Float64Array
    side: Int8Array
    rest: Float64Array
    count: Int8Array
    slots: Int32Array
    away: Float64Array
    patches: Float64Array

    @staticmethod
    def empty(n: int) -> MatchMemory:
        """Return the memory of n vertices that have not been searched for."""
        return MatchMemory(
            np.empty((n, 3)),
            np.empty(n, dtype=np.int8),
            np.empty(n),
            np.zeros(n, dtype=np.int8),
            np.empty((n, FEW), dtype=np.int32),
            np.empty((n, FEW)),
            np.empty((n, PATCH)),
        )


@dataclass(frozen=True, slots=True)
class InnerScan:
    """The vertices of a bite scan off its trimmed edge, in rows: neighbours lie near in memory.

    Attributes
    ----------
    vertex : (n,)
        Their numbers in the scan.
    points, normals : (n, 3)
        In the scan's frame.
    area_mm2 : (n,)
    memory : MatchMemory
    """

    vertex: Int64Array
    points: Float64Array
    normals: Float64Array
    area_mm2: Float64Array
    memory: MatchMemory

    @staticmethod
    def of(bite: Surface) -> InnerScan:
        """Return the inner vertices of a bite scan, nothing remembered."""
        inner = np.flatnonzero(~np.asarray(bite.is_boundary_vertex))
        vertex = inner.take(near_order(bite.mesh.vertices.take(inner, axis=0)))
        return InnerScan(
            vertex,
            bite.mesh.vertices.take(vertex, axis=0),
            bite.vertex_normals.take(vertex, axis=0),
            bite.vertex_area_mm2.take(vertex),
            MatchMemory.empty(len(vertex)),
        )


@dataclass(frozen=True, slots=True)
class Nearer:
    """Points being matched with the nearer of two arches; written arch by arch.

    Attributes
    ----------
    row : (n,)
        Of the scan's inner vertices.
    points, directions : (n, 3)
        Where they lie and their scan's normals.
    distance_mm, residual_mm : (n,)
        From the facets, infinite without a match; from the tangent plane of the curved surface,
        positive outside.
    normals : (n, 3)
        Of that plane.
    is_lower : (n,)
    """

    row: Int64Array
    points: Float64Array
    directions: Float64Array
    distance_mm: Float64Array
    residual_mm: Float64Array
    normals: Float64Array
    is_lower: BoolArray

    @staticmethod
    def none_of(row: Int64Array, scan: InnerScan, T: RigidTransform) -> Nearer:
        """Return rows (n,) of a scan that a pose has carried, all without a match."""
        n = len(row)
        points, directions = np.empty((n, 3)), np.empty((n, 3))
        place_vertices(
            n_chunks(n), scan.points, scan.normals, row, T.rotation, T.translation, points,
            directions,
        )  # fmt: skip
        distance, is_lower = np.full(n, np.inf), np.zeros(n, dtype=np.bool_)
        return Nearer(row, points, directions, distance, np.empty(n), np.empty((n, 3)), is_lower)


@dataclass(frozen=True, slots=True)
class Match:
    """Signed distances of points from a curved surface.

    Attributes
    ----------
    residual_mm : (n,)
        Distance from the tangent plane of the curved surface, positive outside.
    normals : (n, 3)
        Unit normal of that plane.
    is_usable : (n,)
        False beyond reach, and where the nearest feature is the scan's trimmed boundary: the others
        are NaN there.
    """

    residual_mm: Float64Array
    normals: Float64Array
    is_usable: BoolArray


def smooth_vertex_normals(mesh: TriangleMesh) -> Float64Array:
    """Return unit vertex normals (V, 3) weighted after Max 1999; zero at unused vertices."""
    normals = np.empty_like(mesh.vertices)
    sums = np.empty((PARTS, *normals.shape))
    sum_corners(PARTS, mesh.vertices, mesh.faces, sums)
    unite_normals(len(normals), sums, normals)
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

    def match(self, points: Float64Array, reach_mm: float) -> Match:
        """Return the match of points (n, 3), mm, in the surface's frame, within `reach_mm`.

        Fastest where neighbours in the list are near in space (`near_order`).
        """
        n = len(points)
        row = np.arange(n)
        anywhere, distance = np.zeros((n, 3)), np.full(n, np.inf)
        residual, normals = np.full(n, np.nan), np.full((n, 3), np.nan)
        found = Nearer(row, points, anywhere, distance, residual, normals, np.zeros(n, np.bool_))
        identity = RigidTransform.identity()
        self.improve(found, MatchMemory.empty(n), identity, (reach_mm, -np.inf), False)
        return Match(residual, normals, np.isfinite(residual))

    def improve(
        self,
        found: Nearer,
        memory: MatchMemory,
        T_surface_points: RigidTransform,
        limits: tuple[float, float],
        is_lower: bool,
        is_asked: BoolArray | None = None,
    ) -> None:
        """Match points with this arch where it is nearer than what they are matched with.

        Parameters
        ----------
        found, memory
            Written over.
        T_surface_points : RigidTransform
            Carries the points into the surface's frame.
        limits : (float, float)
            How far away, mm, and the least cosine between the normals of both surfaces.
        is_lower : bool
            Which arch this is.
        is_asked : (n,), optional
            Others stay as they are.
        """
        m, n, T = memory, n_chunks(len(found.row)), T_surface_points
        remembered = (m.origin, m.side, m.rest, m.count, m.slots, m.away, m.patches)
        is_left = np.ones(len(found.row), np.bool_) if is_asked is None else is_asked.copy()
        asked = (found.row, found.points, found.directions, T.rotation, T.translation)
        answer = (found.distance_mm, found.residual_mm, found.normals, found.is_lower)
        tree, side = self.surface.tree, int(is_lower)
        recall_nearer(n, *asked, side, *limits, tree, remembered, is_left, *answer)
        match_nearer(
            n,
            *asked,
            side,
            limits[0],
            MARGIN_MM,
            limits[1],
            tree,
            self.surface.mesh.faces,
            self.normals,
            LEAST_CORNER_COSINE,
            self.is_curved,
            remembered,
            is_left,
            *answer,
        )
