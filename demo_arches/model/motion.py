"""The built-in jaw: condyles, guided paths, and the opening at which the natural teeth touch.

Written apart from the engine's own kinematics, so that one checks the other. Straight condylar
paths; the least rotation carries the axis, then the jaw opens about it.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from demo_arches.model.fit import tooth_samples
from demo_arches.model.surface import BITE_WEAR, CLOSED, Field, closest, project

HALF_WIDTH_MM = 52.5
INCLINATION = np.deg2rad(33.0)
BENNETT = np.deg2rad(7.5)
RANGE_MM = {"protrusion": 2.5, "laterotrusion_right": 3.0, "laterotrusion_left": 3.0}
STEP_MM = 0.1
FIRST_STEPS_MM = (0.0125, 0.025, 0.05, 0.075)
LIGHT_N = 20.0
WEAR_DEPTH_MM = {"canine": 0.09, "incisor": 0.05}
STIFFNESS_MPA_PER_MM = 300.0
N_SPLIT = 2
DEEP_MM = 0.02
TOUCHED_MM = 0.005


def path_steps(reach: float) -> np.ndarray:
    """Return the steps of a movement, mm, from 0: even ones, and finer ones at its start.

    The closure's contacts part within the first tenth of a millimetre, and the jaw sinks.
    """
    return np.concatenate([[0.0], FIRST_STEPS_MM, np.arange(STEP_MM, reach + 1e-9, STEP_MM)])


def _rotation(axis: np.ndarray, angle: float) -> np.ndarray:
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


def pose(movement: str, s: float, opening: float) -> np.ndarray:
    """Return the displacement (4, 4) of the mandible from the built bite, jaw frame."""
    h = HALF_WIDTH_MM
    right, left = np.array([h, 0.0, 0.0]), np.array([-h, 0.0, 0.0])
    down, medial = s * np.tan(INCLINATION), s * np.tan(BENNETT)
    if movement == "protrusion":
        move = np.array([0, s, -down])
        right, left = right + move, left + move
    elif movement == "laterotrusion_right":
        left = left + np.array([medial, s, -down])
        right = np.array([left[0] + np.sqrt(4 * h * h - s * s - down * down), 0.0, 0.0])
    elif movement == "laterotrusion_left":
        right = right + np.array([-medial, s, -down])
        left = np.array([right[0] - np.sqrt(4 * h * h - s * s - down * down), 0.0, 0.0])
    axis = (right - left) / np.linalg.norm(right - left)
    turn = np.cross([1.0, 0.0, 0.0], axis)
    sine = np.linalg.norm(turn)
    first = np.eye(3) if sine < 1e-15 else _rotation(turn / sine, np.arctan2(sine, axis[0]))
    T = np.eye(4)
    T[:3, :3] = _rotation(axis, -opening) @ first
    T[:3, 3] = 0.5 * (right + left)
    return T


def apply(T: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Return points (n, 3) carried by a (4, 4) transform."""
    return p @ T[:3, :3].T + T[:3, 3]


def guided_wear(lower_arch, upper_arch, log=None) -> tuple[np.ndarray, np.ndarray]:
    """Return the poses (n, 4, 4) and windows (w, 5) that wear the lower teeth.

    The recorded bite wears everywhere. Besides, canines are worn in the laterotrusion to their
    side and incisors in protrusion, a little deeper than where they would first touch, so that
    guiding contacts lie on facets.
    """
    upper = Field(upper_arch, what="teeth")
    lower = Field(lower_arch, upper_arch, BITE_WEAR, what="teeth")
    groups = {"protrusion": (42, 41, 31, 32), "laterotrusion_right": (43,),
              "laterotrusion_left": (33,)}  # fmt: skip
    poses, windows = [CLOSED[0]], []
    for group, (movement, teeth) in enumerate(groups.items(), start=1):
        parts = []
        deepest = WEAR_DEPTH_MM["incisor" if movement == "protrusion" else "canine"]
        for number in teeth:
            i = lower_arch.index(number)
            found, _ = tooth_samples(lower_arch, i, 0.15)
            parts.append(project(lower.gradient, found, 3)[0])
            lobe = lower_arch.shapes[i].lobes[0]
            canine = number % 10 == 3
            middle = np.array([lobe[0] if canine else 0.0, lobe[1], lobe[2] - 0.5])
            place = lower_arch.origin[i] + middle @ lower_arch.axes[i]
            windows.append([*place, 4.2 if canine else 3.6, group])
        points = np.concatenate(parts)
        opening = 0.0
        for s in np.arange(0.2, RANGE_MM[movement] + 1e-9, 0.2):
            opening = _touching(upper, points, movement, s, opening)
            depth = deepest * np.clip((s - 0.2) / 0.4, 0.0, 1.0)
            T = pose(movement, s, opening - depth / 80.0)
            T[3] = group
            poses.append(T)
        if log is not None:
            log(f"wear in {movement}: opening {np.degrees(opening):.3f} deg")
    return np.array(poses), np.array(windows)


def _touching(upper: Field, points: np.ndarray, movement: str, s: float, opening: float) -> float:
    """Return the opening at which points of lower teeth just touch, from a guess."""
    for _ in range(12):
        opening -= upper.value(apply(pose(movement, s, opening), points)).min() / 80.0
    return opening


def touching_poses(lower_arch, upper_arch, wear, step: float = 0.3) -> list[np.ndarray]:
    """Return poses along all movements, natural teeth touching to about 0.02 mm."""
    lower, upper = (
        Field(lower_arch, upper_arch, wear, what="teeth"),
        Field(upper_arch, what="teeth"),
    )
    points = np.concatenate([project(lower.gradient, tooth_samples(lower_arch, i, 0.2)[0], 3)[0]
                             for i in range(len(lower_arch.numbers))])  # fmt: skip
    poses = [np.eye(4)]
    for movement, reach in RANGE_MM.items():
        opening = 0.0
        for s in np.arange(step, reach + 1e-9, step):
            opening = _touching(upper, points, movement, s, opening)
            poses.append(pose(movement, s, opening))
    return poses


class Guidance:
    """The opening at each step that the natural teeth allow, for one pair of arches.

    Two openings are kept: at first contact, and where the teeth carry a light load on an elastic
    foundation (pressure = stiffness times overlap), which is what a case's datum is about. The
    lower teeth are their mesh, each face near contact split into 4; the upper teeth are implicit.
    """

    def __init__(self, lower_mesh, tooth, lower: Field, upper: Field, log=None) -> None:
        """`lower_mesh`: vertices, faces; `tooth` (V,): nearest tooth; fields of teeth alone."""
        self.lower, self.upper = lower, upper
        vertices, faces = lower_mesh
        near = np.flatnonzero(upper.value(vertices) < 7.0)
        on_tooth = np.abs(lower.value(vertices[near])) < 1e-3
        near = near[on_tooth]
        self.samples, self.number = vertices[near], tooth[near]
        self.vertices, self.tooth = vertices, tooth
        is_near = np.zeros(len(vertices), dtype=bool)
        is_near[near] = True
        self.faces = faces[is_near[faces].all(axis=1)]
        self.split = even_pieces(N_SPLIT)
        self.first, self.loaded, self.touching = {}, {}, {}
        for movement, reach in {"centric": 0.0, **RANGE_MM}.items():
            s = path_steps(reach) if reach else np.zeros(1)
            first, loaded, touched = [], [], []
            guess, extra = 0.0, 0.0
            for x in s:
                guess, tooth_there = self._touch(movement, x, guess)
                extra = self._load(movement, x, guess, extra)
                first.append(guess)
                loaded.append(guess + extra)
                touched.append(int(tooth_there))
            if movement == "centric":
                self.closed = loaded[0]
                continue
            self.first[movement] = PchipInterpolator(s, first)
            self.loaded[movement] = PchipInterpolator(s, loaded)
            self.touching[movement] = touched
            if log is not None:
                sink = 80e3 * (np.array(first) - np.array(loaded))
                log(f"{movement}: opening {np.degrees(first[-1]):.3f} deg, guided by "
                    f"{sorted(set(touched[2:]))}, sinks {sink[0]:.1f} to {sink.max():.1f} um "
                    "at the incisors under light load")  # fmt: skip

    def pose(self, movement: str, s: float, loaded: bool = True) -> np.ndarray:
        """Return the tooth-guided pose (4, 4), at light load or at first contact."""
        if movement == "centric":
            return pose("centric", 0.0, self.closed if loaded else 0.0)
        path = (self.loaded if loaded else self.first)[movement]
        return pose(movement, s, float(path(s)))

    def natural_gap(self, teeth) -> float:
        """Return the median of the mean gaps over the contacts of some lower teeth, light load."""
        T = self.pose("centric", 0.0)
        depth, area, face = self._overlap(T, self._close_faces(T))
        tooth = self.tooth[self.faces[face, 0]]
        gaps = []
        for number in teeth:
            own = tooth == number
            if area[own].sum() > 0:
                gaps.append(-float(depth[own] @ area[own] / area[own].sum()))
        return float(np.median(gaps))

    def _close_faces(self, T: np.ndarray) -> np.ndarray:
        """Return the faces that lie within 0.25 mm of the upper teeth at a pose."""
        used, local = np.unique(self.faces, return_inverse=True)
        near = self.upper.value(apply(T, self.vertices[used])) < 0.25
        return np.flatnonzero(near[local.reshape(-1, 3)].any(axis=1))

    def _overlap(self, T: np.ndarray, close: np.ndarray):
        """Return depth (mm), area (mm2) and face of every piece of face that overlaps at a pose."""
        used, local = np.unique(self.faces[close], return_inverse=True)
        moved = apply(T, self.vertices[used])
        local = local.reshape(-1, 3)
        touched = (self.upper.value(moved) < TOUCHED_MM)[local].any(axis=1)
        close, corners = close[touched], moved[local[touched]]
        area = 0.5 * np.linalg.norm(
            np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
        )
        p = np.einsum("gk,fkd->fgd", self.split, corners).reshape(-1, 3)
        inside = np.flatnonzero(self.upper.value(p) < 0.0)
        foot, _ = project(self.upper.gradient, p[inside], 2)
        depth = np.linalg.norm(foot - p[inside], axis=1)
        deep = np.flatnonzero(depth > DEEP_MM)  # else the foot is the closest point to 1e-6 mm
        depth[deep] = -closest(self.upper.gradient, p[inside[deep]], 8)[0]
        face = inside // len(self.split)
        return depth, area[face] / len(self.split), close[face]

    def _least(self, movement, s, opening, points):
        d = self.upper.value(apply(pose(movement, s, opening), points))
        k = int(np.argmin(d))
        return d[k], k

    def _touch(self, movement: str, s: float, guess: float):
        d = self.upper.value(apply(pose(movement, s, guess), self.samples))
        self.near = np.argsort(d)[:4000]
        if s == 0.0:
            return 0.0, self.number[self.near[0]]
        near = self.near[:1500]
        points, number = self.samples[near], self.number[near]
        opening = self._root(movement, s, guess, points)
        rng = np.random.default_rng(5)
        tooth = 0
        for spread in (0.05, 0.015):
            d = self.upper.value(apply(pose(movement, s, opening), points))
            best = np.argsort(d)[:8]
            tooth = number[best[0]]
            tries = points[best][:, None] + rng.normal(0, spread, (8, 50, 3))
            extra, _ = project(self.lower.gradient, tries.reshape(-1, 3), 2)
            points = np.concatenate([points[best], extra])
            number = np.concatenate([number[best], np.repeat(number[best], 50)])
            opening = self._root(movement, s, opening, points)
        return opening, tooth

    def _root(self, movement, s, opening, points):
        """Return the opening at which the least gap of some points is zero."""
        lo, hi = opening - 0.02, opening + 0.02
        f0, _ = self._least(movement, s, opening, points)
        x0, x1 = opening, opening - f0 / 40.0
        for _ in range(30):
            f1, _ = self._least(movement, s, x1, points)
            if abs(f1) < 1e-7:
                break
            slope = (f1 - f0) / (x1 - x0) if x1 != x0 else 40.0
            if not 5.0 < slope < 200.0:
                slope = 60.0
            x0, f0 = x1, f1
            x1 = float(np.clip(x1 - f1 / slope, lo, hi))
        return x1

    def _load(self, movement, s, opening, guess):
        """Return the further closing (rad, negative) at which the light load is carried."""
        wanted = LIGHT_N / STIFFNESS_MPA_PER_MM
        close = self._close_faces(pose(movement, s, opening + guess))

        def carried(closing: float) -> float:
            T = pose(movement, s, opening + closing)
            depth, area, face = self._overlap(T, close)
            corners = self.vertices[self.faces[face]]
            normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            normal /= np.linalg.norm(normal, axis=1, keepdims=True)
            return float(np.sum(depth * area * (normal @ T[2, :3])))

        high, low = 0.0, min(1.15 * guess, -2e-5)
        while carried(low) < wanted:
            high, low = low, 1.3 * low
        return float(brentq(lambda x: carried(x) - wanted, low, high, xtol=1e-7))


def even_pieces(n: int) -> np.ndarray:
    """Return the middles (n * n, 3) of the even pieces of a triangle, barycentric."""
    up = [(i + 1 / 3, j + 1 / 3) for i in range(n) for j in range(n - i)]
    down = [(i + 2 / 3, j + 2 / 3) for i in range(n - 1) for j in range(n - 1 - i)]
    first = np.array(up + down) / n
    return np.column_stack([first, 1.0 - first.sum(axis=1)])
