"""The numbers of each spot: area, volume, place, movement, what is left of the wall."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, Int64Array, any_corner
from occlusim.crown.clearance import Opposing, SweptClearance, swept_facet_clearance
from occlusim.crown.deepening import Cut
from occlusim.crown.location import CrownOrientation, CrownRelief
from occlusim.crown.path import PathTable
from occlusim.crown.spot_volumes import spot_volumes
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

    def thickness_after(self, depth_mm: Float64Array, directions: Float64Array) -> Float64Array:
        """Return the wall thickness (V,) left where vertices were cut (V,) along directions."""
        after = self.before_mm.copy()
        cut = np.flatnonzero(depth_mm > 0)
        if self.walls is None or len(cut) == 0:
            return after
        place = self.surface.mesh.vertices[cut] + depth_mm[cut, None] * directions[cut]
        if self.walls.inner is None:
            after[cut] = self.walls.ray_mm(place, directions[cut])
        else:
            after[cut] = self.walls.wall_mm(place)
        return after


@dataclass(frozen=True, slots=True)
class SpotMap:
    """Which spot is where, on what was cut (V) and on the adjusted crown (V', F').

    Attributes
    ----------
    label, owner : (V,)
        Spot in violation, and rings included; the input's vertices come first.
    height_mm : (V,)
    after_owner : (V',)
    residual_mm : (F',)
        Least of gap minus wanted gap over each face that may have moved.
    depth_mm : (V,)
        Taken off.
    blocked : dict
        Why a spot was not cut, by label.
    """

    label: Int32Array
    owner: Int32Array
    height_mm: Float64Array
    after_owner: Int32Array
    residual_mm: Float64Array
    depth_mm: Float64Array
    blocked: dict[int, str]

    def on_input(self, n_vertices: int) -> SpotMap:
        """Return the map with what was cut narrowed to the input's vertices."""
        return replace(
            self,
            label=self.label[:n_vertices],
            owner=self.owner[:n_vertices],
            height_mm=self.height_mm[:n_vertices],
            depth_mm=self.depth_mm[:n_vertices],
        )


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
    here = spot_map.on_input(len(mesh.vertices))
    removal = here.depth_mm[:, None] * cut.removal.directions[: len(mesh.vertices)]
    volumes = spot_volumes(mesh, adjusted, here.owner, here.after_owner, removal, n_spots)
    spots = [
        _measure(k, facts, adjusted, swept, table, spot_map, cut, after_mm, relief, volumes[k])
        for k in range(n_spots)
    ]
    spots.sort(key=lambda spot: (-spot.depth_mm, int(spot.vertices[0])))
    return tuple(replace(spot, id=i + 1) for i, spot in enumerate(spots))


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
    volume_mm3: float,
) -> Spot:
    mesh = facts.surface.mesh
    here = spot_map.on_input(len(mesh.vertices))
    core = np.flatnonzero(here.label == index)
    own = here.owner == index
    every = spot_map.owner == index
    area, centroid = _area_and_place(mesh, swept, here, index)
    worst = int(core[np.argmax(cut.wanted_mm[core])])
    by_movement = np.maximum(-swept.value_mm[core].min(axis=0), 0.0)
    normal_depth = _worst_place(mesh, core, facts.antagonist, swept, table, here.height_mm)
    short = float(np.max(cut.wanted_mm[every] - spot_map.depth_mm[every]))
    reachable = every & ~cut.hidden
    wall_mm = float(np.max(cut.wanted_mm - spot_map.depth_mm, where=reachable, initial=0.0))
    if index in spot_map.blocked or wall_mm <= SHORT_MM:
        wall_mm = 0.0
    reasons = _reasons(index, wall_mm, spot_map, adjusted, cut)
    depth = float(cut.wanted_mm[spot_map.label == index].max())
    if reasons:
        # A place that no vertex's own cut clears may ask for none: it is as high as it was found.
        depth = max(depth, normal_depth)
        left = _still_open(index, spot_map, adjusted)
        short = max(short, normal_depth if index in spot_map.blocked else left)
    touched = own & (here.depth_mm > 0)
    left = after_mm[touched] if touched.any() else after_mm[core]
    return Spot(
        id=0,
        movement=_movement(swept.value_mm[core], table.names),
        depth_mm=depth,
        normal_depth_mm=normal_depth,
        area_mm2=area,
        volume_mm3=float(volume_mm3),
        centroid=centroid,
        worst_point=mesh.vertices[worst].copy(),
        vertices=core,
        ring=np.flatnonzero(own & (here.label != index)),
        thickness_left_mm=float(np.nanmin(left)) if np.isfinite(left).any() else float("nan"),
        feasible=not reasons,
        shortfall_mm=short if short > SHORT_MM else 0.0,
        reasons=reasons,
        wall_shortfall_mm=wall_mm,
        tool_excess_mm=float(cut.excess_mm[every].max()),
        location=relief.describe(centroid, facts.surface.vertex_normals[worst]) if relief else "",
        depth_by_movement_mm=dict(zip(table.names, by_movement.tolist(), strict=True)),
    )


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


def _reasons(
    index: int, wall_mm: float, spot_map: SpotMap, adjusted: TriangleMesh, cut: Cut
) -> tuple[str, ...]:
    reasons = []
    own = spot_map.owner == index
    short = (cut.wanted_mm - spot_map.depth_mm)[own]
    hidden_mm = float(short[cut.hidden[own]].max(initial=0.0))
    stays_mm = float(cut.stays_mm[own].max())
    if index in spot_map.blocked:
        reasons.append(spot_map.blocked[index])
    elif wall_mm > 0:
        reasons.append(f"the wall would be thinner than its minimum by {1000 * wall_mm:.0f} um")
    if hidden_mm > SHORT_MM:
        reasons.append(
            "the cutter does not reach all of it along its axis (undercut): "
            f"{1000 * hidden_mm:.0f} um stay"
        )
    if stays_mm > SHORT_MM:
        reasons.append(
            f"the cutter is too round for it: {1000 * stays_mm:.0f} um would stay, or it would cut "
            "beside the spot"
        )
    if not cut.settled[spot_map.label == index].all():
        reasons.append("the deepest allowed cut does not clear it")
    if not reasons:
        face = np.flatnonzero(any_corner(spot_map.after_owner == index, adjusted.faces))
        residual = spot_map.residual_mm[face]
        if (residual < KEPT_MM).any():
            reasons.append(
                "a cut within the spot and its blend ring leaves "
                f"{-1000 * float(np.nanmin(residual)):.0f} um too little gap"
            )
    return tuple(reasons)


def _still_open(index: int, spot_map: SpotMap, adjusted: TriangleMesh) -> float:
    """Return how far the facets of a spot stay in violation, mm, as far as they were looked at."""
    residual = spot_map.residual_mm[any_corner(spot_map.after_owner == index, adjusted.faces)]
    return max(0.0, -float(np.nanmin(residual, initial=0.0)))
