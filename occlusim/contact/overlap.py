"""Areas, volumes and centroids of the part of a surface where a field lies below a level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.errors import InputError
from occlusim.kernels.clip import clip_faces


@dataclass(frozen=True, slots=True)
class ClippedIntegrals:
    """Integrals per face over where the field is below the level; NaN where it is unknown.

    Parameters
    ----------
    area_mm2 : (F,)
    volume_mm3 : (F,)
        Integral of level - phi.
    area_moment_mm3 : (F, 3)
        Integral of the position; divided by the area's sum it gives the centroid.
    volume_moment_mm4 : (F, 3)
        Integral of (level - phi) times the position; divided by the volume's sum it gives the
        centre of pressure of an elastic foundation.
    """

    area_mm2: Float64Array
    volume_mm3: Float64Array
    area_moment_mm3: Float64Array
    volume_moment_mm4: Float64Array


def clipped_integrals(
    vertices: Float64Array, faces: Int32Array, phi: ArrayLike, level: float
) -> ClippedIntegrals:
    """Return integrals per face over where a linearly interpolated field is below a level.

    Parameters
    ----------
    vertices : (V, 3), mm
    faces : (F, 3)
    phi : (V,), mm
        Field at the vertices, such as a gap; NaN is unknown.
    level : mm

    Raises
    ------
    InputError
        If `phi` is not one number a vertex.

    Notes
    -----
    Exact for the linear field: each face is cut along the level. A face with an unknown corner
    gets NaN: leave it out by `numpy.nansum` and report it.
    """
    vertices = frozen(vertices, np.float64)
    faces = frozen(faces, np.int32)
    values = frozen(phi, np.float64)
    if values.shape != (len(vertices),):
        raise InputError(
            f"clipped integrals: field of shape {values.shape} given, ({len(vertices)},) wanted"
        )
    n = len(faces)
    area, volume = np.empty(n), np.empty(n)
    area_moment, volume_moment = np.empty((n, 3)), np.empty((n, 3))
    clip_faces(n, vertices, faces, values, float(level), area, volume, area_moment, volume_moment)
    return ClippedIntegrals(area, volume, area_moment, volume_moment)
