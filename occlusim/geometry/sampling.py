"""Points spread over a surface, each standing for an area."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface


@dataclass(frozen=True, slots=True)
class SurfaceSamples:
    """Points on a surface.

    Parameters
    ----------
    points : (n, 3), mm
    normals : (n, 3), unit length
        Of the face that holds the point.
    area_mm2 : (n,)
        Area that each point stands for; their sum is the area sampled.
    face : (n,)
    """

    points: Float64Array
    normals: Float64Array
    area_mm2: Float64Array
    face: Int32Array


def sample_surface(
    surface: Surface,
    n_points: int,
    rng: np.random.Generator,
    face_index: Int32Array | None = None,
) -> SurfaceSamples:
    """Return points spread evenly over a surface, at random within equal shares of its area.

    Parameters
    ----------
    surface : Surface
    n_points
        Above 0.
    rng
        Same state, same points.
    face_index : (k,)
        Faces to sample; none samples all.

    Raises
    ------
    InputError
        If `n_points` is not above 0 or the faces have no area.

    Notes
    -----
    Systematic sampling: the area is cut into `n_points` equal shares in the order of the faces
    and one point is drawn from each, so a face of area A gets A n / total points within two.
    Within a face the points are uniform (Osada et al., ACM Trans. Graph. 21, 2002, 807-832).
    """
    if n_points <= 0:
        raise InputError(f"sampling: {n_points} points given, more than 0 wanted")
    faces = np.arange(len(surface.mesh.faces)) if face_index is None else np.asarray(face_index)
    edge = np.cumsum(surface.face_area_mm2[faces])
    total = float(edge[-1]) if len(edge) else 0.0
    if not total > 0:
        raise InputError("sampling: the faces given have no area")
    at = (np.arange(n_points) + rng.random(n_points)) / n_points * total
    face = faces[np.minimum(np.searchsorted(edge, at, side="right"), len(faces) - 1)]
    root = np.sqrt(rng.random(n_points))[:, None]
    share = rng.random(n_points)[:, None]
    a, b, c = (surface.mesh.vertices[surface.mesh.faces[face, k]] for k in range(3))
    return SurfaceSamples(
        points=frozen((1 - root) * a + root * (1 - share) * b + root * share * c, np.float64),
        normals=frozen(surface.face_normals[face], np.float64),
        area_mm2=frozen(np.full(n_points, total / n_points), np.float64),
        face=frozen(face, np.int32),
    )
