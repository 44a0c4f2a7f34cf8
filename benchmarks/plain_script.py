"""The check's core as a plain script on Open3D: closures, tooth-guided steps, the crown's gaps.

Usage: python benchmarks/plain_script.py PROBLEM.npz ANSWER.npz [--movements NAME ...]

What one would write without this engine, and would not be ashamed of: numpy, scipy and Open3D's
closest points, asked in batches on all threads, the side told by the plane of the nearest face.
It solves what is given in PROBLEM.npz, which `bench_whole.py --keep` writes: scans, the registered
hinge of every step, the load. At every step the jaw closes until an elastic foundation under the
lower teeth's faces carries the load, by Brent's method; then the least gap of the crown is taken
over the vertices of the crown and of its antagonist, each in the other's distance.

Vertices are cut down to those within reach: a distance changes no faster than its point, so those
that were farther than a width need not be asked before something has moved half of it.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import open3d as o3d
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

TEETH_MM = (1.6, 0.4, 0.1)
"""The teeth's faces are cut down in so many rounds, each from what the one before has left."""
DEEP_MM = 0.8
CROWN_MM = (1.0, 0.2)
FIRST_STEP_MM = 0.004


class Pose:
    """A rigid transform."""

    def __init__(self, rotation: np.ndarray, translation: np.ndarray) -> None:
        self.rotation, self.translation = rotation, translation

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Return the points (n, 3) moved."""
        return points @ self.rotation.T + self.translation

    def inverse(self) -> Pose:
        """Return the way back."""
        return Pose(self.rotation.T, -self.rotation.T @ self.translation)


class Field:
    """Signed distances to a mesh, NaN where the nearest face is at the rim or does not count."""

    def __init__(self, vertices: np.ndarray, faces: np.ndarray, counted: np.ndarray) -> None:
        self._scene = o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(vertices.astype(np.float32), faces.astype(np.uint32))
        self._unknown = rim(faces, len(vertices))[faces].any(axis=1) | ~counted

    def gaps(self, points: np.ndarray) -> np.ndarray:
        """Return distances (n,), mm, negative inside."""
        points = points.astype(np.float32)
        if len(points) == 0:
            return np.empty(0)
        hit = self._scene.compute_closest_points(points)
        away = points - hit["points"].numpy()
        side = np.einsum("ij,ij->i", away, hit["primitive_normals"].numpy())
        gap = np.copysign(np.sqrt(np.einsum("ij,ij->i", away, away)), side).astype(np.float64)
        gap[self._unknown[hit["primitive_ids"].numpy()]] = np.nan
        return gap


def rim(faces: np.ndarray, n_vertices: int) -> np.ndarray:
    """Return which vertices (V,) lie on an edge of one face only."""
    edge = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    key, count = np.unique(edge[:, 0].astype(np.int64) * n_vertices + edge[:, 1],
                           return_counts=True)  # fmt: skip
    out = np.zeros(n_vertices, dtype=bool)
    out[key[count == 1] // n_vertices] = True
    out[key[count == 1] % n_vertices] = True
    return out


def box(points: np.ndarray) -> np.ndarray:
    """Return the corners (8, 3) of the box around points: nothing moves farther than they do."""
    low, high = points.min(axis=0), points.max(axis=0)
    pick = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T
    return np.where(pick == 1, high, low)


def moved_mm(corners: np.ndarray, a: Pose | None, b: Pose) -> float:
    """Return how far a body moves between two poses at most."""
    if a is None:
        return np.inf
    return float(np.linalg.norm(a.apply(corners) - b.apply(corners), axis=1).max())


class Teeth:
    """The faces of the lower teeth that may touch the upper ones."""

    def __init__(self, field: Field, vertices: np.ndarray, faces: np.ndarray) -> None:
        self._field, self._vertices, self._faces = field, vertices, faces
        self._corners = box(vertices)
        corner = vertices[faces]
        vector = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        self._area = 0.5 * np.linalg.norm(vector, axis=1)
        self._normal = vector / np.maximum(2 * self._area, 1e-300)[:, None]
        everything = (np.arange(len(faces)), np.arange(len(vertices)), faces)
        self._laid: list[Pose | None] = [None] * len(TEETH_MM)
        self._parts = [everything] * (len(TEETH_MM) + 1)

    def _near(self, pose: Pose, rounds: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return faces near contact, their vertices, and their corners among these."""
        if rounds == 0:
            return self._parts[0]
        width = TEETH_MM[rounds - 1]
        if moved_mm(self._corners, self._laid[rounds - 1], pose) > 0.5 * width:
            face, vertex, local = self._near(pose, rounds - 1)
            gap = self._field.gaps(pose.apply(self._vertices[vertex]))
            # Far inside is behind the rim of a scan, near inside is overlap, however deep.
            touched = ((gap < width) & (gap > -max(width, DEEP_MM)))[local].any(axis=1)
            used, corner = np.unique(local[touched], return_inverse=True)
            self._parts[rounds] = face[touched], vertex[used], corner.reshape(-1, 3)
            self._laid[rounds - 1] = pose
        return self._parts[rounds]

    def support_N(self, pose: Pose, superior: np.ndarray, stiffness: float) -> float:
        """Return the vertical force at a pose: stiffness times overlap, over the faces' areas."""
        face, vertex, local = self._near(pose, len(TEETH_MM))
        gap = self._field.gaps(pose.apply(self._vertices[vertex]))
        overlap = np.where(np.isfinite(gap), -gap, -1.0)[local]
        upright = (self._normal[face] @ pose.rotation.T) @ superior
        return stiffness * float((self._area[face] * upright) @ mean_overlap(overlap))


def mean_overlap(corners: np.ndarray) -> np.ndarray:
    """Return the mean (n,) over triangles of what is positive of a linear function (n, 3)."""
    a, b, c = np.sort(corners, axis=1).T
    with np.errstate(divide="ignore", invalid="ignore"):
        one = c**3 / (3 * (c - a) * (c - b))
        two = (a + b + c) / 3 - a**3 / (3 * (b - a) * (c - a))
    return np.select([c <= 0, b <= 0, a < 0], [0.0, one, two], (a + b + c) / 3)


class Sweep:
    """Vertices of one surface in the other's distance, cut down while it moves little."""

    def __init__(self, field: Field, points: np.ndarray) -> None:
        self._field, self._corners = field, box(points)
        self._laid: list[Pose | None] = [None] * len(CROWN_MM)
        self._parts = [points] * (len(CROWN_MM) + 1)

    def _near(self, pose: Pose, rounds: int) -> np.ndarray:
        """Return the points (n, 3) that can be the least."""
        if rounds and moved_mm(self._corners, self._laid[rounds - 1], pose) > CROWN_MM[rounds - 1]:
            points = self._near(pose, rounds - 1)
            gap = self._field.gaps(pose.apply(points))
            far = gap > np.nanmin(gap) + 2 * CROWN_MM[rounds - 1]
            self._parts[rounds], self._laid[rounds - 1] = points[~far], pose
        return self._parts[rounds]

    def least_mm(self, pose: Pose) -> float:
        """Return the least gap at a pose."""
        return float(np.nanmin(self._field.gaps(pose.apply(self._near(pose, len(CROWN_MM))))))


class Jaw:
    """The hinge of every step of a movement, and the closing about it."""

    def __init__(self, problem, teeth: Teeth) -> None:
        self._teeth = teeth
        self._superior, self._load_N = problem["superior"], float(problem["load_N"])
        self._stiffness = float(problem["stiffness"])
        self._lever_mm, self._tolerance_mm = float(problem["lever"]), float(problem["tolerance"])

    def pose(self, hinge: np.ndarray, opening: float) -> Pose:
        """Return the lower teeth's pose: hinge (6, 3) holds a point, the axis, and a transform."""
        point, axis, rotation, translation = hinge[0], hinge[1], hinge[2:5], hinge[5]
        turn = Rotation.from_rotvec(-opening * axis).as_matrix()
        return Pose(turn @ rotation, turn @ (translation - point) + point)

    def close(self, hinge: np.ndarray, guess: float) -> float:
        """Return the opening, rad, at which the teeth carry the load."""

        def excess_N(opening: float) -> float:
            pose = self.pose(hinge, opening)
            return self._teeth.support_N(pose, self._superior, self._stiffness) - self._load_N

        step = FIRST_STEP_MM / self._lever_mm
        here = excess_N(guess)
        direction = 1.0 if here > 0 else -1.0
        near, far = guess, guess + direction * step
        while excess_N(far) * direction > 0:
            step *= 1.5
            near, far = far, far + direction * step
        return brentq(excess_N, *sorted((near, far)), xtol=self._tolerance_mm / self._lever_mm)


def follow(problem, jaw: Jaw, name: str, start: float) -> np.ndarray:
    """Return the openings (n,), rad, of a movement's steps."""
    openings: list[float] = []
    for hinge in problem[f"{name}_hinges"]:
        guess = openings[-1] if openings else start
        if len(openings) > 1:
            guess = 2 * openings[-1] - openings[-2]
        openings.append(jaw.close(hinge, guess))
    return np.array(openings)


def crown_gaps(problem, jaw: Jaw, name: str, openings: np.ndarray, fields) -> np.ndarray:
    """Return the crown's least gap (n,), mm, at the steps of a movement."""
    crown, antagonist = fields
    is_upper = bool(problem["crown_is_upper"])
    poses = [jaw.pose(h, o) for h, o in zip(problem[f"{name}_hinges"], openings, strict=True)]
    poses = [pose.inverse() if is_upper else pose for pose in poses]
    passed = np.concatenate([pose.apply(box(problem["crown_v"])) for pose in poses])
    counted = np.unique(problem["antagonist_f"][problem["antagonist_is_tooth"]])
    points = problem["antagonist_v"][counted]
    within = ((points > passed.min(axis=0) - 5) & (points < passed.max(axis=0) + 5)).all(axis=1)
    there, back = Sweep(antagonist, problem["crown_v"]), Sweep(crown, points[within])
    return np.array([min(there.least_mm(p), back.least_mm(p.inverse())) for p in poses])


def main() -> None:
    """Solve the problem and write openings, gaps and seconds."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("problem")
    parser.add_argument("answer")
    parser.add_argument("--movements", nargs="*", help="all of the problem's if none are named")
    given = parser.parse_args()
    with np.load(given.problem) as file:
        problem = {name: file[name] for name in file.files}
    names = given.movements or [str(name) for name in problem["movements"]]
    seconds = {}
    start = time.perf_counter()
    upper = Field(problem["upper_v"], problem["upper_f"], np.ones(len(problem["upper_f"]), bool))
    crown = Field(problem["crown_v"], problem["crown_f"], np.ones(len(problem["crown_f"]), bool))
    antagonist = Field(problem["antagonist_v"], problem["antagonist_f"],
                       problem["antagonist_is_tooth"])  # fmt: skip
    jaw = Jaw(problem, Teeth(upper, problem["lower_v"], problem["lower_f"]))
    seconds["fields"] = time.perf_counter() - start
    start = time.perf_counter()
    rest = jaw.close(problem["centric_hinges"][0], 0.0)
    openings = {name: follow(problem, jaw, name, rest) for name in names}
    seconds["closures"] = time.perf_counter() - start
    start = time.perf_counter()
    gaps = {n: crown_gaps(problem, jaw, n, openings[n], (crown, antagonist)) for n in names}
    seconds["gaps"] = time.perf_counter() - start
    np.savez(given.answer, **{f"{name}_openings": openings[name] for name in names},
             **{f"{name}_gaps": gaps[name] for name in names},
             **{f"{part}_s": value for part, value in seconds.items()})  # fmt: skip
    parts = ", ".join(f"{part} {value:.2f} s" for part, value in seconds.items())
    print(f"{sum(map(len, gaps.values()))} poses of {', '.join(names)}: "
          f"{sum(seconds.values()):.2f} s ({parts})")  # fmt: skip


if __name__ == "__main__":
    main()
