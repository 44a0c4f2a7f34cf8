"""Integrals over the part of a triangle where a linear function lies below a level."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, shared_kernel


@inner_kernel
def clip_below(corner, phi, level, polygon, height):
    """Write the part of a triangle below a level as a polygon (4, 3); return its corners, 0 to 4.

    `height` (4,) gets level - phi at the polygon's corners: 0 on the cut.
    """
    n = 0
    for k in range(3):
        j = (k + 1) % 3
        here, following = level - phi[k], level - phi[j]
        if here > 0.0:
            for d in range(3):
                polygon[n, d] = corner[k, d]
            height[n] = here
            n += 1
        if (here > 0.0) != (following > 0.0):
            s = here / (here - following)
            for d in range(3):
                polygon[n, d] = corner[k, d] + s * (corner[j, d] - corner[k, d])
            height[n] = 0.0
            n += 1
    return n


@inner_kernel
def triangle_area(a, b, c):
    """Return the area of a triangle, mm2."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    wx, wy, wz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    return 0.5 * math.sqrt(x * x + y * y + z * z)


@shared_kernel(least=500)
def clip_faces(
    first_turn, stop_turn, vertices, faces, phi, level, area, volume, area_moment, volume_moment
):
    """Write, per face, integrals over where phi (V,), mm, is below `level`, mm.

    area (F,) mm2 of 1; volume (F,) mm3 of level - phi; area_moment (F, 3) mm3 of x;
    volume_moment (F, 3) mm4 of (level - phi) x. NaN where a corner's phi is NaN.
    """
    for i in range(first_turn, stop_turn):
        area[i] = volume[i] = 0.0
        for d in range(3):
            area_moment[i, d] = volume_moment[i, d] = 0.0
        value = np.empty(3)
        for k in range(3):
            value[k] = phi[faces[i, k]]
        if value[0] != value[0] or value[1] != value[1] or value[2] != value[2]:
            area[i] = volume[i] = np.nan
            for d in range(3):
                area_moment[i, d] = volume_moment[i, d] = np.nan
            continue
        if value[0] >= level and value[1] >= level and value[2] >= level:
            continue
        corner = np.empty((3, 3))
        for k in range(3):
            for d in range(3):
                corner[k, d] = vertices[faces[i, k], d]
        polygon = np.empty((4, 3))
        height = np.empty(4)
        n = clip_below(corner, value, level, polygon, height)
        for k in range(1, n - 1):
            part = triangle_area(polygon[0], polygon[k], polygon[k + 1])
            h0, h1, h2 = height[0], height[k], height[k + 1]
            area[i] += part
            volume[i] += part * (h0 + h1 + h2) / 3.0
            for d in range(3):
                x0, x1, x2 = polygon[0, d], polygon[k, d], polygon[k + 1, d]
                area_moment[i, d] += part * (x0 + x1 + x2) / 3.0
                volume_moment[i, d] += (
                    part / 12.0 * ((h0 + h1 + h2) * (x0 + x1 + x2) + h0 * x0 + h1 * x1 + h2 * x2)
                )
