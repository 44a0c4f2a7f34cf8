"""The normal that tells inside from outside at each feature of a mesh.

Source: Baerentzen & Aanaes, Signed distance computation using the angle weighted pseudonormal,
IEEE Trans. Vis. Comput. Graph. 11, 2005, 243-253.
"""

from occlusim.kernels.jit import inner_kernel


@inner_kernel
def pseudonormal(
    face,
    feature,
    face_normals,
    edge_normals,
    corner_index,
    corner_normals,
    is_open_edge,
    is_open_corner,
):
    """Return the unit pseudonormal (x, y, z) of a feature, and whether its sign is unknown."""
    if feature == 0:
        return face_normals[face, 0], face_normals[face, 1], face_normals[face, 2], False
    if feature <= 3:
        k = feature - 1
        return (
            edge_normals[face, k, 0],
            edge_normals[face, k, 1],
            edge_normals[face, k, 2],
            is_open_edge[face, k],
        )
    c = corner_index[face, feature - 4]
    return corner_normals[c, 0], corner_normals[c, 1], corner_normals[c, 2], is_open_corner[c]
