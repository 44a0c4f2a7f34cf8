"""Neighbours, open edges and sign-bearing normals of a triangle mesh.

Vertices that coincide to the bit are treated as one, collapsed and repeated faces take no part,
crowded edges (three faces or more) take the normal of the one wedge from which they can be the
nearest feature. Where the faces cannot say which side is out (an open edge, two faces that
disagree), the feature is marked as open: its sign is unknown.

Source: Baerentzen & Aanaes, IEEE Trans. Vis. Comput. Graph. 11, 2005, 243-253.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int8Array, Int32Array, frozen
from occlusim.errors import MeshError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.kernels import topology as kernels


@dataclass(frozen=True, slots=True)
class MeshTopology:
    """What touches what in a mesh of V vertices and F faces.

    Parameters
    ----------
    vertex_of : (V,)
        First vertex at the same place, bit for bit.
    fate : (F,)
        0 kept, 1 collapsed (two corners coincide), 2 repeats an earlier face.
    neighbours : (F, 3)
        Face across edge k (from corner k to k + 1), -1 where there is none or more than one.
    edge_code : (F, 3)
        0 shared, 1 open, 2 shared by faces of opposite orientation, 3 by three or more,
        4 edge of a face that takes no part.
    is_flat : (F,)
        Lower than 1e-5 mm: the normal is lent by the face across the longest edge.
    has_area : (F,)
        Kept, and large enough to hold a closest point.
    face_normals, edge_normals : (F, 3), (F, 3, 3), unit length
    fan : (F, 3)
        Row of `fan_normals` of each corner; a vertex where sheets only touch has several.
    fan_normals : (n, 3), unit length
    is_open_edge, is_open_fan : (F, 3), (n,)
        Sign unknown.
    face_area_mm2 : (F,)
    """

    vertex_of: Int32Array
    fate: Int8Array
    neighbours: Int32Array
    edge_code: Int8Array
    is_flat: BoolArray
    has_area: BoolArray
    face_normals: Float64Array
    edge_normals: Float64Array
    fan: Int32Array
    fan_normals: Float64Array
    is_open_edge: BoolArray
    is_open_fan: BoolArray
    face_area_mm2: Float64Array


def weld_coincident(vertices: Float64Array) -> Int32Array:
    """Return, per vertex (V,), the first vertex at exactly the same coordinates."""
    v = vertices + 0.0
    order = np.lexsort((v[:, 2], v[:, 1], v[:, 0]))
    ordered = v[order]
    is_new = np.ones(len(v), dtype=bool)
    is_new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    group = np.cumsum(is_new) - 1
    first = np.minimum.reduceat(order, np.flatnonzero(is_new))
    vertex_of = np.empty(len(v), dtype=np.int32)
    vertex_of[order] = first[group]
    return vertex_of


def mesh_topology(mesh: TriangleMesh) -> MeshTopology:
    """Return neighbours and sign-bearing normals of a mesh.

    Raises
    ------
    MeshError
        If no face has an area.
    """
    vertices = mesh.vertices
    vertex_of = weld_coincident(vertices)
    faces = frozen(vertex_of[mesh.faces], np.int32)
    n_faces = len(faces)
    fate = np.zeros(n_faces, dtype=np.int8)
    fate[
        (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0])
    ] = kernels.COLLAPSED
    start, corner = kernels.corner_lists(faces, frozen(fate, np.int8), len(vertices))
    normal, angle = np.empty((n_faces, 3)), np.empty((n_faces, 3))
    area = np.empty(n_faces)
    longest = np.empty(n_faces, dtype=np.int8)
    is_flat, is_line = np.empty(n_faces, dtype=bool), np.empty(n_faces, dtype=bool)
    kernels.face_geometry(n_faces, vertices, faces, normal, area, angle, longest, is_flat, is_line)
    kernels.mark_duplicates(n_faces, faces, start, corner, is_flat, fate)
    if (fate == kernels.DUPLICATE).any():
        start, corner = kernels.corner_lists(faces, frozen(fate, np.int8), len(vertices))
    link = np.empty((n_faces, 3), dtype=np.int32)
    edge_code = np.empty((n_faces, 3), dtype=np.int8)
    kernels.link_faces(n_faces, faces, fate, start, corner, link, edge_code)
    has_area = (fate == kernels.KEPT) & ~is_line
    if not has_area.any():
        raise MeshError(f"mesh: none of its {n_faces} faces has an area; check the file's unit")
    if is_flat.any():
        kernels.lend_normals(link, longest, is_flat, normal)
    edge_normals = np.empty((n_faces, 3, 3))
    is_open_edge = np.empty((n_faces, 3), dtype=bool)
    kernels.edge_pseudonormals(
        n_faces,
        vertices,
        faces,
        start,
        corner,
        link,
        edge_code,
        longest,
        is_flat,
        normal,
        edge_normals,
        is_open_edge,
    )
    fan = np.empty((n_faces, 3), dtype=np.int32)
    n_fans = kernels.split_fans(faces, start, corner, link, edge_code, fan)
    fan_normals = np.empty((n_fans, 3))
    is_open_fan = np.empty(n_fans, dtype=bool)
    kernels.fan_pseudonormals(
        faces, fate, fan, normal, angle, is_open_edge, fan_normals, is_open_fan
    )
    return MeshTopology(
        vertex_of=frozen(vertex_of, np.int32),
        fate=frozen(fate, np.int8),
        neighbours=frozen(link, np.int32),
        edge_code=frozen(edge_code, np.int8),
        is_flat=frozen(is_flat, np.bool_),
        has_area=frozen(has_area, np.bool_),
        face_normals=frozen(normal, np.float64),
        edge_normals=frozen(edge_normals, np.float64),
        fan=frozen(fan, np.int32),
        fan_normals=frozen(fan_normals, np.float64),
        is_open_edge=frozen(is_open_edge, np.bool_),
        is_open_fan=frozen(is_open_fan, np.bool_),
        face_area_mm2=frozen(area, np.float64),
    )
