"""The shapes of the teeth and where they stand: tables in, arrays for the kernels out.

Sizes (crown length, mesiodistal, mesiodistal at the neck, buccolingual) are the handbook's
(Ash & Nelson, Wheeler's Dental Anatomy, table of specifications for carving; from memory). The
settled lower cusps lie near the four-inch sphere of Monson (1920; from memory), for which the
teeth start on a wider one. Frame: origin midway between the condyles, +x the patient's right, +y
anterior, +z superior.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from demo_arches.model.fields import KNOTS

SPHERE_RADIUS_MM = 112.0
INCISAL_Y_MM = 83.75
OCCLUSAL_Z_MM = -34.3
SPHERE_Y_MM = 54.0
OVERBITE_MM = 3.1
ARCH_HALF_WIDTH_MM = 24.6
ARCH_LENGTH_MM = 56.0
# crown length, mesiodistal, mesiodistal at the neck, buccolingual
SIZES = {
    "upper": {
        1: (10.5, 8.5, 7.0, 7.0), 2: (9.0, 6.5, 5.0, 6.0), 3: (10.0, 7.5, 5.5, 8.0),
        4: (8.5, 7.0, 5.0, 9.0), 5: (8.5, 7.0, 5.0, 9.0), 6: (7.5, 10.0, 8.0, 11.0),
        7: (7.0, 9.0, 7.0, 11.0),
    },
    "lower": {
        1: (9.0, 5.0, 3.5, 6.0), 2: (9.5, 5.5, 4.0, 6.5), 3: (11.0, 7.0, 5.5, 7.5),
        4: (8.5, 7.0, 5.0, 7.5), 5: (8.0, 7.0, 5.0, 8.0), 6: (7.5, 11.0, 9.0, 10.5),
        7: (7.0, 10.5, 8.0, 10.0),
    },
}  # fmt: skip


@dataclass
class Shape:
    """One tooth's shape in its own frame (mesial, buccal, occlusal), mm."""

    length: float
    half_m: list[float]
    labial: list[float]
    lingual: list[float]
    exponent: float
    taper: float
    rounding: float
    kappa: float
    lobes: list[list[float]]
    cusps: dict[str, int]  # name of a cusp -> its row in lobes
    grooves: list[list[float]] = field(default_factory=list)
    dents: list[list[float]] = field(default_factory=list)
    torque_deg: float = 0.0
    tip_deg: float = 0.0
    edge_b: float = 0.0


def cusp(m: float, b: float, h: float, slope: float, rho: float = 0.9, ridges: float = 0.45):
    """Return a lobe: a rounded cone with four ridges, one towards the middle of the tooth."""
    inward = np.array([-0.35 * m, -b])
    inward /= np.linalg.norm(inward) + 1e-9
    return [m, b, h, m, b, h, slope, rho, 1.0, ridges, inward[0], inward[1]]


def ridge(m1: float, b1: float, h1: float, m2: float, b2: float, h2: float,
          slope: float, rho: float = 0.5):  # fmt: skip
    """Return a lobe: a rounded roof along a segment."""
    return [m1, b1, h1, m2, b2, h2, slope, rho, 1.0, 0.0, 1.0, 0.0]


def _posterior(jaw: str, number: int) -> Shape:  # noqa: PLR0915
    length, md, neck, bl = SIZES[jaw][number]
    upper = jaw == "upper"
    half_m = [0.36 * md, 0.44 * md, 0.487 * md, 0.50 * md, 0.5 * (0.48 * md + 0.5 * neck),
              0.5 * neck, 0.40 * neck]  # fmt: skip
    labial = [0.27 * bl, 0.37 * bl, 0.435 * bl, 0.485 * bl, 0.50 * bl, 0.45 * bl, 0.36 * bl]
    lingual = [-0.29 * bl, -0.385 * bl, -0.45 * bl, -0.50 * bl, -0.485 * bl, -0.44 * bl, -0.36 * bl]
    e = md / 2
    lobes: list[list[float]] = []
    grooves: list[list[float]] = []
    dents: list[list[float]] = []
    if number in (4, 5) and upper:
        p = -0.55 if number == 4 else -0.2
        lobes = [cusp(-0.1, 2.35, 0, 0.50), cusp(0.55, -2.25, p, 0.50)]
        cusps = {"B": 0, "P": 1}
        grooves = [
            [-1.9, 0.05, 2.0, 0.05, 0.32, 0.34],
            [2.0, 0.05, 2.5, 1.0, 0.15, 0.3],
            [-1.9, 0.05, -2.4, 1.0, 0.15, 0.3],
            [-1.9, 0.05, -2.4, -1.0, 0.15, 0.3],
        ]
        ridge_h = -1.15
    elif number == 4:
        lobes = [cusp(0.1, 1.55, 0, 0.52, 0.9, 0.35), cusp(0.3, -2.1, -1.7, 0.55)]
        cusps = {"B": 0, "L": 1}
        grooves = [
            [-1.8, -0.6, -0.5, -1.0, 0.25, 0.35],
            [0.6, -1.0, 1.9, -0.5, 0.25, 0.35],
            [1.9, -0.5, 2.3, -2.2, 0.2, 0.3],
        ]
        ridge_h = -1.3
    elif number == 5 and not upper:
        lobes = [cusp(1.0, 1.85, 0, 0.50), cusp(1.2, -2.0, -0.9, 0.5), cusp(-1.5, -1.9, -1.25, 0.5)]
        cusps = {"B": 0, "ML": 1, "DL": 2}
        grooves = [
            [-1.9, -0.1, 0, -0.35, 0.28, 0.34],
            [0, -0.35, 2.0, -0.1, 0.28, 0.34],
            [0.0, -0.35, -0.2, -2.9, 0.3, 0.35],
        ]
        ridge_h = -1.2
    elif upper and number == 6:
        lobes = [
            cusp(2.35, 2.95, 0, 0.46),
            cusp(-2.3, 2.8, -0.25, 0.46),
            cusp(1.55, -2.75, -0.1, 0.46, 1.0),
            cusp(-3.0, -2.9, -0.8, 0.5),
            ridge(0.9, -1.6, -0.75, -1.9, 1.7, -0.85, 0.6, 0.5),
        ]
        cusps = {"MB": 0, "DB": 1, "MP": 2, "DP": 3}
        grooves = [
            [2.6, 0.1, 0.5, 0.5, 0.3, 0.36],
            [0.5, 0.5, 0.25, 5.0, 0.34, 0.36],
            [-0.3, -0.2, -1.3, 0.1, 0.12, 0.3],
            [-3.2, 0.6, -2.6, -0.6, 0.25, 0.35],
            [-2.6, -0.6, -1.1, -5.2, 0.32, 0.38],
            [2.6, 0.1, 3.3, 1.2, 0.16, 0.3],
        ]
        dents = [[0.2, 0.1, 0.75, 0.5, 0.30, 1.0], [-1.2, 0.1, 0.7, 0.42, 0.26, -1.0]]
        ridge_h = -1.05
    elif upper:
        lobes = [
            cusp(2.1, 2.8, 0, 0.46),
            cusp(-2.0, 2.55, -0.4, 0.46),
            cusp(1.3, -2.7, -0.15, 0.46, 1.0),
            cusp(-2.6, -2.5, -1.1, 0.5),
            ridge(0.8, -1.5, -0.8, -1.6, 1.5, -1.0, 0.6, 0.5),
        ]
        cusps = {"MB": 0, "DB": 1, "MP": 2, "DP": 3}
        grooves = [
            [2.3, 0.1, 0.4, 0.5, 0.3, 0.36],
            [0.4, 0.5, 0.2, 5.0, 0.32, 0.36],
            [-2.7, 0.6, -2.2, -0.5, 0.22, 0.35],
            [-2.2, -0.5, -1.2, -5.0, 0.26, 0.36],
        ]
        dents = [[0.2, 0.1, 0.7, 0.5, 0.28, 1.0], [-1.1, 0.1, 0.7, 0.35, 0.2, -1.0]]
        ridge_h = -1.1
    elif number == 6:
        lobes = [
            cusp(3.0, 2.45, 0, 0.46),
            cusp(-0.75, 2.6, -0.1, 0.46),
            cusp(-3.9, 1.75, -0.45, 0.5, 0.8),
            cusp(2.4, -2.6, -0.1, 0.5),
            cusp(-2.3, -2.6, -0.25, 0.5),
        ]
        cusps = {"MB": 0, "DB": 1, "D": 2, "ML": 3, "DL": 4}
        grooves = [
            [3.4, 0.0, 1.1, 0.25, 0.28, 0.36],
            [1.1, 0.25, -1.4, -0.15, 0.32, 0.36],
            [-1.4, -0.15, -3.7, 0.0, 0.26, 0.36],
            [1.1, 0.25, 1.2, 5.0, 0.34, 0.36],
            [-1.9, 0.0, -2.6, 4.8, 0.30, 0.36],
            [0.0, 0.0, 0.05, -5.0, 0.34, 0.38],
            [3.4, 0.0, 3.9, 1.0, 0.15, 0.3],
            [3.4, 0.0, 3.9, -1.0, 0.15, 0.3],
        ]
        dents = [
            [1.15, 0.1, 0.75, 0.55, 0.32, 1.0],
            [-2.5, 0.05, 0.7, 0.42, 0.26, 1.0],
            [0.05, 0.05, 0.7, 0.32, 0.26, -1.0],
        ]
        ridge_h = -0.95
    else:
        lobes = [
            cusp(2.5, 2.4, 0, 0.46),
            cusp(-2.2, 2.4, -0.15, 0.46),
            cusp(2.3, -2.45, -0.1, 0.5),
            cusp(-2.2, -2.4, -0.25, 0.5),
        ]
        cusps = {"MB": 0, "DB": 1, "ML": 2, "DL": 3}
        grooves = [
            [3.1, 0.0, 0.0, 0.0, 0.32, 0.36],
            [0.0, 0.0, -3.1, 0.0, 0.32, 0.36],
            [0.1, 0.0, 0.15, 4.9, 0.34, 0.36],
            [0.1, 0.0, 0.05, -4.9, 0.34, 0.36],
        ]
        dents = [[0.15, 0.1, 0.75, 0.5, 0.32, 1.0], [0.05, 0.05, 0.7, 0.32, 0.26, -1.0]]
        ridge_h = -0.95
    drop = 0.12 if number > 4 else 0.0
    if upper and number == 4:
        drop = -0.1  # its distal ridge meets the buccal cusp of the lower second premolar
    lobes.append(ridge(e - 1.05, 1.35, ridge_h, e - 1.05, -1.35, ridge_h, 0.62))
    lobes.append(ridge(-e + 1.05, 1.25, ridge_h - drop, -e + 1.05, -1.3, ridge_h - drop, 0.62))
    if not upper and number == 4:  # the transverse ridge and the lower mesiolingual corner
        lobes.append(ridge(0.1, 1.4, -0.25, 0.25, -2.0, -1.85, 0.7, 0.45))
    floor = -1.45 if number >= 6 else -1.5
    if not (number == 4 and not upper):
        lobes.append(ridge(0.35 * e, 0.0, floor, -0.35 * e, 0.0, floor, 0.12, 1.5))
    for groove in grooves:
        groove[4] *= 0.7
    exponent = 2.9 if number >= 6 else 2.35
    taper = {True: 0.03, False: 0.05}[upper] if number >= 6 else 0.09
    return Shape(length, half_m, labial, lingual, exponent, taper, 0.9, 6.5, lobes, cusps,
                 grooves, dents)  # fmt: skip


def _anterior(jaw: str, number: int) -> Shape:
    length, md, neck, bl = SIZES[jaw][number]
    upper = jaw == "upper"
    half_m = [0.46 * md, 0.475 * md, 0.5 * md, 0.485 * md, 0.5 * (0.43 * md + 0.5 * neck),
              0.5 * neck, 0.4 * neck]  # fmt: skip
    e = md / 2
    dents: list[list[float]] = []
    if number == 3:
        labial = [0.07, 0.24, 0.37, 0.47, 0.50, 0.45, 0.36]
        lingual = [0.02, 0.06, -0.18, -0.42, -0.50, -0.47, -0.36]
        if not upper:
            lingual = [-0.02, 0.01, -0.08, -0.2, -0.42, -0.46, -0.36]
        half_m[0], half_m[1] = 0.33 * md, 0.42 * md
        edge = 0.14 * bl
        t = 0.25
        lobes = [
            ridge(t, edge, 0.0, 0.8 * e, edge - 0.25, -1.25, 0.55, 0.7),
            ridge(t, edge, 0.0, -0.8 * e, edge - 0.25, -1.75, 0.55, 0.7),
        ]
        cusps = {"C": 0}
        hollow = 0.14 if upper else 0.25
        dents = [
            [1.3, 0.55, 0.75, 0.28, hollow, -1.0],
            [-1.3, 0.55, 0.75, 0.28, hollow, -1.0],
            [1.9, 0.35, 0.6, 0.5, 0.14, 1.0],
            [-1.9, 0.35, 0.6, 0.5, 0.14, 1.0],
        ]
        torque, tip = (14.0, 7.0) if upper else (5.0, 5.0)
        exponent, rounding = 2.2, 0.6
    elif upper:
        labial = [0.12, 0.26, 0.36, 0.45, 0.50, 0.45, 0.36]
        lingual = [0.06, 0.10, 0.0, -0.16, -0.43, -0.47, -0.36]
        edge = 0.19 * bl
        round_d = 0.22 if number == 1 else 0.55
        lobes = [
            ridge(0.80 * e, edge, -0.02, -0.55 * e, edge, -round_d * 0.4, 0.35, 0.5),
            ridge(-0.55 * e, edge, -round_d * 0.4, -0.80 * e, edge, -round_d, 0.35, 0.5),
        ]
        cusps = {"E": 0}
        dents = [
            [0.0, 0.38, 0.28 * md, 0.24, 0.42, -1.0],
            [0.17 * md, 0.25, 0.6, 0.35, 0.10, 1.0],
            [-0.17 * md, 0.25, 0.6, 0.35, 0.10, 1.0],
        ]
        torque, tip = (22.0, 4.0) if number == 1 else (19.0, 6.0)
        exponent, rounding = 2.5, 0.55
    else:
        labial = [0.06, 0.13, 0.25, 0.38, 0.49, 0.46, 0.36]
        lingual = [-0.06, -0.05, -0.12, -0.22, -0.42, -0.46, -0.36]
        edge = 0.04 * bl
        lobes = [ridge(0.82 * e, edge, 0.0, -0.82 * e, edge, -0.05 * number, 0.35, 0.45)]
        cusps = {"E": 0}
        dents = [[0.0, 0.4, 0.26 * md, 0.24, 0.22, -1.0]]
        torque, tip = 4.0, 1.0
        exponent, rounding = 2.4, 0.5
    lab = [x * bl for x in labial]
    lin = [x * bl for x in lingual]
    return Shape(length, half_m, lab, lin, exponent, 0.14, rounding, 7.0, lobes, cusps, [], dents,
                 torque, tip, edge)  # fmt: skip


def shape_of(jaw: str, number: int) -> Shape:
    """Return the shape of tooth 1 to 7 of a jaw, unworn and before fitting."""
    return _posterior(jaw, number) if number >= 4 else _anterior(jaw, number)


def healing_abutment(shape: Shape) -> Shape:
    """Return a flat-topped cylinder that ends well below the occlusal surface."""
    top = -0.55 * shape.length
    radius = 2.6
    return replace(shape, half_m=[radius] * 7, labial=[radius] * 7, lingual=[-radius] * 7,
                   exponent=2.0, taper=0.0, rounding=0.5, cusps={}, grooves=[], dents=[],
                   lobes=[ridge(0.5, 0, top, -0.5, 0, top, 0.0)])  # fmt: skip


def prepared_stump(shape: Shape, reduction: float = 1.9) -> Shape:
    """Return a tooth prepared for a crown: tapered walls, a rounded top, a shoulder at the neck."""
    cut = [2.2, 1.95, 1.75, 1.5, 1.15, 0.9, 0.0]
    half_m = [max(h - c, 1.2) for h, c in zip(shape.half_m, cut, strict=True)]
    labial = [max(h - c, 1.2) for h, c in zip(shape.labial, cut, strict=True)]
    lingual = [min(h + c, -1.2) for h, c in zip(shape.lingual, cut, strict=True)]
    lobes = [[*row[:2], row[2] * 0.8 - reduction, *row[3:5], row[5] * 0.8 - reduction,
              row[6] * 0.75, 1.0, *row[8:]] for row in shape.lobes]  # fmt: skip
    return replace(shape, half_m=half_m, labial=labial, lingual=lingual, rounding=1.2, kappa=3.0,
                   exponent=2.3, lobes=lobes, cusps={}, grooves=[], dents=[])  # fmt: skip


class ArchCurve:
    """The line through the middles of the crowns: a superellipse by its length in mm."""

    def __init__(self, inset_mm: float) -> None:
        a, b, e = ARCH_HALF_WIDTH_MM, ARCH_LENGTH_MM, 2.14
        phi = np.linspace(0, 0.5 * np.pi * 0.97, 4000)
        x = a * np.sin(phi) ** (2 / e)
        y = INCISAL_Y_MM + 1.3 - b * (1 - np.cos(phi) ** (2 / e))
        x, y = np.concatenate([-x[:0:-1], x]), np.concatenate([y[:0:-1], y])
        dx, dy = np.gradient(x), np.gradient(y)
        norm = np.hypot(dx, dy)
        x, y = x + inset_mm * dy / norm, y - inset_mm * dx / norm
        s = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        s -= np.interp(0.0, x, s)
        self.spline = CubicSpline(s, np.stack([x, y], 1))

    def at(self, s: float):
        """Return the point, and the unit vectors along (to the right) and outward, (2,) each."""
        p = self.spline(s)
        d = self.spline(s, 1)
        d = d / np.linalg.norm(d)
        return p, d, np.array([-d[1], d[0]])

    def next_chord(self, s: float, chord: float) -> float:
        """Return where a chord from `s` ends."""
        start = self.spline(s)
        return brentq(lambda x: np.linalg.norm(self.spline(x) - start) - chord, s, s + 2 * chord)


@dataclass
class Arch:
    """A jaw's teeth: shapes, where they stand, and the arrays the kernels read."""

    jaw: str
    numbers: list[int]
    shapes: list[Shape]
    origin: np.ndarray
    axes: np.ndarray

    def index(self, number: int) -> int:
        """Return the row of a tooth by its two-digit number."""
        return self.numbers.index(number)

    def arrays(self, only: list[int] | None = None):
        """Return the tuple of arrays for the kernels, of all teeth or of some rows."""
        rows = list(range(len(self.numbers))) if only is None else only
        n = len(rows)
        spl = np.zeros((n, 3, 6, 4))
        lobes, grooves = np.zeros((n, 10, 12)), np.zeros((n, 9, 6))
        dents, scalars, gum = np.zeros((n, 5, 6)), np.zeros((n, 7)), np.zeros((n, 6))
        for k, i in enumerate(rows):
            s = self.shapes[i]
            for j, table in enumerate((s.half_m, s.labial, s.lingual)):
                spl[k, j] = CubicSpline(KNOTS, table, bc_type="natural").c[::-1].T
            lobes[k, : len(s.lobes)] = s.lobes
            if s.grooves:
                grooves[k, : len(s.grooves)] = s.grooves
            if s.dents:
                dents[k, : len(s.dents)] = s.dents
            reach_b = max(max(s.labial), -min(s.lingual)) + 1.4
            scalars[k] = (s.length, s.exponent, s.taper, s.rounding, s.kappa,
                          max(s.half_m) * (1 + 1.5 * s.taper) + 1.4, reach_b)  # fmt: skip
            nominal = shape_of(self.jaw, self.numbers[i] % 10)
            bl, md = nominal.labial[5] - nominal.lingual[5], 2 * nominal.half_m[5]
            mid = 0.5 * (nominal.labial[5] + nominal.lingual[5])
            gum[k] = md / 2 + 0.35, bl / 2 + 0.45, 0, -s.length + 0.75, mid, 0.0
        return (self.origin[rows].copy(), self.axes[rows].copy(), spl, lobes, grooves, dents,
                scalars, gum, self._papillae() if only is None else np.zeros((0, 8)))  # fmt: skip

    def _papillae(self) -> np.ndarray:
        sign = 1.0 if self.jaw == "lower" else -1.0
        rows = []
        for i in range(len(self.numbers) - 1):
            a, b = self.origin[i], self.origin[i + 1]
            wa, wb = self.shapes[i].half_m[3], self.shapes[i + 1].half_m[3]
            p = a + (b - a) * wa / (wa + wb)
            d = (b - a)[:2] / np.linalg.norm((b - a)[:2])
            length = 0.5 * (self.shapes[i].length + self.shapes[i + 1].length)
            up = 0.5 * (self.axes[i, 2] + self.axes[i + 1, 2])
            out = 0.5 * (self.axes[i, 1] + self.axes[i + 1, 1])
            front = self.numbers[i] % 10 <= 3 and self.numbers[i + 1] % 10 <= 3
            q = p - up * length * (0.50 if front else 0.48) + out * (0.1 if front else 0.0)
            deep = 1.3 if front else 2.1
            rows.append([q[0], q[1], q[2], d[0], d[1], deep, 0.0, sign])
        rows = np.array(rows)
        rows[:, 6] = (rows[:, 2] * sign).max() * sign + 1.3 * sign  # no gingiva beyond
        return rows


def build_arch(jaw: str, seed: int = 0) -> Arch:
    """Return an arch with its teeth along the curve, on the sphere, with small seeded variety."""
    rng = np.random.default_rng(seed)
    upper = jaw == "upper"
    curve = ArchCurve(0.0 if upper else 2.5)
    quadrants = (1, 2) if upper else (4, 3)
    centre = np.array([0.0, SPHERE_Y_MM, 0.0])
    centre[2] = OCCLUSAL_Z_MM + np.sqrt(SPHERE_RADIUS_MM**2 - (INCISAL_Y_MM - SPHERE_Y_MM) ** 2)
    found = {}
    for side, quadrant in zip((1.0, -1.0), quadrants, strict=True):
        s = 0.02
        for n in range(1, 8):
            shape = shape_of(jaw, n)
            end = curve.next_chord(s, 2 * max(shape.half_m[2:5]) + 0.02)
            mid = 0.5 * (s + end)
            s = end
            xy, along, outward = curve.at(mid)
            xy, along, outward = xy * [side, 1], along * [side, 1], outward * [side, 1]
            drop = 0.0
            if upper:
                drop = {1: OVERBITE_MM, 2: OVERBITE_MM - 0.5, 3: OVERBITE_MM - 0.5}.get(n, 1.5)
            elif n == 3:
                drop = -0.3
            z = centre[2] - np.sqrt(SPHERE_RADIUS_MM**2 - (xy[0] ** 2 + (xy[1] - SPHERE_Y_MM) ** 2))
            origin = np.array([xy[0], xy[1], z - drop])
            w = (centre - origin) / np.linalg.norm(centre - origin) * (-1.0 if upper else 1.0)
            if n <= 3:
                w = np.array([0.0, 0.0, -1.0 if upper else 1.0])
            b = np.array([outward[0], outward[1], 0.0])
            turn = np.deg2rad(rng.normal(0, 1.2))
            m = -np.array([along[0], along[1], 0.0])
            m, b = np.cos(turn) * m + np.sin(turn) * b, np.cos(turn) * b - np.sin(turn) * m
            torque = np.deg2rad(shape.torque_deg + rng.normal(0, 0.6))
            tip = np.deg2rad(shape.tip_deg + rng.normal(0, 0.6))
            w = w + np.tan(torque) * b + np.tan(tip) * m
            w /= np.linalg.norm(w)
            b = b - (b @ w) * w
            b /= np.linalg.norm(b)
            m = m - (m @ w) * w - (m @ b) * b
            m /= np.linalg.norm(m)
            origin = origin - shape.edge_b * b * (1.0 if n <= 3 else 0.0)
            if not upper and n in (4, 5):
                origin = origin + 0.7 * b  # buccal cusps in one line with the molars'
            for row in shape.lobes:
                row[2] += (h := rng.normal(0, 0.04))
                row[5] += h
            found[quadrant * 10 + n] = (shape, origin, np.array([m, b, w]))
    q1, q2 = quadrants
    numbers = [q1 * 10 + n for n in range(7, 0, -1)] + [q2 * 10 + n for n in range(1, 8)]
    return Arch(jaw, numbers, [found[k][0] for k in numbers],
                np.array([found[k][1] for k in numbers]),
                np.array([found[k][2] for k in numbers]))  # fmt: skip
