"""The wall of a neighbour tooth that faces a crown, told apart from the gum below it.

Numbers of teeth on a scan run over the gum between them, and a crown's margin lies under the gum:
so what counts as the tooth is cut off where its wall ends. Above the height of contour (the most
prominent place of the wall, Glossary of Prosthodontic Terms) everything counts; below it only what
faces the crown and does not look up. The limits are our choice, made on invented arches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, unit_vector
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

REACH_MM = 4.0
FACES_CROWN = 0.3
IS_PROMINENT = 0.7
LOOKS_UP = 0.35
LEAST_WALL_MM2 = 0.5


@dataclass(frozen=True, slots=True)
class NeighbourWall:
    """The surface of a neighbour tooth beside a crown, in the frame of their scan.

    Parameters
    ----------
    mesh
        The wall, and what of the tooth lies above its height of contour, out to 4 mm from the
        crown. What is nearest to its edge is unknown.
    edge_points : (n, 3), mm
        Places beyond which more of the tooth may stand unseen: on the scan's own edge, or where
        the wall goes on under another tooth's number. Where gum begins is not one.
    toward : (3,), unit length
        From the neighbour to the crown, square to occlusal.
    """

    mesh: TriangleMesh
    edge_points: Float64Array
    toward: Float64Array


def neighbour_wall(
    arch: Surface,
    is_tooth: BoolArray,
    crown: TriangleMesh,
    occlusal: Float64Array,
    reach_mm: float = REACH_MM,
) -> NeighbourWall | None:
    """Return the wall of a tooth that faces a crown, or None where the scan shows none.

    Parameters
    ----------
    arch
        The scan that the crown stands in.
    is_tooth : (F,)
        The faces numbered as the neighbour, gum included.
    crown
        In the scan's frame.
    occlusal : (3,), unit length
        From the gum to the biting surface.
    reach_mm
        Farther from the box around the crown nothing is kept.

    Raises
    ------
    InputError
        If the mask has the wrong length or the direction has none.
    """
    up = unit_vector(occlusal, "occlusal")
    if is_tooth.shape != (len(arch.mesh.faces),):
        raise InputError(
            f"neighbour: a mask of {is_tooth.shape} given, ({len(arch.mesh.faces)},) wanted, one "
            "for each face of the arch"
        )
    own = np.flatnonzero(is_tooth)
    if len(own) == 0:
        return None
    centre = arch.mesh.vertices[arch.mesh.faces[own]].mean(axis=1)
    toward = crown.vertices.mean(axis=0) - centre.mean(axis=0)
    toward = unit_vector(toward - (toward @ up) * up, "from the neighbour to the crown")
    low, high = crown.vertices.min(axis=0) - reach_mm, crown.vertices.max(axis=0) + reach_mm
    near = ((centre > low) & (centre < high)).all(axis=1)
    own, centre = own[near], centre[near]
    facing, rising = arch.face_normals[own] @ toward, arch.face_normals[own] @ up
    wall = _largest(arch, own, facing > FACES_CROWN)
    prominent = wall & (facing > IS_PROMINENT)
    if arch.face_area_mm2[own[prominent]].sum() < LEAST_WALL_MM2:
        return None
    height = centre @ up
    contour = _height_of_contour(centre[prominent] @ toward, height[prominent])
    kept = (height >= contour) | (wall & (rising < LOOKS_UP))
    kept = _largest(arch, own, kept)
    face = own[kept].astype(np.int32)
    is_wall_like = (arch.face_normals @ toward > FACES_CROWN) & (arch.face_normals @ up < LOOKS_UP)
    edges = _edge_points(arch, face, is_wall_like & ~is_tooth)
    return NeighbourWall(arch.mesh.submesh(face)[0], edges, toward)


def _height_of_contour(prominence: Float64Array, height: Float64Array) -> float:
    """Return the height of the most prominent places: the middle of the foremost twentieth."""
    foremost = prominence >= np.percentile(prominence, 95)
    return float(np.median(height[foremost]))


def _largest(arch: Surface, own: Int64Array, chosen: BoolArray) -> BoolArray:
    """Return which of some faces `own` (n,) belong to the largest connected part of those chosen.

    By area; `chosen` (n,) marks the faces that may belong to it.
    """
    at = np.flatnonzero(chosen)
    found = np.zeros(len(own), dtype=bool)
    if len(at) == 0:
        return found
    row = np.full(len(arch.mesh.faces), -1)
    row[own[at]] = np.arange(len(at))
    across = arch.neighbours[own[at]]
    across = np.where(across >= 0, row[across], -1)
    one, k = np.nonzero(across >= 0)
    links = coo_array((np.ones(len(one)), (one, across[one, k])), shape=(len(at), len(at)))
    _, part = connected_components(links, directed=False)
    area = np.bincount(part, weights=arch.face_area_mm2[own[at]])
    found[at[part == int(np.argmax(area))]] = True
    return found


def _edge_points(arch: Surface, face: Int32Array, goes_on: BoolArray) -> Float64Array:
    """Return places (n, 3) on a wall's edge behind which more of the tooth may stand unseen.

    `goes_on` (F,) marks faces that look like more of the wall but are not numbered so.
    """
    across = arch.neighbours[face]
    doubtful = (across < 0) | goes_on[across]
    corners = arch.mesh.vertices[arch.mesh.faces[face]]
    middle = 0.5 * (corners + np.roll(corners, -1, axis=1))
    return np.stack([corners, middle], axis=2)[doubtful].reshape(-1, 3)
