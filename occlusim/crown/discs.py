"""Triangles seen along an axis: what of them lies in a disc, and how near they come to it.

The disc lies about the origin of a plane square to the axis. Areas and moments are exact: a
triangle's part of a disc is the sum, over its three edges, of triangles and sectors seen from the
middle (the shoelace formula with arcs).
"""

from __future__ import annotations

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array


def disc_pieces(corners: Float64Array, radius: float) -> tuple[Float64Array, Float64Array]:
    """Return area (n,) and first moment (n, 2) of what triangles share with a disc.

    Parameters
    ----------
    corners : (n, 3, 2), mm
        Counter-clockwise triangles count positive, others negative.
    radius : mm
        Of the disc about the origin.
    """
    area = 0.5 * _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    moment = area[:, None] * (corners[:, 0] + corners[:, 1] + corners[:, 2]) / 3.0
    within, cut = _split(corners, radius)
    area[~within], moment[~within] = 0.0, 0.0
    start, end = corners[cut].reshape(-1, 2), np.roll(corners[cut], -1, axis=1).reshape(-1, 2)
    piece, first = _edge_piece(start, end, radius)
    area[cut] = piece.reshape(-1, 3).sum(axis=1)
    moment[cut] = first.reshape(-1, 3, 2).sum(axis=1)
    return area, moment


def _split(corners: Float64Array, radius: float) -> tuple[BoolArray, Int64Array]:
    """Return which triangles (n,) lie in a disc, and those (k,) that may cross its edge."""
    # Columns one by one: numpy is slow at reducing over two or three entries.
    x, y = np.ascontiguousarray(corners[..., 0]), np.ascontiguousarray(corners[..., 1])
    within = _largest(x**2 + y**2) <= radius**2
    mid_x, mid_y = (x[:, 0] + x[:, 1] + x[:, 2]) / 3.0, (y[:, 0] + y[:, 1] + y[:, 2]) / 3.0
    reach = np.sqrt(_largest((x - mid_x[:, None]) ** 2 + (y - mid_y[:, None]) ** 2))
    apart = np.hypot(mid_x, mid_y) - reach >= radius
    return within, np.flatnonzero(~within & ~apart)


def _largest(values: Float64Array) -> Float64Array:
    return np.maximum(np.maximum(values[:, 0], values[:, 1]), values[:, 2])


def _edge_piece(
    a: Float64Array, b: Float64Array, radius: float
) -> tuple[Float64Array, Float64Array]:
    """Return signed area and moment of the disc's part of the triangles (origin, a, b)."""
    low, high = _chord(a, b, radius)
    p, q = a + low[:, None] * (b - a), a + high[:, None] * (b - a)
    inner = 0.5 * _cross(p, q)
    area, moment = inner.copy(), inner[:, None] * (p + q) / 3.0
    for u, v in ((a, p), (q, b)):
        angle = np.arctan2(_cross(u, v), np.einsum("ij,ij->i", u, v))
        area += 0.5 * radius**2 * angle
        start = np.arctan2(u[:, 1], u[:, 0])
        end = start + angle
        turned = np.stack([np.sin(end) - np.sin(start), np.cos(start) - np.cos(end)], axis=1)
        moment += radius**3 / 3.0 * turned
    return area, moment


def _chord(a: Float64Array, b: Float64Array, radius: float) -> tuple[Float64Array, Float64Array]:
    """Return where (0 to 1) segments from a to b (n, 2) enter and leave the disc."""
    way = b - a
    along = np.einsum("ij,ij->i", way, way)
    half = np.einsum("ij,ij->i", a, way)
    over = half**2 - along * (np.einsum("ij,ij->i", a, a) - radius**2)
    meets = (over > 0) & (along > 0)
    root, scale = np.sqrt(np.where(meets, over, 0.0)), np.where(meets, along, 1.0)
    low = np.where(meets, np.clip((-half - root) / scale, 0.0, 1.0), 0.0)
    high = np.where(meets, np.clip((-half + root) / scale, 0.0, 1.0), 0.0)
    return low, high


def _cross(a: Float64Array, b: Float64Array) -> Float64Array:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def rim_heights(
    corners: Float64Array, height: Float64Array, radius: float
) -> tuple[float, float] | None:
    """Return the least and the greatest height over a circle; None where nothing crosses it.

    Parameters
    ----------
    corners : (n, 3, 2), mm
    height : (n, 3), mm
        At the corners, linear between.
    radius : mm

    Notes
    -----
    Exact: over a triangle's arc a linear height is extreme at the arc's ends, which lie on the
    triangle's edges, or in the direction of its slope.
    """
    cut = _split(corners, radius)[1]
    corners, height = corners[cut], height[cut]
    start, end = corners.reshape(-1, 2), np.roll(corners, -1, axis=1).reshape(-1, 2)
    first, last = height.ravel(), np.roll(height, -1, axis=1).ravel()
    found = []
    for u in _chord(start, end, radius):
        on = np.abs(np.hypot(*(start + u[:, None] * (end - start)).T) - radius) < 1e-9 * radius
        found.append((first + u * (last - first))[on])
    slope, level = _planes(corners, height)
    steep = np.linalg.norm(slope, axis=1)
    tilted = steep > 1e-12
    for sign in (1.0, -1.0):
        place = sign * radius * slope / np.where(tilted, steep, 1.0)[:, None]
        on = tilted & _is_inside(corners, place)
        found.append((level + np.einsum("ij,ij->i", slope, place))[on])
    heights = np.concatenate(found)
    return (float(heights.min()), float(heights.max())) if len(heights) else None


def _planes(corners: Float64Array, height: Float64Array) -> tuple[Float64Array, Float64Array]:
    """Return slope (n, 2) and height above the origin (n,) of linear heights over triangles."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    du, dv = height[:, 1] - height[:, 0], height[:, 2] - height[:, 0]
    twice = _cross(u, v)
    scale = np.where(np.abs(twice) > 1e-15, twice, np.inf)
    slope = np.stack(
        [(du * v[:, 1] - dv * u[:, 1]) / scale, (dv * u[:, 0] - du * v[:, 0]) / scale], axis=1
    )
    return slope, height[:, 0] - np.einsum("ij,ij->i", slope, corners[:, 0])


def _is_inside(corners: Float64Array, place: Float64Array) -> BoolArray:
    """Return whether a place (n, 2) of its own lies in each counter-clockwise triangle."""
    inside = np.ones(len(corners), dtype=np.bool_)
    for k in range(3):
        a = corners[:, k]
        inside &= _cross(corners[:, (k + 1) % 3] - a, place - a) >= -1e-12
    return inside


def heights_at(corners: Float64Array, height: Float64Array, places: Float64Array) -> Float64Array:
    """Return the linear height (n,) of each triangle at a place (n, 2) of its own."""
    slope, level = _planes(corners, height)
    return level + np.einsum("ij,ij->i", slope, places)


def least_radius(
    corners: Float64Array, height: Float64Array, low_mm: float, high_mm: float
) -> Float64Array:
    """Return how near (n,), mm, triangles come to the axis between two heights; inf for none.

    Parameters
    ----------
    corners : (n, 3, 2), mm
        Seen along the axis, which passes through the origin.
    height : (n, 3), mm
        Along the axis.

    Notes
    -----
    Exact for triangles that the axis does not pass through: the nearest place of the clipped
    triangle lies on an edge, or where a bounding height cuts it.
    """
    n = len(corners)
    least = np.full(n, np.inf)
    cuts: dict[float, list[tuple[Float64Array, BoolArray]]] = {low_mm: [], high_mm: []}
    for k in range(3):
        a, b = corners[:, k], corners[:, (k + 1) % 3]
        ha, hb = height[:, k], height[:, (k + 1) % 3]
        rise = hb - ha
        is_level = np.abs(rise) < 1e-12
        safe = np.where(is_level, 1.0, rise)
        ends = [(level - ha) / safe for level in (low_mm, high_mm)]
        for level, u in zip((low_mm, high_mm), ends, strict=True):
            crosses = ~is_level & (u >= 0.0) & (u <= 1.0)
            cuts[level].append((a + np.where(crosses, u, 0.0)[:, None] * (b - a), crosses))
        first = np.where(is_level, 0.0, np.clip(np.minimum(*ends), 0.0, 1.0))
        last = np.where(is_level, 1.0, np.clip(np.maximum(*ends), 0.0, 1.0))
        middle = ha + 0.5 * (first + last) * rise
        kept = (middle >= low_mm) & (middle <= high_mm) & (last >= first)
        way = b - a
        near = _segment_radius(a + first[:, None] * way, a + last[:, None] * way)
        least = np.where(kept, np.minimum(least, near), least)
    for points in cuts.values():
        for j in range(3):
            (p, has_p), (q, has_q) = points[j], points[(j + 1) % 3]
            least = np.where(has_p & has_q, np.minimum(least, _segment_radius(p, q)), least)
    return least


def _segment_radius(a: Float64Array, b: Float64Array) -> Float64Array:
    """Return the distance (n,) of segments from a to b (n, 2) from the origin."""
    way = b - a
    along = np.einsum("ij,ij->i", way, way)
    u = -np.einsum("ij,ij->i", a, way) / np.where(along > 0, along, 1.0)
    return np.hypot(*(a + np.clip(u, 0.0, 1.0)[:, None] * way).T)
