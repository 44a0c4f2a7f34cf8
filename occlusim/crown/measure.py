"""The numbers of each spot: area, volume, place, movement, what is left of the wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner
from occlusim.crown.clearance import Opposing, SweptClearance, swept_facet_clearance
from occlusim.crown.deepening import Cut
from occlusim.crown.location import CrownOrientation, CrownRelief
from occlusim.crown.path import PathTable
from occlusim.crown.spots import CENTRIC, Spot, clipped_integrals
from occlusim.crown.thickness import CrownWalls
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

EXPLAINED_MM = 0.003
KEPT_MM = -0.001
SHORT_MM = 1e-5
MOST_FACETS = 60


@dataclass(frozen=True, slots=True)
class SpotFacts:
    """What is known of the input crown: surface, antagonist, walls, orientation, thickness (V,)."""

    surface: Surface
    antagonist: Opposing
    walls: CrownWalls | None
    orientation: CrownOrientation | None
    before_mm: Float64Array

    def thickness_after(
        self, adjusted: TriangleMesh, directions: Float64Array, depth_mm: Float64Array
    ) -> Float64Array:
        """Return the wall thickness (V,) of the adjusted crown."""
        after = self.before_mm.copy()
        cut = np.flatnonzero(depth_mm > 0)
        if self.walls is None or len(cut) == 0:
            return after
        if self.walls.inner is None:
            after[cut] = self.walls.ray_mm(adjusted.vertices[cut], directions[cut])
        else:
            after[cut] = self.walls.wall_mm(adjusted.vertices[cut])
        return after


@dataclass(frozen=True, slots=True)
class SpotMap:
    """Labels: spot (V,) in violation, owner (V,) rings included, facet height (V,), blocked."""

    label: Int32Array
    owner: Int32Array
    height_mm: Float64Array
    blocked: dict[int, str]


def measure_spots(
    facts: SpotFacts,
    adjusted: TriangleMesh,
    swept: SweptClearance,
    table: PathTable,
    spot_map: SpotMap,
    cut: Cut,
    after_mm: Float64Array,
) -> tuple[Spot, ...]:
    """Return every spot with its numbers, deepest first."""
    n_spots = int(spot_map.label.max()) + 1 if len(spot_map.label) else 0
    if n_spots == 0:
        return ()
    mesh = facts.surface.mesh
    relief = None
    if facts.orientation is not None:
        relief = CrownRelief(
            mesh.vertices, mesh.faces, facts.surface.vertex_normals, facts.orientation
        )
    spots = [
        _measure(k, facts, adjusted, swept, table, spot_map, cut, after_mm, relief)
        for k in range(n_spots)
    ]
    spots.sort(key=lambda spot: (-spot.depth_mm, int(spot.vertices[0])))
    return tuple(_numbered(spot, i + 1) for i, spot in enumerate(spots))


def _measure(  # noqa: PLR0913
    index: int,
    facts: SpotFacts,
    adjusted: TriangleMesh,
    swept: SweptClearance,
    table: PathTable,
    spot_map: SpotMap,
    cut: Cut,
    after_mm: Float64Array,
    relief: CrownRelief | None,
) -> Spot:
    mesh = facts.surface.mesh
    core = np.flatnonzero(spot_map.label == index)
    own = spot_map.owner == index
    ring = np.flatnonzero(own & (spot_map.label != index))
    area, centroid = _area_and_place(mesh, swept, spot_map, index)
    worst = int(core[np.argmax(cut.wanted_mm[core])])
    by_movement = np.maximum(-swept.value_mm[core].min(axis=0), 0.0)
    normal_depth = _worst_place(mesh, core, facts.antagonist, swept, table, spot_map.height_mm)
    short = float(np.max(cut.wanted_mm[own] - cut.depth_mm[own]))
    reasons = _reasons(index, own, short, core, mesh, cut, spot_map.blocked)
    depth = float(cut.wanted_mm[core].max())
    if reasons:
        # A place that no vertex's own cut clears may ask for none: it is as high as it was found.
        depth = max(depth, normal_depth)
        left = normal_depth if index in spot_map.blocked else _still_open(own, mesh, cut)
        short = max(short, left)
    touched = own & (cut.depth_mm > 0)
    left = after_mm[touched] if touched.any() else after_mm[core]
    return Spot(
        id=0,
        movement=_movement(swept.value_mm[core], table.names),
        depth_mm=depth,
        normal_depth_mm=normal_depth,
        area_mm2=area,
        volume_mm3=_volume(mesh, adjusted, touched, spot_map.owner, index),
        centroid=centroid,
        worst_point=mesh.vertices[worst].copy(),
        vertices=core,
        ring=ring,
        thickness_left_mm=float(np.nanmin(left)) if np.isfinite(left).any() else float("nan"),
        feasible=not reasons,
        shortfall_mm=short if short > SHORT_MM else 0.0,
        reasons=reasons,
        location=relief.describe(centroid, facts.surface.vertex_normals[worst]) if relief else "",
        depth_by_movement_mm=dict(zip(table.names, by_movement.tolist(), strict=True)),
    )


def _numbered(spot: Spot, number: int) -> Spot:
    values = {name: getattr(spot, name) for name in spot.__dataclass_fields__}
    return Spot(**{**values, "id": number})


def _area_and_place(
    mesh: TriangleMesh, swept: SweptClearance, spot_map: SpotMap, index: int
) -> tuple[float, Float64Array]:
    """Return area in violation and its centroid weighted by the violation."""
    own = spot_map.label == index
    face = np.flatnonzero(any_corner(own, mesh.faces))
    height = -swept.least_mm[mesh.faces[face]]
    other = (spot_map.label[mesh.faces[face]] >= 0) & ~own[mesh.faces[face]]
    height = np.where(other, np.minimum(height, 0.0), height)
    area, weight, moment = clipped_integrals(mesh.vertices[mesh.faces[face]], height)
    total = float(weight.sum())
    if total <= 0:
        core = np.flatnonzero(own)
        return 0.0, mesh.vertices[core].mean(axis=0)
    return float(area.sum()), moment.sum(axis=0) / total


def _worst_place(
    mesh: TriangleMesh,
    core: Int64Array,
    antagonist: Opposing,
    swept: SweptClearance,
    table: PathTable,
    height_mm: Float64Array,
) -> float:
    """Return the largest violation over whole facets, searched around the worst vertices."""
    worst = float(height_mm[core].max())
    top = np.zeros(len(mesh.vertices), dtype=bool)
    top[core[np.argsort(height_mm[core], kind="stable")[-12:]]] = True
    face = np.flatnonzero(any_corner(top, mesh.faces))[:MOST_FACETS]
    found = swept_facet_clearance(mesh.vertices[mesh.faces[face]], antagonist, table, -worst)
    return max(worst, float(-found.value_mm.min()), float(-swept.least_mm[core].min()))


def _movement(value_mm: Float64Array, names: tuple[str, ...]) -> str:
    """Return `centric` where the closure alone asks for as much, else the worst movement."""
    least = value_mm.min(axis=0)
    worst = int(np.argmin(least))
    if CENTRIC in names:
        centric = names.index(CENTRIC)
        if least[centric] < 0 and least[centric] - least[worst] <= EXPLAINED_MM:
            return CENTRIC
    return names[worst]


def _volume(
    before: TriangleMesh, after: TriangleMesh, own: BoolArray, owner: Int32Array, index: int
) -> float:
    """Return the volume between the surfaces before and after, mm3, of one spot.

    Divergence theorem over the faces that moved, about the spot, both surfaces closing on the
    same unmoved border. A face between two spots counts by its share of corners.
    """
    face = np.flatnonzero(any_corner(own, before.faces))
    if len(face) == 0:
        return 0.0
    origin = before.vertices[own].mean(axis=0)
    parts = []
    for mesh in (before, after):
        a, b, c = (mesh.vertices[mesh.faces[face, k]] - origin for k in range(3))
        parts.append(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)
    corner = owner[before.faces[face]]
    share = (corner == index).sum(axis=1) / np.maximum((corner >= 0).sum(axis=1), 1)
    return float(np.sum((parts[0] - parts[1]) * share))


def _reasons(
    index: int,
    own: BoolArray,
    short_mm: float,
    core: Int64Array,
    mesh: TriangleMesh,
    cut: Cut,
    blocked: dict[int, str],
) -> tuple[str, ...]:
    reasons = []
    if index in blocked:
        reasons.append(blocked[index])
    elif short_mm > SHORT_MM:
        reasons.append(f"the wall would be thinner than its minimum by {1000 * short_mm:.0f} um")
    if not cut.settled[core].all():
        reasons.append("the deepest allowed cut does not clear it")
    if not reasons:
        face = np.flatnonzero(any_corner(own, mesh.faces))
        residual = cut.residual_mm[face]
        if (residual < KEPT_MM).any():
            reasons.append(
                "a cut within the spot and its blend ring leaves "
                f"{-1000 * float(np.nanmin(residual)):.0f} um too little gap"
            )
    return tuple(reasons)


def _still_open(own: BoolArray, mesh: TriangleMesh, cut: Cut) -> float:
    """Return how far the facets of a spot stay in violation, mm, as far as they were looked at."""
    residual = cut.residual_mm[any_corner(own, mesh.faces)]
    return max(0.0, -float(np.nanmin(residual, initial=0.0)))
