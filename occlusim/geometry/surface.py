"""A mesh made ready for exact distances: tree, pseudonormals, areas, open features."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import (
    BoolArray,
    Float32Array,
    Float64Array,
    Int8Array,
    Int32Array,
    frozen,
    points_array,
)
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.topology import MeshTopology, mesh_topology
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels import closest as kernels
from occlusim.kernels import near as near_kernels
from occlusim.kernels.bvh import build_tree

LEAST_SORTED = 64


@dataclass(frozen=True, slots=True)
class Closest:
    """Nearest places of a surface, one per query point.

    Parameters
    ----------
    distance_mm : (n,)
        Signed, positive outside; NaN beyond the bound and where the nearest feature is open.
    unsigned_mm : (n,)
        NaN beyond the bound only.
    points : (n, 3), mm
        Nearest points, in the surface's frame; NaN beyond the bound.
    faces : (n,)
        Face that holds the nearest point, -1 beyond the bound.
    normals : (n, 3), unit length
        Pseudonormal of the nearest feature, in the surface's frame.
    feature : (n,)
        0 face; 1, 2, 3 edge 01, 12, 20; 4, 5, 6 vertex 0, 1, 2 of the face.
    is_boundary : (n,)
        The nearest feature cannot tell inside from outside: it lies on the scan's edge, or its
        faces contradict each other.
    """

    distance_mm: Float64Array
    unsigned_mm: Float64Array
    points: Float64Array
    faces: Int32Array
    normals: Float64Array
    feature: Int8Array
    is_boundary: BoolArray


@dataclass(frozen=True, slots=True)
class NearLists:
    """Which triangles can be nearest, cell by cell; see `occlusim.kernels.near`.

    Parameters
    ----------
    grid : (6,)
        Low corner of the first cell (3), mm; cell size, mm; one over it; and the distance up to
        which the lists hold, mm.
    block_index : (X, Y, Z)
        Row of `first` for each place of 8 cells a side, -1 where nothing is near.
    first : (B, 513), item : (n,)
        Where each cell's slots begin.
    flat : (m, 9)
        What is weighed of each slot, in float32.
    middle : (4,), mm
        Place from which `flat` counts (3), and what float32 may hide in a distance.
    """

    grid: Float64Array
    block_index: Int32Array
    first: Int32Array
    item: Int32Array
    flat: Float32Array
    middle: Float64Array

    @property
    def memory_bytes(self) -> int:
        """Bytes held."""
        return sum(a.nbytes for a in (*self.arrays, self.middle))

    @property
    def arrays(
        self,
    ) -> tuple[Float64Array, Int32Array, Int32Array, Int32Array, Float32Array]:
        """The arrays in the order that kernels take."""
        return (self.grid, self.block_index, self.first, self.item, self.flat)


@dataclass(frozen=True, slots=True)
class Surface:
    """A triangle mesh with everything that exact signed distances need; build it once.

    Parameters
    ----------
    mesh : TriangleMesh
    face_normals : (F, 3), unit length
        Of a face without area: lent by its neighbour.
    vertex_normals : (V, 3), unit length
        Angle-weighted pseudonormals; (0, 0, 1) for a vertex of no face.
    edge_normals : (F, 3, 3), unit length
        Pseudonormal of edge k, from corner k to k + 1.
    vertex_area_mm2, face_area_mm2 : (V,), (F,)
        A vertex owns a third of its faces.
    is_boundary_vertex, is_boundary_edge : (V,), (F, 3)
        The sign is unknown where this is the nearest feature.
    neighbours : (F, 3)
        Face across edge k or -1.
    vertex_of, fate, edge_code, is_flat, fan, fan_normals, is_open_fan
        See `MeshTopology`.
    boxes, links, corners, slot_face
        The tree, see `occlusim.kernels.bvh`.
    near : NearLists
        Spare most of the tree, where there are any; see
        `occlusim.geometry.near_lists.with_near_lists`.
    """

    mesh: TriangleMesh
    face_normals: Float64Array
    vertex_normals: Float64Array
    edge_normals: Float64Array
    vertex_area_mm2: Float64Array
    face_area_mm2: Float64Array
    is_boundary_vertex: BoolArray
    is_boundary_edge: BoolArray
    neighbours: Int32Array
    vertex_of: Int32Array
    fate: Int8Array
    edge_code: Int8Array
    is_flat: BoolArray
    fan: Int32Array
    fan_normals: Float64Array
    is_open_fan: BoolArray
    boxes: Float64Array
    links: Int32Array
    corners: Float64Array
    slot_face: Int32Array
    near: NearLists | None = None

    @staticmethod
    def build(mesh: TriangleMesh, topology: MeshTopology | None = None) -> Surface:
        """Return the surface of a mesh; its topology may be given where it is known already.

        Collapsed and repeated faces are left out of the tree; where the faces cannot tell the
        side, distances are NaN rather than guessed.

        Raises
        ------
        MeshError
            If no face has an area.
        """
        topology = topology or mesh_topology(mesh)
        kept = np.flatnonzero(topology.has_area).astype(np.int64)
        boxes, links, corners, slot_face = build_tree(mesh.vertices, mesh.faces, kept)
        n_vertices = len(mesh.vertices)
        is_part = topology.fate == 0
        corner_vertex = topology.vertex_of[mesh.faces[is_part]].ravel()
        corner_fan = topology.fan[is_part].ravel()
        normals = np.zeros((n_vertices, 3))
        normals[:, 2] = 1.0
        # Of several fans the first wins: vertex normals are for offsets and pictures, not signs.
        normals[corner_vertex[::-1]] = topology.fan_normals[corner_fan[::-1]]
        is_boundary = np.zeros(n_vertices, dtype=bool)
        is_boundary[corner_vertex[topology.is_open_fan[corner_fan]]] = True
        third = np.repeat(np.where(is_part, topology.face_area_mm2, 0.0) / 3.0, 3)
        area = np.bincount(mesh.faces.ravel(), weights=third, minlength=n_vertices)
        return Surface(
            mesh=mesh,
            face_normals=topology.face_normals,
            vertex_normals=frozen(normals[topology.vertex_of], np.float64),
            edge_normals=topology.edge_normals,
            vertex_area_mm2=frozen(area, np.float64),
            face_area_mm2=topology.face_area_mm2,
            is_boundary_vertex=frozen(is_boundary[topology.vertex_of], np.bool_),
            is_boundary_edge=topology.is_open_edge,
            neighbours=topology.neighbours,
            vertex_of=topology.vertex_of,
            fate=topology.fate,
            edge_code=topology.edge_code,
            is_flat=topology.is_flat,
            fan=topology.fan,
            fan_normals=topology.fan_normals,
            is_open_fan=topology.is_open_fan,
            boxes=frozen(boxes.copy(), np.float64),
            links=frozen(links.copy(), np.int32),
            corners=frozen(corners, np.float64),
            slot_face=frozen(slot_face, np.int32),
        )

    def closest(
        self,
        points: ArrayLike,
        max_distance_mm: float = np.inf,
        T_surface_points: RigidTransform | None = None,
    ) -> Closest:
        """Return the nearest place of the surface for each point, exact in float64.

        Parameters
        ----------
        points : (n, 3), mm
        max_distance_mm
            Farther points are not searched for: NaN and face -1.
        T_surface_points
            Carries the points into the surface's frame; none leaves them where they are.

        Returns
        -------
        closest : Closest
            Places and normals are in the surface's frame.

        Raises
        ------
        InputError
            If the points are not of shape (n, 3).

        Notes
        -----
        The sign is exact for a surface that does not cut itself. The order of the points and the
        number of threads change no bit of the answer.
        """
        queries = points_array(points)
        n = len(queries)
        distance, unsigned = np.empty(n), np.empty(n)
        places, normals = np.empty((n, 3)), np.empty((n, 3))
        faces, feature = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int8)
        is_boundary = np.empty(n, dtype=bool)
        question = _question(queries, max_distance_mm, T_surface_points)
        answer = (distance, unsigned, places, faces, feature, normals, is_boundary)
        if self.near is None:
            kernels.closest_batch(n_chunks(n), *question, self.tree, *answer)
        else:
            lists = self.near
            near_kernels.closest_near(
                n_chunks(n), *question, self.tree, lists.arrays, lists.middle, *answer
            )
        return Closest(distance, unsigned, places, faces, normals, feature, is_boundary)

    def signed_distance(
        self,
        points: ArrayLike,
        max_distance_mm: float = np.inf,
        T_surface_points: RigidTransform | None = None,
    ) -> Float64Array:
        """Return signed distances (n,), mm, as `closest` does, and nothing else: faster.

        Parameters
        ----------
        points : (n, 3), mm
        max_distance_mm
            Farther points are not searched for: NaN.
        T_surface_points
            Carries the points into the surface's frame; none leaves them where they are.

        Raises
        ------
        InputError
            If the points are not of shape (n, 3).
        """
        queries = points_array(points)
        n = len(queries)
        distance = np.empty(n)
        question = _question(queries, max_distance_mm, T_surface_points)
        if self.near is None:
            kernels.distance_batch(n_chunks(n), *question, self.tree, distance)
        else:
            lists = self.near
            near_kernels.distance_near(
                n_chunks(n), *question, self.tree, lists.arrays, lists.middle, distance
            )
        return distance

    @property
    def tree(
        self,
    ) -> tuple[
        Float64Array,
        Int32Array,
        Float64Array,
        Int32Array,
        Float64Array,
        Float64Array,
        Int32Array,
        Float64Array,
        BoolArray,
        BoolArray,
    ]:
        """The tree and the normals of its features, in the order that kernels take."""
        return (
            self.boxes,
            self.links,
            self.corners,
            self.slot_face,
            self.face_normals,
            self.edge_normals,
            self.fan,
            self.fan_normals,
            self.is_boundary_edge,
            self.is_open_fan,
        )


def _question(
    points: Float64Array, max_distance_mm: float, T_surface_points: RigidTransform | None
) -> tuple[Float64Array, Int32Array, Float64Array, Float64Array, float]:
    """Return points, their order, the carrying pose and the bound, as kernels take them."""
    queries = frozen(points, np.float64)
    T = T_surface_points or RigidTransform.identity()
    return queries, near_order(queries), T.rotation, T.translation, float(max_distance_mm)


def n_chunks(n: int) -> int:
    """Return how many chunks of points kernels take n points in."""
    return (n + kernels.CHUNK - 1) // kernels.CHUNK


def near_order(points: Float64Array) -> Int32Array:
    """Return an order (n,) of points (n, 3) in which neighbours in the list are near in space.

    A search is fastest so: the last point's triangle bounds the next one's distance. Points that
    are not finite come anywhere.
    """
    n = len(points)
    if n < LEAST_SORTED:
        return frozen(np.arange(n), np.int32)
    order, other = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32)
    kernels.near_order(points, np.empty(n, dtype=np.uint32), other, order)
    return frozen(order, np.int32)
