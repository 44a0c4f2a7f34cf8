"""A low crown raised: a map of heights along the tooth, as one piece or cusp by cusp.

No vertex is raised farther than it keeps the wanted gap to in every movement, so the map gives the
contact that is missing in closing without making a high spot; where a movement stands in the way,
what stays missing is told. The map is nowhere steeper than a set slope along the surface, fades out
over the cusp's own slopes up to the relief's watershed and down the walls, and is 0 on the inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra

from occlusim.arrays import BoolArray, Float64Array, Int64Array, unit_vector
from occlusim.crown.clearance import (
    CrownPath,
    Opposing,
    PathTable,
    surface_of,
    swept_clearance,
    tabulate,
)
from occlusim.crown.deepening import Removal, deepen_facets, vertex_depths
from occlusim.crown.integrity import damaged_faces
from occlusim.crown.opposing import deepen_against
from occlusim.crown.spots import CENTRIC, edge_graph, rings
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh

MOST_ROUNDS = 8
LIFT_MM = 1e-6
REACHED_MM = 1e-4
NEAR_LIMIT_MM = 0.002
LESS_MM = 0.001


@dataclass(frozen=True, slots=True)
class RaiseSettings:
    """How a crown is raised; lengths in mm.

    Attributes
    ----------
    most_mm : float
        No place is raised by more: beyond that a crown is better designed anew (our choice).
    steepest : float
        Most change of the raise over a way along the surface, so that slopes turn by 11 degrees
        at most (our choice).
    wall_mm : float
        Way down the walls beside the biting surface over which a raise fades (our choice).
    tolerance_mm : float
        Less is not missing.
    accepted_mm : float
        Least of gap minus wanted gap that facets may keep.
    """

    most_mm: float = 0.5
    steepest: float = 0.2
    wall_mm: float = 1.5
    tolerance_mm: float = 0.010
    accepted_mm: float = -0.0005

    def __post_init__(self) -> None:
        if not (self.most_mm > 0 and self.steepest > 0 and self.wall_mm > 0):
            raise InputError("raise: most_mm, steepest and wall_mm must be above 0")


@dataclass(frozen=True, slots=True)
class PlaceRaise:
    """What a cusp, or a whole biting surface, lacks and gets.

    Attributes
    ----------
    name : str
        The cusp; empty for the whole surface.
    missing_mm : float
        Least of gap minus wanted gap in closure over its vertices, or the search's end.
    wanted_mm : float
        Raise after which some place of it would touch as wanted if closing alone counted; NaN
        where none within the limit does.
    raise_mm : float
        Largest raise proposed there.
    place : (3,), mm
        Where the contact is to be: the vertex raised to it, or else the first to touch.
    limited_by : str
        The movement that keeps the place from its contact; empty where nothing does.
    still_missing_mm : float
        Of the contact, at the vertices once raised.
    """

    name: str
    missing_mm: float
    wanted_mm: float
    raise_mm: float
    place: Float64Array
    limited_by: str
    still_missing_mm: float


@dataclass(frozen=True, slots=True)
class RaiseMap:
    """A raise (V,), mm, the crown raised by it, its places, and why it could not be made, if so.

    Vertices of raise 0 keep every bit.
    """

    raise_mm: Float64Array
    raised: TriangleMesh
    places: tuple[PlaceRaise, ...]
    reason: str = ""

    @property
    def reaches(self) -> bool:
        """Whether something is raised and no place lacks its contact any more."""
        return bool(self.raise_mm.any()) and not any(p.limited_by for p in self.places)

    @property
    def helps(self) -> bool:
        """Whether some place lacks less for it, by more than a micrometre."""
        return any(p.still_missing_mm < p.missing_mm - LESS_MM for p in self.places)


@dataclass(frozen=True, slots=True)
class RaisePlan:
    """What a low crown lacks in closure, mm, and the maps that would give it.

    by_cusp is None where no functional cusp lacks anything, or none is known.
    """

    missing_mm: float
    uniform: RaiseMap
    by_cusp: RaiseMap | None


def plan_raise(
    crown: TriangleMesh,
    antagonist: Opposing,
    paths: Sequence[CrownPath],
    occlusal: Float64Array,
    biting: Int64Array,
    is_outer: BoolArray,
    cusps: Mapping[str, Int64Array],
    settings: RaiseSettings | None = None,
) -> RaisePlan | None:
    """Return the raise of a crown that misses its contact in closure; None where it does not.

    Parameters
    ----------
    crown : TriangleMesh
        In its own coordinates, normals out of the material.
    antagonist : Surface or GapField
    paths : sequence of CrownPath
        One is named `centric` and has one knot; the raise keeps the wanted gap in all of them.
    occlusal : (3,)
        Direction of the raise.
    biting : (k,)
        Vertices of the biting surface.
    is_outer : (V,)
        Only these may move.
    cusps
        By name, the vertices of the slopes of each cusp that should meet its antagonist.
    settings : RaiseSettings

    Raises
    ------
    InputError
        If no path is the closure, or nothing of the biting surface is given.
    """
    rule = settings or RaiseSettings()
    closure = [path for path in paths if path.name == CENTRIC]
    if len(closure) != 1 or len(closure[0].parameter_mm) != 1 or len(biting) == 0:
        raise InputError("raise: a closure of one pose and a biting surface are wanted")
    builder = _Builder(
        crown,
        antagonist,
        tabulate(paths, crown.vertices),
        tabulate(closure, crown.vertices),
        unit_vector(occlusal, "occlusal"),
        edge_graph(crown),
        is_outer,
        biting,
        rule,
    )
    missing_mm = float(builder.missing(biting).min())
    if missing_mm <= rule.tolerance_mm:
        return None
    allowed = builder.allowances()
    lacking = {
        name: vertex
        for name, vertex in cusps.items()
        if builder.missing(vertex).min() > rule.tolerance_mm
    }
    by_cusp = builder.by_cusp(lacking, allowed) if lacking else None
    return RaisePlan(missing_mm, builder.uniform(allowed), by_cusp)


@dataclass(frozen=True, slots=True)
class _Allowed:
    """How far every vertex (V,) may be raised, mm: in closure alone, and in all movements."""

    closing_mm: Float64Array
    all_mm: Float64Array


@dataclass(frozen=True, slots=True)
class _Region:
    """Vertices (V,) that one raise may move, and where it is to touch: a vertex, or none."""

    name: str
    slopes: Int64Array
    member: BoolArray


@dataclass(frozen=True, slots=True)
class _Builder:
    """A crown in front of its antagonist, ready to be raised."""

    crown: TriangleMesh
    antagonist: Opposing
    table: PathTable
    closure: PathTable
    up: Float64Array
    graph: csr_matrix
    is_outer: BoolArray
    biting: Int64Array
    rule: RaiseSettings

    def missing(self, vertex: Int64Array, raise_mm: Float64Array | None = None) -> Float64Array:
        """Return gap minus wanted gap in closure (k,), mm, of some vertices, raised or not."""
        points = self.crown.vertices[vertex]
        if raise_mm is not None:
            points = points + raise_mm[vertex, None] * self.up
        limit_mm = 4.0 * self.rule.most_mm
        return swept_clearance(points, self.antagonist, self.closure, limit_mm).least_mm

    def allowances(self) -> _Allowed:
        """Return how far every vertex of the biting surface and the walls beside it may rise."""
        near = self._ring(np.full(len(self.biting), 0), self.biting) >= 0
        vertex = np.flatnonzero(near)
        points = self.crown.vertices[vertex] + self.rule.most_mm * self.up
        found = []
        for table in (self.closure, self.table):
            depth, settled = vertex_depths(
                points,
                np.tile(-self.up, (len(points), 1)),
                self.antagonist,
                table,
                0.0,
                self.rule.most_mm,
            )
            allowed = np.zeros(len(self.crown.vertices))
            allowed[vertex] = np.where(settled, np.maximum(self.rule.most_mm - depth, 0.0), 0.0)
            found.append(allowed)
        return _Allowed(*found)

    def _ring(self, label: Int64Array, vertex: Int64Array) -> Int64Array:
        """Return labels (V,) of vertices (k,), spread over the outer walls beside them; else -1."""
        whole = np.full(len(self.crown.vertices), -1, dtype=np.int32)
        whole[vertex] = label
        whole[~self.is_outer] = -1
        owner, _ = rings(self.graph, whole, self.rule.wall_mm)
        return np.where(self.is_outer, owner, -1).astype(np.int64)

    def uniform(self, allowed: _Allowed) -> RaiseMap:
        """Return the raise of the whole biting surface by what brings its first place to touch."""
        member = self._ring(np.zeros(len(self.biting), dtype=np.int64), self.biting) >= 0
        region = _Region("", self.biting, member)
        first = int(self.biting[np.argmin(allowed.closing_mm[self.biting])])
        height_mm = float(allowed.closing_mm[first])
        if height_mm >= self.rule.most_mm:
            return self._nothing([region], self._no_room(allowed, self.biting), allowed)
        is_biting = np.zeros(len(member), dtype=np.bool_)
        is_biting[self.biting] = True
        way = dijkstra(self.graph, indices=np.flatnonzero(is_biting), min_only=True)
        whole = height_mm * _smooth(1.0 - np.minimum(way / self.rule.wall_mm, 1.0))
        whole[~member] = 0.0
        return self._made([(region, first, whole)], allowed)

    def by_cusp(self, cusps: Mapping[str, Int64Array], allowed: _Allowed) -> RaiseMap:
        """Return the raise of every cusp for itself, up to the watershed between them."""
        names = list(cusps)
        vertex = np.concatenate([cusps[name] for name in names])
        label = np.repeat(np.arange(len(names)), [len(cusps[name]) for name in names])
        everywhere = np.setdiff1d(self.biting, vertex)
        # What belongs to no raised cusp keeps the ring beside it too.
        owner = self._ring(
            np.concatenate([label, np.full(len(everywhere), len(names))]),
            np.concatenate([vertex, everywhere]),
        )
        parts = []
        for k, name in enumerate(names):
            region = _Region(name, cusps[name], owner == k)
            contact, shape = self._cusp_shape(region, allowed)
            parts.append((region, contact, shape))
        if not any(shape.any() for _, _, shape in parts):
            regions = [region for region, _, _ in parts]
            return self._nothing(regions, self._no_room(allowed, vertex), allowed)
        return self._made(parts, allowed)

    def _cusp_shape(self, region: _Region, allowed: _Allowed) -> tuple[int, Float64Array]:
        """Return where a cusp is to touch, and its raise (V,) fading to its border.

        Of the vertices that closing alone keeps from rising the lowest raise is taken; where there
        is none, that which lacks least once it is raised as far as it may.
        """
        gentle = self._gentle(region, allowed.all_mm)
        closing = allowed.closing_mm
        slopes = region.slopes[region.member[region.slopes]]
        short = closing[slopes] - gentle[slopes]
        can = closing[slopes] < self.rule.most_mm - REACHED_MM
        reached = slopes[can & (short < REACHED_MM)]
        if len(reached):
            contact = int(reached[np.argmin(closing[reached])])
        elif can.any():
            contact = int(slopes[can][np.argmin(short[can])])
        else:
            return int(slopes[0]), np.zeros(len(gentle))
        border = dijkstra(self.graph, indices=np.flatnonzero(~region.member), min_only=True)
        away = dijkstra(self.graph, indices=contact)
        share = np.where(region.member, border / np.maximum(border + away, 1e-12), 0.0)
        # Where the border is near, a cone as steep as allowed keeps the place up.
        height_mm = float(gentle[contact])
        cone = np.where(region.member, height_mm - self.rule.steepest * away, 0.0)
        return contact, np.maximum(height_mm * _smooth(share), cone)

    def _gentle(self, region: _Region, most_mm: Float64Array) -> Float64Array:
        """Return the largest raise (V,) under a limit that is nowhere steeper than allowed."""
        limit = np.where(region.member, most_mm, 0.0)
        n = len(limit)
        # One more node stands before all: the way to it is a vertex' own limit, plus 1 as no edge
        # may have the length 0.
        before = coo_matrix((limit / self.rule.steepest + 1.0, (np.full(n, n), np.arange(n))))
        before.resize(n + 1, n + 1)
        inside = self.graph.copy()
        inside.resize(n + 1, n + 1)
        way = dijkstra((inside + before.tocsr()).tocsr(), indices=n)
        return np.minimum(self.rule.steepest * (way[:n] - 1.0), limit)

    def _made(
        self, parts: Sequence[tuple[_Region, int, Float64Array]], allowed: _Allowed
    ) -> RaiseMap:
        """Return the map of some raises, none beyond what is allowed and none that folds."""
        free = allowed.all_mm.copy()
        for _ in range(MOST_ROUNDS):
            height = np.zeros(len(free))
            for region, _, shape in parts:
                height = np.maximum(height, self._gentle(region, np.minimum(shape, free)))
            height = self._whole_facets(np.where(height > LIFT_MM, height, 0.0))
            vertices = self._moved(height)
            bad = damaged_faces(self.crown, vertices, height > 0)
            if len(bad) == 0:
                break
            free[self.crown.faces[bad]] = 0.0
        else:
            reason = "the raised surface would fold or pinch"
            return self._nothing([region for region, _, _ in parts], reason, allowed)
        if not (height > 0).any():
            regions = [region for region, _, _ in parts]
            return self._nothing(regions, self._no_room(allowed, self.biting), allowed)
        places = tuple(self._place(*part[:2], height, allowed) for part in parts)
        return RaiseMap(height, self.crown.with_vertices(vertices), places)

    def _moved(self, height: Float64Array) -> Float64Array:
        vertices = self.crown.vertices.copy()
        up = height > 0
        vertices[up] += height[up, None] * self.up
        return vertices

    def _whole_facets(self, height: Float64Array) -> Float64Array:
        """Return heights (V,) lowered until whole facets of both sides keep the wanted gap.

        It is a cut of the raised crown: nothing goes deeper than where it came from.
        """
        is_up = height > 0
        if not is_up.any():
            return height
        above = np.where(is_up, height + LIFT_MM, 0.0)
        removal = Removal(
            self._moved(above),
            self.crown.faces,
            np.tile(-self.up, (len(height), 1)),
            is_up,
            above,
        )
        depth = np.where(is_up, LIFT_MM, 0.0)
        accepted = self.rule.accepted_mm
        depth, _ = deepen_facets(removal, depth, self.antagonist, self.table, accepted)
        opposing = surface_of(self.antagonist)
        depth, _ = deepen_against(removal, depth, opposing, self.table, accepted)
        lowered = np.where(depth > 1.5 * LIFT_MM, above - depth, height)
        return np.where(lowered > LIFT_MM, lowered, 0.0)

    def _place(
        self, region: _Region, contact: int, height: Float64Array, allowed: _Allowed
    ) -> PlaceRaise:
        """Return what a region lacks and gets from a map (V,)."""
        before = self.missing(region.slopes)
        left = float(self.missing(region.slopes, height).min())
        closing = allowed.closing_mm[region.slopes]
        wanted = float(closing.min())
        limit = ""
        if left > self.rule.tolerance_mm:
            contact = int(region.slopes[np.argmin(closing)])
            limit = self._limiting(contact, allowed)
        return PlaceRaise(
            region.name,
            float(before.min()),
            wanted if wanted < self.rule.most_mm - REACHED_MM else float("nan"),
            float(height[region.slopes].max()),
            self.crown.vertices[contact].copy(),
            limit,
            max(left, 0.0),
        )

    def _limiting(self, contact: int, allowed: _Allowed) -> str:
        """Return the movement that keeps a vertex from rising; else what else does, in a word."""
        if allowed.closing_mm[contact] - allowed.all_mm[contact] < REACHED_MM:
            return "slope"
        point = self.crown.vertices[contact] + allowed.all_mm[contact] * self.up
        found = swept_clearance(point[None], self.antagonist, self.table, NEAR_LIMIT_MM)
        at = int(found.movement[0])
        return self.table.names[at] if at >= 0 else "slope"

    def _no_room(self, allowed: _Allowed, vertex: Int64Array) -> str:
        """Return why nothing is raised, in words."""
        if (allowed.closing_mm[vertex] < self.rule.most_mm - REACHED_MM).any():
            return "a movement leaves no room for any raise"
        return f"a raise of {self.rule.most_mm:g} mm would not give the contact"

    def _nothing(self, regions: Sequence[_Region], reason: str, allowed: _Allowed) -> RaiseMap:
        """Return the map that raises nothing, with the reason."""
        height = np.zeros(len(self.crown.vertices))
        places = tuple(self._place(r, int(r.slopes[0]), height, allowed) for r in regions)
        return RaiseMap(height, self.crown, places, reason)


def _smooth(share: Float64Array) -> Float64Array:
    """Return 0 to 1 with level ends."""
    u = np.clip(share, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u)
