"""An arch seen from the opposing one: a map of heights, and the row of teeth unrolled along it.

Axes here are the patient's: x to the right, y anterior, and height towards the opposing arch,
all in mm, from the orientation's origin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import KDTree

from occlusim.arrays import BoolArray, Float64Array
from occlusim.errors import DegenerateProblem
from occlusim.geometry.mesh import TriangleMesh
from occlusim.jaw.axes import ArchOrientation

CELL_MM = 0.3
STEP_MM = 0.25
HALF_BAND_MM = 9.0
SECTOR_RAD = np.deg2rad(3.0)
ROW_END_MM = 7.0
CROWN_TOP_MM = 3.5
LEVEL_SLOPE = 0.12
"""How far below the local top the surface still counts as the row of teeth."""


@dataclass(frozen=True, slots=True)
class HeightMap:
    """Greatest height over each cell of a square grid; NaN where there is no surface.

    `heights` (n, m) mm, row = x, column = y; `corner` (2,) mm is the middle of the first cell.
    """

    heights: Float64Array
    corner: Float64Array

    def centres(self) -> tuple[Float64Array, Float64Array]:
        """Return x (n,) and y (m,) of the cells, mm."""
        n, m = self.heights.shape
        return self.corner[0] + CELL_MM * np.arange(n), self.corner[1] + CELL_MM * np.arange(m)


@dataclass(frozen=True, slots=True)
class ArchCurve:
    """The centreline of the row of teeth, from the patient's right to left.

    `points` (n, 2) mm at every `STEP_MM` of arc length; `left` (n, 2) unit normals that point to
    the outside (buccal); `midline_mm` is the arc length where the arch's axis of symmetry cuts it.
    """

    points: Float64Array
    buccal: Float64Array
    midline_mm: float

    @property
    def length_mm(self) -> float:
        """Arc length."""
        return STEP_MM * (len(self.points) - 1)

    def unroll(self, xy: Float64Array) -> tuple[Float64Array, Float64Array]:
        """Return arc length (n,) and buccal offset (n,) of points (n, 2), mm."""
        nearest = KDTree(self.points).query(xy)[1]
        away = xy - self.points[nearest]
        tangent = np.column_stack([-self.buccal[:, 1], self.buccal[:, 0]])[nearest]
        along = np.clip(np.sum(away * tangent, axis=1), -STEP_MM, STEP_MM)
        return STEP_MM * nearest + along, np.sum(away * self.buccal[nearest], axis=1)


def to_patient(points: Float64Array, orientation: ArchOrientation, *, upper: bool) -> Float64Array:
    """Return points (n, 3) in x right, y anterior and height towards the opposing arch, mm."""
    q = orientation.to_patient(points)
    if upper:
        q[:, 2] *= -1.0
    return q


def height_map(patient: Float64Array, mesh: TriangleMesh) -> HeightMap:
    """Return the height map of a mesh whose vertices are given in patient axes, (V, 3)."""
    samples = _samples(patient, mesh)
    # A little off the first sample, so that points of a regular grid do not lie on cell edges.
    corner = samples[:, :2].min(axis=0) - 0.137 * CELL_MM
    index = np.floor((samples[:, :2] - corner) / CELL_MM).astype(np.int64)
    shape = index.max(axis=0) + 1
    flat = np.full(int(shape.prod()), -np.inf)
    np.maximum.at(flat, index[:, 0] * shape[1] + index[:, 1], samples[:, 2])
    heights = flat.reshape(shape)
    heights[~np.isfinite(heights)] = np.nan
    return HeightMap(_filled(_without_specks(heights)), corner + 0.5 * CELL_MM)


def _samples(patient: Float64Array, mesh: TriangleMesh) -> Float64Array:
    """Return points on all faces, no further apart than about a cell."""
    corners = patient[mesh.faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    levels = np.clip(np.ceil(sides / CELL_MM), 1, 12).astype(np.int64)
    parts = [patient]
    for n in np.unique(levels):
        some = corners[levels == n]
        for i in range(n):
            for j in range(n - i):
                a, b = (i + 1 / 3) / n, (j + 1 / 3) / n
                parts.append((1 - a - b) * some[:, 0] + a * some[:, 1] + b * some[:, 2])
    return np.vstack(parts)


def _without_specks(heights: Float64Array) -> Float64Array:
    """Return the map without pieces below 10 mm2 that hang free in height or in place."""
    around = ndimage.median_filter(np.where(np.isfinite(heights), heights, -1e3), size=5)
    lone = np.abs(heights - around) > 4.0
    heights = np.where(lone, np.nan, heights)
    labels = np.zeros(heights.shape, dtype=np.int32)
    count = int(ndimage.label(np.isfinite(heights), np.ones((3, 3)), output=labels))  # pyright: ignore
    if count == 0:
        raise DegenerateProblem("arch: no surface is left after specks are taken away")
    sizes = ndimage.sum_labels(np.ones_like(labels), labels, np.arange(count + 1))
    small = sizes * CELL_MM**2 < 10.0
    small[0] = True
    return np.where(small[labels], np.nan, heights)


def _filled(heights: Float64Array) -> Float64Array:
    """Return the map with pinholes filled from their neighbours."""
    known = np.isfinite(heights)
    weight = ndimage.uniform_filter(known.astype(float), 3)
    total = ndimage.uniform_filter(np.where(known, heights, 0.0), 3)
    fill = ~known & (weight > 0.5)
    return np.where(fill, total / np.maximum(weight, 1e-9), heights)


def tooth_cells(heights: HeightMap) -> BoolArray:
    """Return which cells (n, m) belong to the top of the row of teeth, seen in sectors."""
    x, y = heights.centres()
    angle = np.arctan2(x[:, None], y[None, :])
    h = heights.heights
    sector = np.floor((angle + np.pi) / SECTOR_RAD).astype(np.int64)
    radius = np.hypot(x[:, None], y[None, :])
    valid = np.isfinite(h) & (radius > 8.0)
    n_sectors = int(sector.max()) + 1
    top = np.full(n_sectors, np.nan)
    order = np.argsort(sector[valid], kind="stable")
    values, keys = h[valid][order], sector[valid][order]
    bounds = np.searchsorted(keys, np.arange(n_sectors + 1))
    for k in range(n_sectors):
        part = values[bounds[k] : bounds[k + 1]]
        if len(part) > 10:
            top[k] = np.partition(part, -6)[-6]
    crest = _median_nan(top, 2)
    # The row ends where the surface falls away behind the last tooth.
    crest[crest < np.nanmedian(crest[_front_sectors(n_sectors)]) - ROW_END_MM] = np.nan
    return valid & (h > crest[sector] - CROWN_TOP_MM)


def _front_sectors(n: int) -> BoolArray:
    middle = (np.arange(n) + 0.5) * SECTOR_RAD - np.pi
    return np.abs(middle) < np.deg2rad(130.0)


def _median_nan(values: Float64Array, reach: int) -> Float64Array:
    """Return the running median over 2 reach + 1 entries, unknown ones left out."""
    padded = np.pad(values, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    known = np.isfinite(windows).any(axis=1)
    out = np.full(len(values), np.nan)
    out[known] = np.nanmedian(windows[known], axis=1)
    return out


def arch_curve(heights: HeightMap, places: Float64Array | None = None) -> ArchCurve:
    """Return the centreline of the row of teeth.

    Parameters
    ----------
    heights
        The arch.
    places : (k, 2), mm
        Middle of teeth that belong to the row though the surface may show a gap there.

    Raises
    ------
    DegenerateProblem
        If the row of teeth does not reach around the front on both sides.
    """
    mask = tooth_cells(heights)
    x, y = heights.centres()
    i, j = np.nonzero(mask)
    xy = np.vstack([np.column_stack([x[i], y[j]]), _discs(places)])
    points = _polar_curve(xy)
    for sigma in (6.0, 4.0):
        points = _recentred(points, xy, sigma)
    points = _even(points)
    buccal = _buccal_normals(points)
    return ArchCurve(points, buccal, _midline(points))


def _discs(places: Float64Array | None) -> Float64Array:
    """Return cells (n, 2) of a disc of a premolar's size around each place (k, 2)."""
    if places is None or len(places) == 0:
        return np.empty((0, 2))
    line = np.arange(-3.5, 3.51, CELL_MM)
    square = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
    disc = square[np.hypot(square[:, 0], square[:, 1]) < 3.5]
    return (places[:, None, :] + disc[None]).reshape(-1, 2)


def _polar_curve(xy: Float64Array) -> Float64Array:
    angle = np.arctan2(xy[:, 0], xy[:, 1])
    radius = np.hypot(xy[:, 0], xy[:, 1])
    edges = np.arange(-np.pi, np.pi + SECTOR_RAD, SECTOR_RAD)
    which = np.digitize(angle, edges) - 1
    mid = np.full(len(edges), np.nan)
    for k in np.unique(which):
        part = radius[which == k]
        if len(part) > 10:
            mid[k] = 0.5 * (np.quantile(part, 0.1) + np.quantile(part, 0.9))
    known = np.flatnonzero(np.isfinite(mid))
    centres = edges + 0.5 * SECTOR_RAD
    if len(known) < 30 or centres[known[0]] > -0.9 or centres[known[-1]] < 0.9:
        raise DegenerateProblem(
            "arch: the row of teeth does not reach around the front on both sides, so it cannot be "
            "unrolled; give tooth numbers per vertex, or scans of the whole arch"
        )
    start, stop = _run_through_front(centres, known)
    a = np.arange(start, stop + 1)
    r = np.interp(centres[a], centres[known], mid[known])
    r = ndimage.gaussian_filter1d(ndimage.median_filter(r, 7, mode="nearest"), 2.0, mode="nearest")
    # From the patient's right (+x) to the left.
    return np.column_stack([r * np.sin(centres[a]), r * np.cos(centres[a])])[::-1]


def _run_through_front(centres: Float64Array, known: np.ndarray) -> tuple[int, int]:
    """Return the first and last sector of the row; a gap of one or two teeth does not end it."""
    front = int(np.argmin(np.abs(centres[known])))
    longest = round(np.deg2rad(50.0) / SECTOR_RAD)
    steps = np.diff(known)
    start = stop = front
    while stop < len(known) - 1 and steps[stop] <= longest:
        stop += 1
    while start > 0 and steps[start - 1] <= longest:
        start -= 1
    return int(known[start]), int(known[stop])


def _even(points: Float64Array) -> Float64Array:
    """Return the polyline at every `STEP_MM` of its length."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    s = np.arange(0.0, length[-1], STEP_MM)
    return np.column_stack([np.interp(s, length, points[:, k]) for k in (0, 1)])


def _buccal_normals(points: Float64Array) -> Float64Array:
    smooth = ndimage.gaussian_filter1d(points, 2.0 / STEP_MM, axis=0, mode="nearest")
    tangent = np.gradient(smooth, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    # Right to left around the front, the outside lies to the right hand of the walk.
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _recentred(points: Float64Array, xy: Float64Array, sigma_mm: float) -> Float64Array:
    """Return the curve moved to the middle of the row, lengthened by 4 mm at both ends."""
    even = _even(points)
    curve = ArchCurve(even, _buccal_normals(even), 0.0)
    s, t = curve.unroll(xy)
    near = np.abs(t) < HALF_BAND_MM
    bins = np.clip(np.round(s[near] / STEP_MM).astype(np.int64), 0, len(even) - 1)
    count = np.bincount(bins, minlength=len(even)).astype(float)
    total = np.bincount(bins, weights=t[near], minlength=len(even))
    sigma = sigma_mm / STEP_MM
    weight = ndimage.gaussian_filter1d(count, sigma, mode="nearest")
    shift = ndimage.gaussian_filter1d(total, sigma, mode="nearest") / np.maximum(weight, 1e-6)
    moved = even + shift[:, None] * curve.buccal
    k = round(6.0 / STEP_MM)
    first, last = moved[0] - moved[k], moved[-1] - moved[-1 - k]
    reach = np.arange(1, 9)[:, None] * 0.5
    head = moved[0] + reach[::-1] * first / np.linalg.norm(first)
    tail = moved[-1] + reach * last / np.linalg.norm(last)
    return np.vstack([head, moved, tail])


def _midline(points: Float64Array) -> float:
    """Return the arc length where the curve's axis of symmetry cuts it, mm.

    The axis is the one whose reflection of the curve lies nearest to the curve; searched at every
    mm and 3 degrees, then at every step and degree around the best.
    """
    tree = KDTree(points)
    half, reach, coarse = len(points) // 2, round(12.0 / STEP_MM), round(1.0 / STEP_MM)
    turns = np.deg2rad(np.arange(-12.0, 12.1, 3.0))
    places = np.arange(half - reach, half + reach + 1, coarse)
    index, turn = _best_mirror(tree, points, places, turns)
    turns = turn + np.deg2rad(np.arange(-2.0, 2.1, 1.0))
    places = np.arange(index - coarse + 1, index + coarse)
    return STEP_MM * _best_mirror(tree, points, places, turns)[0]


def _best_mirror(
    tree: KDTree, points: Float64Array, places: NDArray[np.int64], turns: Float64Array
) -> tuple[int, float]:
    """Return the point's index and the turn (rad) of the axis that mirrors the curve best."""
    best = (np.inf, len(points) // 2, 0.0)
    for index in places:
        tangent = points[min(index + 8, len(points) - 1)] - points[max(index - 8, 0)]
        base = np.arctan2(tangent[1], tangent[0])
        for turn in turns:
            u = np.array([np.cos(base + turn), np.sin(base + turn)])
            some = points[::8]
            mirrored = some - 2.0 * np.outer((some - points[index]) @ u, u)
            distance = np.minimum(tree.query(mirrored)[0], 4.0)
            cost = float(np.mean(np.sort(distance)[: int(0.9 * len(distance))]))
            if cost < best[0]:
                best = (cost, int(index), float(turn))
    return best[1], best[2]


@dataclass(frozen=True, slots=True)
class UnrolledArch:
    """Sections across the row of teeth.

    `sections` (n, k): height at each arc length and buccal offset, NaN where there is none;
    `offsets_mm` (k,); `top` (n,) the greatest height of each section; `level` (n,) the height of
    the row around it.
    """

    curve: ArchCurve
    sections: Float64Array
    offsets_mm: Float64Array
    top: Float64Array
    level: Float64Array


def unroll_arch(heights: HeightMap, curve: ArchCurve) -> UnrolledArch:
    """Return the height map in arc length and buccal offset."""
    offsets = np.arange(-HALF_BAND_MM, HALF_BAND_MM + 1e-9, CELL_MM)
    at = curve.points[:, None, :] + offsets[None, :, None] * curve.buccal[:, None, :]
    x, y = heights.centres()
    sections = np.asarray(
        RegularGridInterpolator((x, y), heights.heights, bounds_error=False, fill_value=np.nan)(at)
    )
    filled = np.where(np.isfinite(sections), sections, -1e3)
    core = np.abs(offsets) < 6.5
    top = filled[:, core].max(axis=1)
    top[top < -900.0] = np.nan
    return UnrolledArch(curve, sections, offsets, top, _row_level(top))


def _row_level(top: Float64Array) -> Float64Array:
    """Return the level of the row around each section, (n,), mm: a tent over the crests.

    It falls from each crest by `LEVEL_SLOPE` at most, so that it stays up over gaps and beyond
    the last tooth while it follows the curve of Spee and a tilted row.
    """
    level = np.where(np.isfinite(top), top, -np.inf)
    fall = LEVEL_SLOPE * STEP_MM
    for k in range(1, len(level)):
        level[k] = max(level[k], level[k - 1] - fall)
    for k in range(len(level) - 2, -1, -1):
        level[k] = max(level[k], level[k + 1] - fall)
    return ndimage.gaussian_filter1d(level, 2.0 / STEP_MM, mode="nearest")
