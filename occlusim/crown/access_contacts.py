"""What presses on the opening of a screw channel and on its rim, and what comes off there.

Contacts are known by face: area and, under a load, force. A face that the opening's edge cuts
counts by the share of it that lies inside, as if what presses were spread over it evenly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, any_corner
from occlusim.crown.access import RIM_MM, Opening
from occlusim.crown.channel import Channel
from occlusim.crown.clearance import Opposing, PathTable, SweptClearance, swept_clearance
from occlusim.crown.spots import Spot, clipped_integrals
from occlusim.geometry.mesh import TriangleMesh

LIMIT_MM = 0.03
"""Gaps are looked at up to this, so that the line of no gap is found between vertices."""

GRID = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4.0


@dataclass(frozen=True, slots=True)
class Pressed:
    """A contact on a crown: area (F,), mm2, and force (F,), N, of every face; None: not known."""

    name: str
    area_mm2: Float64Array
    load_N: Float64Array | None

    def on(self, face_origin: Int64Array, n_faces: int) -> Pressed:
        """Return the contact on the n faces that its own faces (F,) lie on."""
        area, load = np.zeros(n_faces), None
        np.add.at(area, face_origin, self.area_mm2)
        if self.load_N is not None:
            load = np.zeros(n_faces)
            np.add.at(load, face_origin, self.load_N)
        return Pressed(self.name, area, load)


@dataclass(frozen=True, slots=True)
class Falling:
    """What of something falls inside an opening and inside its rim; None where not known."""

    opening: float | None
    rim: float | None


def falling(opening: Opening, on_faces: Float64Array | None) -> Falling:
    """Return what of a quantity on faces (F,) falls inside an opening and its rim."""
    if on_faces is None:
        return Falling(None, None)
    return Falling(float(opening.in_opening @ on_faces), float(opening.in_rim @ on_faces))


@dataclass(frozen=True, slots=True)
class SpotFalling:
    """A spot in and around an opening: area in violation, mm2, and deepest cut, mm, there."""

    id: int
    area_mm2: Falling
    depth_mm: Falling


def spots_falling(
    mesh: TriangleMesh,
    channel: Channel,
    opening: Opening,
    spots: Sequence[Spot],
    clearance_mm: Float64Array,
    depth_mm: Float64Array,
) -> list[SpotFalling]:
    """Return what of every spot falls inside an opening and its rim.

    Parameters
    ----------
    mesh
        The crown as given.
    clearance_mm, depth_mm : (V,)
        Least of gap minus wanted gap, and what is taken off.

    Notes
    -----
    Depths are read at the corners and at a grid of a quarter on every face, linear between.
    """
    found = []
    for spot in spots:
        own = np.zeros(len(mesh.vertices), dtype=np.bool_)
        own[spot.vertices] = True
        face = np.flatnonzero(any_corner(own, mesh.faces))
        corner = mesh.faces[face]
        high = np.where(own[corner], -clearance_mm[corner], np.minimum(-clearance_mm[corner], 0.0))
        area = np.zeros(len(mesh.faces))
        area[face] = clipped_integrals(mesh.vertices[corner], high)[0]
        own[spot.ring] = True
        deepest = _deepest(
            mesh, channel, opening, any_corner(own, mesh.faces).nonzero()[0], depth_mm
        )
        found.append(SpotFalling(spot.id, falling(opening, area), deepest))
    return found


def _deepest(
    mesh: TriangleMesh,
    channel: Channel,
    opening: Opening,
    face: Int64Array,
    depth_mm: Float64Array,
) -> Falling:
    """Return the deepest cut (mm) on some faces inside an opening and inside its rim."""
    met = face[(opening.in_opening[face] > 0) | (opening.in_rim[face] > 0)]
    corner = mesh.faces[met]
    places = np.einsum("kc,ncx->nkx", GRID, mesh.vertices[corner])
    depth = depth_mm[corner] @ GRID.T
    flat = channel.seen(places)[0]
    radial = np.hypot(flat[..., 0], flat[..., 1])
    inside = radial <= channel.radius_mm
    around = ~inside & (radial <= channel.radius_mm + RIM_MM)
    return Falling(float(depth[inside].max(initial=0.0)), float(depth[around].max(initial=0.0)))


def beyond(table: PathTable, from_mm: float) -> PathTable | None:
    """Return the parts of a table's movements from a parameter on, with no gap wanted; or None.

    `centric` and movements that end before are left out.
    """
    rows = [
        (name, np.arange(first, last)[np.abs(table.parameter_mm[first:last]) >= from_mm])
        for name, first, last in zip(table.names, table.start[:-1], table.start[1:], strict=True)
    ]
    rows = [(name, row) for name, row in rows if len(row) and name != "centric"]
    if not rows:
        return None
    row = np.concatenate([own for _, own in rows])
    return PathTable(
        tuple(name for name, _ in rows),
        np.cumsum([0, *(len(own) for _, own in rows)]).astype(np.int64),
        np.ascontiguousarray(table.parameter_mm[row]),
        np.zeros(len(row)),
        np.ascontiguousarray(table.rotations[row]),
        np.ascontiguousarray(table.translations[row]),
    )


def clear_vertices(swept: SweptClearance, table: PathTable, from_mm: float) -> BoolArray:
    """Return which vertices (V,) keep further than the limit from a parameter on.

    `swept` holds the clearances on the table: gap less wanted gap, so that a gap is at least that
    and the least wanted gap of those rows.
    """
    clear = np.ones(len(swept.value_mm), dtype=np.bool_)
    for k, (first, last) in enumerate(zip(table.start[:-1], table.start[1:], strict=True)):
        own = np.abs(table.parameter_mm[first:last]) >= from_mm
        if table.names[k] != "centric" and own.any():
            least = table.wanted_mm[first:last][own].min()
            clear &= swept.value_mm[:, k] + least > LIMIT_MM
    return clear


def least_gaps(
    vertices: Float64Array,
    antagonist: Opposing,
    table: PathTable,
    asked: BoolArray,
    known_mm: Float64Array | None = None,
) -> Float64Array:
    """Return the least gap of vertices in each of a table's movements, (V, M), mm, up to a limit.

    Vertices that are not `asked` (V,) keep what is known, or the limit.
    """
    found = np.full((len(vertices), len(table.names)), LIMIT_MM)
    if known_mm is not None:
        found = known_mm.copy()
    vertex = np.flatnonzero(asked)
    found[vertex] = swept_clearance(vertices[vertex], antagonist, table, LIMIT_MM).value_mm
    return found


def pressed_in_movements(
    mesh: TriangleMesh, names: Sequence[str], least_mm: Float64Array
) -> list[Pressed]:
    """Return where a crown meets its antagonist in movements, by their names.

    A place counts where its least gap (V, M), mm, is below 0; no force is known.
    """
    meets = np.asarray((least_mm < 0).any(axis=1), dtype=np.bool_)
    face = np.flatnonzero(any_corner(meets, mesh.faces))
    corner = mesh.faces[face]
    found = []
    for k, name in enumerate(names):
        area = np.zeros(len(mesh.faces))
        area[face] = clipped_integrals(mesh.vertices[corner], -least_mm[corner, k])[0]
        found.append(Pressed(name, area, None))
    return found
