"""Settle the lower teeth against the upper ones, cusp by cusp, so that each has its contacts."""

from __future__ import annotations

import numpy as np

from demo_arches.model.fields import occlusal_heights
from demo_arches.model.surface import Field, project
from demo_arches.model.teeth import Arch

OVERLAP_MM = 0.10
FUNCTIONAL = {"lower": ("B", "MB", "DB", "D"), "upper": ("P", "MP", "DP")}


def tooth_samples(arch: Arch, row: int, step: float = 0.22) -> tuple[np.ndarray, np.ndarray]:
    """Return points on the occlusal half of one tooth, and their local (m, b), (n, 2)."""
    s = arch.shapes[row]
    m = np.arange(-max(s.half_m), max(s.half_m) + step, step)
    b = np.arange(min(s.lingual), max(s.labial) + step, step)
    mm, bb = (x.ravel() for x in np.meshgrid(m, b))
    single = arch.arrays([row])
    h = occlusal_heights(mm, bb, single[3][0], single[4][0], s.kappa)
    field = Field(single, what="teeth")
    local = np.stack([mm, bb, np.maximum(h, -0.5 * s.length)], 1)
    points, _ = project(field.gradient, arch.origin[row] + local @ arch.axes[row], 6)
    ok = np.abs(field.value(points)) < 1e-3
    points = points[ok]
    return points, (points - arch.origin[row]) @ arch.axes[row].T


def _cusp_overlap(local, gap, lobe, reach: float = 1.3) -> float:
    near = np.hypot(local[:, 0] - lobe[0], local[:, 1] - lobe[1]) < reach
    return -float(gap[near].min()) if near.any() else np.nan


def settle(upper: Arch, lower: Arch, rounds: int = 14, log=None) -> None:
    """Shift teeth and change the heights of cusps until each overlaps its opponent a little."""
    for r in range(rounds):
        for arch, other in ((lower, upper), (upper, lower)):
            field = Field(other, what="teeth")
            for row, number in enumerate(arch.numbers):
                if number % 10 <= 3:
                    if arch.jaw == "lower":
                        _shift_anterior(arch, row, field)
                    continue
                _adjust_cusps(arch, row, field, first=r < 2)
        if log is not None and r == rounds - 1:
            for arch, other in ((lower, upper), (upper, lower)):
                field = Field(other, what="teeth")
                worst = {n: round(-float(field.value(tooth_samples(arch, i)[0]).min()), 3)
                         for i, n in enumerate(arch.numbers)}  # fmt: skip
                log(f"{arch.jaw} overlaps {worst}")


def _shift_anterior(arch: Arch, row: int, field: Field) -> None:
    points, _ = tooth_samples(arch, row, 0.3)
    b = arch.axes[row, 1].copy()
    b[2] = 0.0
    b /= np.linalg.norm(b)
    # bisect the labial shift that gives the wanted overlap
    lo, hi = -1.2, 1.2
    for _ in range(9):
        mid = 0.5 * (lo + hi)
        if -field.value(points + mid * b).min() > OVERLAP_MM:
            hi = mid
        else:
            lo = mid
    arch.origin[row] += 0.7 * 0.5 * (lo + hi) * b


def _adjust_cusps(arch: Arch, row: int, field: Field, first: bool) -> None:
    shape = arch.shapes[row]
    points, local = tooth_samples(arch, row)
    gap = field.value(points)
    if first and (arch.jaw == "upper" or arch.numbers[row] % 10 == 4):
        move = np.clip(gap.min() + OVERLAP_MM, -0.8, 0.8)
        arch.origin[row] += 0.8 * move * arch.axes[row, 2]
        return
    for name, k in shape.cusps.items():
        lobe = shape.lobes[k]
        overlap = _cusp_overlap(local, gap, lobe)
        if not np.isfinite(overlap):
            continue
        change = float(np.clip(OVERLAP_MM - overlap, -0.4, 0.4)) * 0.7
        if name not in FUNCTIONAL[arch.jaw]:
            change = min(change, 0.0) if overlap > OVERLAP_MM else 0.0
        low = -2.2 if name != "L" else -2.6
        change = float(np.clip(lobe[2] + change, low, 0.7)) - lobe[2]
        lobe[2] += change
        lobe[5] += change
