"""Wall thickness of a crown.

Two definitions, both on the input triangles and exact:

- `wall_mm`: distance from a place of the outer surface to the nearest place of the inner surface
  (the side that faces the tooth or the abutment). This is what a material's minimum is held
  against: no direction has to be chosen, and no other measure of the same wall is smaller.
- `ray_mm`: way along the inward normal to the far side of the material, whichever surface that is.

A face belongs to the inner surface if no straight view from the occlusal side, down to a little
above the horizontal, reaches it past the crown itself: the inside of the cavity is seen from the
root side only. A solid crown has no inner surface; then `wall_mm` is NaN and the ray stands in.
An open crown without an inner surface has no wall that could be measured: both are NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, unit_vector
from occlusim.crown.deepening import Removal
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.ray import escapes, first_hits

LOWEST_VIEW_DEG = 12.0
ROUNDS = 30
# Places on a facet at which its wall is held: a grid of a quarter, corners left out.
GRID_STEPS = 4
GRID = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / GRID_STEPS
GRID = GRID[GRID.max(axis=1) < 1.0]
START_MM = 1e-6
SPARE_MM = 0.0015
# Cosine between the normals of both sides of a wall, at most; beside it the margin is meant.
MOST_ASIDE = -0.5
SMALLEST_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class CrownWalls:
    """A crown's material between its outer and its inner surface.

    Attributes
    ----------
    whole : Surface
        The crown as given; rays are cast on it.
    inner : Surface or None
        The inner surface; None for a solid crown.
    is_outer : (V,)
        Vertices of the outer surface.
    is_known : bool
        False for an open surface without an inner one.
    """

    whole: Surface
    inner: Surface | None
    is_outer: BoolArray
    is_known: bool = True

    @staticmethod
    def build(
        crown: Surface, occlusal: Float64Array, inner_mesh: TriangleMesh | None = None
    ) -> CrownWalls:
        """Return the walls of a crown.

        Parameters
        ----------
        crown : Surface
            Closed, unless `inner_mesh` is given.
        occlusal : (3,)
            Direction in which the crown's biting side looks.
        inner_mesh
            The inner surface from a file of its own, in the crown's coordinates.
        """
        n_vertices = len(crown.mesh.vertices)
        if inner_mesh is not None:
            return CrownWalls(crown, Surface.build(inner_mesh), np.ones(n_vertices, dtype=bool))
        is_inner = inner_faces(crown, occlusal)
        is_outer = np.zeros(n_vertices, dtype=bool)
        is_outer[crown.mesh.faces[~is_inner]] = True
        share = float(crown.face_area_mm2[is_inner].sum() / crown.face_area_mm2.sum())
        if share < SMALLEST_SHARE:
            is_closed = bool((crown.neighbours >= 0).all())
            return CrownWalls(crown, None, np.ones(n_vertices, dtype=bool), is_closed)
        index = np.flatnonzero(is_inner).astype(np.int32)
        return CrownWalls(crown, Surface.build(crown.mesh.submesh(index)[0]), is_outer)

    def wall_mm(self, points: Float64Array) -> Float64Array:
        """Return the distance (n,) of points (n, 3) to the inner surface; NaN if there is none."""
        if self.inner is None:
            return np.full(len(points), np.nan)
        return self.inner.closest(points).unsigned_mm

    def ray_mm(self, points: Float64Array, directions: Float64Array) -> Float64Array:
        """Return the way (n,) from places of the crown along unit directions to its far side.

        NaN where the ray leaves without meeting the crown, and where walls are not known.
        """
        if not self.is_known:
            return np.full(len(points), np.nan)
        length = np.empty(len(points))
        w = self.whole
        first_hits(
            len(points),
            np.ascontiguousarray(points + START_MM * directions),
            np.ascontiguousarray(directions),
            START_MM,
            w.boxes,
            w.links,
            w.corners,
            length,
        )
        return np.where(np.isfinite(length), length + START_MM, np.nan)

    def thickness_mm(self) -> Float64Array:
        """Return the wall thickness (V,) of the crown as given; NaN on the inner surface.

        Along the inward normal for a solid crown.
        """
        vertices = self.whole.mesh.vertices
        if self.inner is None:
            return self.ray_mm(vertices, -self.whole.vertex_normals)
        return np.where(self.is_outer, self.wall_mm(vertices), np.nan)

    def thin_places(self, least_mm: float) -> tuple[Int64Array, Float64Array]:
        """Return the outer vertices (k,) under which the wall is thinner, and the walls there (k,).

        Where the nearest inner place lies on the border of the inner surface, or looks aside as a
        rim does, the margin is meant, where a crown runs out as it should: not counted. None
        without an inner surface.
        """
        if self.inner is None:
            return np.empty(0, dtype=np.int64), np.empty(0)
        vertex = np.flatnonzero(self.is_outer)
        found = self.inner.closest(self.whole.mesh.vertices[vertex])
        facing = np.einsum("ij,ij->i", self.whole.vertex_normals[vertex], found.normals)
        thin = ~found.is_boundary & (facing < MOST_ASIDE) & (found.unsigned_mm < least_mm)
        return vertex[thin], found.unsigned_mm[thin]

    def most_removal_mm(
        self,
        points: Float64Array,
        directions: Float64Array,
        wanted_mm: Float64Array,
        least_mm: float,
    ) -> Float64Array:
        """Return the depth (n,), at most `wanted_mm`, that leaves the wall `least_mm` thick.

        Safe steps along the directions: each is as long as the wall is thicker than its minimum,
        so the wall is at least that thick all the way. 0 where it is too thin before any cut.
        """
        if self.inner is None:
            way = self.ray_mm(points, directions)
            return np.clip(np.where(np.isnan(way), np.inf, way - least_mm), 0.0, wanted_mm)
        depth = np.zeros(len(points))
        active = np.flatnonzero(wanted_mm > 0)
        for _ in range(200):
            if len(active) == 0:
                break
            here = points[active] + depth[active, None] * directions[active]
            room = self.wall_mm(here) - least_mm
            step = np.maximum(room, 0.0)
            depth[active] = np.minimum(depth[active] + step, wanted_mm[active])
            active = active[(room > 5e-5) & (depth[active] < wanted_mm[active])]
        return depth


def hold_facets(
    walls: CrownWalls,
    removal: Removal,
    depth_mm: Float64Array,
    least_mm: float,
) -> Float64Array:
    """Return depths (V,), none larger than given, at which facets too keep the least wall.

    Between corners that keep it a flat facet may pass nearer to a rounded inner surface. Where the
    wall was thinner before, it is not made thinner still.

    Over a flat facet the distance to what is no nearer than w bends by at most 1 / w (to a point;
    less to an edge or a face), so a grid with sides of h hides at most (h / sqrt(3))^2 / (2 w):
    that much more is asked of its places, and a little to spare where an inner surface has edges.
    A facet that had not so much everywhere is not made thinner anywhere.
    """
    depth = depth_mm.copy()
    if walls.inner is None:
        return depth
    active = removal.touching(depth > 0)
    before = facet_walls(walls, removal.vertices[removal.faces[active]])
    corners = removal.vertices[removal.faces[active]]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    hidden_mm = (sides.max(axis=1) / GRID_STEPS) ** 2 / (6.0 * least_mm) + SPARE_MM
    enough = (least_mm + hidden_mm)[:, None]
    is_thick = (before >= enough).all(axis=1, keepdims=True)
    wanted = np.where(is_thick, enough, before)
    for _ in range(ROUNDS):
        if len(active) == 0:
            break
        now = facet_walls(walls, removal.moved(depth)[removal.faces[active]])
        missing = np.max(wanted - now, axis=1)
        thin = missing > 1e-7
        if not thin.any():
            break
        back = np.zeros(len(depth))
        corner = removal.faces[active[thin]]
        np.maximum.at(back, corner.ravel(), np.repeat(missing[thin] + 1e-7, 3))
        depth = np.maximum(depth - back, 0.0)
    return depth


def facet_walls(walls: CrownWalls, corners: Float64Array) -> Float64Array:
    """Return the wall (n, k) at places of facets (n, 3, 3), corners left out."""
    places = np.einsum("kc,ncx->nkx", GRID, corners)
    return walls.wall_mm(places.reshape(-1, 3)).reshape(len(corners), len(GRID))


def view_directions(occlusal: Float64Array) -> Float64Array:
    """Return unit vectors (k, 3) of views from the occlusal side, straight down to nearly level."""
    up = unit_vector(occlusal, "occlusal")
    aside = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    aside /= np.linalg.norm(aside)
    across = np.cross(up, aside)
    views = [up]
    for elevation, count in ((60.0, 6), (35.0, 10), (LOWEST_VIEW_DEG, 16)):
        e = np.radians(elevation)
        for a in 2 * np.pi * np.arange(count) / count:
            flat = np.cos(a) * aside + np.sin(a) * across
            views.append(np.sin(e) * up + np.cos(e) * flat)
    return np.array(views)


def inner_faces(crown: Surface, occlusal: Float64Array) -> BoolArray:
    """Return which faces (F,) no view from the occlusal side reaches.

    Single faces that disagree with all their neighbours are given to them.
    """
    mesh = crown.mesh
    centre = mesh.vertices[mesh.faces].mean(axis=1)
    free = np.empty(len(mesh.faces), dtype=np.bool_)
    escapes(
        len(free),
        centre + START_MM * crown.face_normals,
        crown.face_normals,
        view_directions(occlusal),
        START_MM,
        crown.boxes,
        crown.links,
        crown.corners,
        free,
    )
    inner = ~free
    for _ in range(3):
        beside = np.where(crown.neighbours >= 0, inner[crown.neighbours], inner[:, None])
        votes = beside.sum(axis=1)
        inner = np.where(votes == 3, True, np.where(votes == 0, False, inner))
    return inner
