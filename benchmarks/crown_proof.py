"""The promises of a reduction, held against the forward paths and libigl's distances alone.

Neither the swept field nor its table of poses nor our distances have a say: every point of the
crown's surface is carried along the path by the path's own formula, at poses four times finer than
the table, and libigl tells the distance, the side by pseudonormals. What is passed over is proved
clear by a distance found: no distance changes by more than its point moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import igl
import igl.predicates
import numpy as np
import trimesh
from scipy.spatial import cKDTree

from benchmarks.igl_distance import IglDistance
from benchmarks.random_crowns import RandomCase
from occlusim.crown.path import CrownPath
from occlusim.crown.reduction import ReductionPlan, ReductionSettings
from occlusim.geometry.mesh import TriangleMesh

FINER = 4
GRID_STEPS = 6
CHUNK = 64
SLIVER = 0.02
REPORTED_MM = 0.001
EXCESS_MM = 0.02
CLOSER_MM = 0.01
MOST_STEPS = 60
# Facets are held to their wall in a fixed number of rounds, which leave nanometres.
WALL_MM = 1e-5


@dataclass(frozen=True, slots=True)
class Course:
    """All movements' poses, (n, 3, 3) and (n, 3), and wanted gaps (n,), mm, at fine steps.

    `start` (M + 1,): movement k owns the rows start[k] to start[k + 1].
    """

    turn: np.ndarray
    shift: np.ndarray
    wanted_mm: np.ndarray
    start: np.ndarray

    @staticmethod
    def of(paths: tuple[CrownPath, ...], knots: list[np.ndarray], finer: int = FINER) -> Course:
        """Return the course of some paths at steps so many times finer than knots, each (n,)."""
        parts = []
        for path, knot in zip(paths, knots, strict=True):
            fine = np.arange(finer * (len(knot) - 1) + 1) / finer
            s = np.interp(fine, np.arange(len(knot)), knot)
            parts.append((*path.poses(s), np.asarray(path.wanted_gap_mm(s), dtype=float)))
        turn, shift, wanted = (np.concatenate([part[k] for part in parts]) for k in range(3))
        return Course(turn, shift, wanted, np.cumsum([0, *(len(part[2]) for part in parts)]))

    def inverse(self) -> Course:
        """Return the antagonist's poses in the crown's frame."""
        back = np.ascontiguousarray(np.swapaxes(self.turn, 1, 2))
        return Course(back, -np.einsum("nij,nj->ni", back, self.shift), self.wanted_mm, self.start)

    def placed(self, points: np.ndarray, row: np.ndarray) -> np.ndarray:
        """Return points (n, 3), each at its own row (n,)."""
        return np.einsum("nij,nj->ni", self.turn[row], points) + self.shift[row]

    def stretches(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the first rows and the ends of stretches that no movement's end cuts."""
        first = np.concatenate(
            [np.arange(a, b, CHUNK) for a, b in zip(self.start[:-1], self.start[1:], strict=True)]
        )
        return first, np.minimum(
            first + CHUNK, self.start[np.searchsorted(self.start, first, "right")]
        )


def least_over(
    points: np.ndarray,
    course: Course,
    distance: IglDistance,
    below_mm: float = REPORTED_MM,
    *,
    reach_mm: np.ndarray | float = 0.0,
    finest: int = 1,
    apart: np.ndarray | None = None,
) -> np.ndarray:
    """Return the least of gap minus wanted gap (n, 2) over a course, where it is below a limit.

    Values that are not below it are given as the limit. A stretch of poses is passed over where
    the distance at its middle, less the furthest way from there of any corner of the points' box,
    proves that none of its poses has a value below the limit; what is left is halved down to
    single poses. With `finest` above 1 stretches of that length are not halved, and the bound is
    given; `reach_mm` (n,) is taken off besides, for what surrounds a point. Where the nearest face
    is one of those `apart` (F,), the value goes to the second column.
    """
    least = np.full((len(points), 2), below_mm)
    if len(points) == 0:
        return least
    reach = np.broadcast_to(np.asarray(reach_mm, dtype=float), (len(points),))
    low, high = points.min(axis=0), points.max(axis=0)
    picks = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T
    corners = np.where(picks == 0, low, high)
    at = corners @ np.swapaxes(course.turn, 1, 2) + course.shift[:, None]
    first, last = course.stretches()
    which = np.repeat(np.arange(len(points)), len(first))
    first, last = np.tile(first, len(points)), np.tile(last, len(points))
    while len(which):
        middle = (first + last - 1) // 2
        spread = _spreads(at, course.wanted_mm, first, middle, last)
        gap, face = distance(course.placed(points[which], middle))
        bound = gap - course.wanted_mm[middle] - spread - reach[which]
        done = last - first <= finest
        column = np.zeros(len(face), dtype=np.int64) if apart is None else apart[face].astype(int)
        np.minimum.at(least, (which[done], column[done]), bound[done])
        more = ~done & (bound < below_mm)
        which, first, middle, last = which[more], first[more], middle[more], last[more]
        cut = np.maximum(middle, first + 1)
        which = np.concatenate([which, which])
        first, last = np.concatenate([first, cut]), np.concatenate([cut, last])
    return least


def _spreads(
    at: np.ndarray, wanted: np.ndarray, first: np.ndarray, middle: np.ndarray, last: np.ndarray
) -> np.ndarray:
    """Return for stretches (n,) the most that a value may differ from the one at the middle."""
    code = first.astype(np.int64) * len(wanted) + last
    _, example, back = np.unique(code, return_index=True, return_inverse=True)
    most = np.empty(len(example))
    for k, i in enumerate(example):
        a, m, b = first[i], middle[i], last[i]
        way = np.linalg.norm(at[a:b] - at[m], axis=2).max(axis=1)
        most[k] = np.max(way + np.abs(wanted[a:b] - wanted[m]))
    return most[back.reshape(-1)]


def face_points(mesh: TriangleMesh, face: np.ndarray, steps: int = GRID_STEPS) -> np.ndarray:
    """Return an even grid on faces (k,), corners included: (k, g, 3)."""
    grid = np.array([(i, j, steps - i - j) for i in range(steps + 1) for j in range(steps + 1 - i)])
    return np.einsum("gk,fkd->fgd", grid / steps, mesh.vertices[mesh.faces[face]])


@dataclass(frozen=True, slots=True)
class Proof:
    """What was measured on one case; lengths in mm, inf where nothing came near.

    Attributes
    ----------
    surface_mm, antagonist_mm : float
        Least of gap minus wanted gap on the adjusted crown's surface, and at the antagonist's
        vertices, without what belongs to spots that are said not to be feasible.
    short_mm : float
        The crown's surface within those spots and the antagonist's vertices before it, plus what
        is said to be missing there; inf without.
    wall_mm : float
        Least of wall less the smaller of the minimum and the wall before, over what was cut.
    strayed : int
        Vertices outside spots and rings that lost a bit, and cut ones too far from any violation.
    crossings, slivers : int
        Pairs of faces that cross and faces that became slivers, and were not before.
    is_watertight : bool
    excess_mm : float
        Most of what could have been left on a vertex of a feasible spot, by the places looked at
        on the faces around it; clipped at 0.02.
    """

    surface_mm: float
    antagonist_mm: float
    short_mm: float
    wall_mm: float
    strayed: int
    crossings: int
    slivers: int
    is_watertight: bool
    excess_mm: float

    def breaches(self) -> list[str]:
        """Return which promises do not hold, in words."""
        said = []
        for name, value in (
            ("(a) crown's surface", self.surface_mm),
            ("(a) antagonist's vertices", self.antagonist_mm),
            ("(a) what is said to be missing", self.short_mm),
        ):
            if value < -0.001:
                said.append(f"{name}: {1000 * value:.2f} um")
        if self.wall_mm < -WALL_MM:
            said.append(f"(b) wall {1000 * self.wall_mm:.2f} um below its minimum")
        if self.strayed:
            said.append(f"(d) {self.strayed} vertices moved outside spots and rings")
        if not self.is_watertight:
            said.append("(e) not watertight")
        if self.crossings:
            said.append(f"(e) {self.crossings} pairs of faces cross")
        if self.slivers:
            said.append(f"(e) {self.slivers} new slivers")
        return said


def prove(case: RandomCase, plan: ReductionPlan, settings: ReductionSettings) -> Proof:
    """Return what the promises come to on one planned case."""
    crown, after = case.crown, plan.adjusted
    knots = [plan.table.parameter_mm[a:b] for a, b in pairwise(plan.table.start)]
    course = Course.of(case.paths, knots)
    is_short = np.zeros(len(crown.vertices), dtype=bool)
    missing_mm = max(0.0, -float(np.nan_to_num(plan.residual_mm)))
    for spot in plan.spots:
        if not spot.feasible:
            is_short[spot.vertices] = is_short[spot.ring] = True
            missing_mm = max(missing_mm, spot.shortfall_mm)
    short_face = is_short[crown.faces[plan.face_origin]].any(axis=1)
    antagonist = IglDistance(case.antagonist)
    surface = surface_values(after, course, antagonist)
    # Who comes near the inner surface through the material has come through the outer one.
    there = IglDistance(after, ~case.is_inner[plan.face_origin])
    back = least_over(case.antagonist.vertices, course.inverse(), there, apart=short_face)
    short = np.inf
    if short_face.any():
        short = min(surface[short_face].min(), back[:, 1].min()) + missing_mm
    moved = _moved(crown, plan)
    return Proof(
        float(surface[~short_face].min(initial=np.inf)),
        float(back[:, 0].min()),
        float(short),
        _wall(case, plan, moved),
        _strayed(case, plan, settings, course, antagonist, moved),
        _new_crossings(crown, plan),
        _new_slivers(crown, plan),
        trimesh.Trimesh(after.vertices, after.faces, process=False).is_watertight,
        _excess(plan, after, course, antagonist),
    )


def surface_values(
    crown: TriangleMesh, course: Course, antagonist: IglDistance, steps: int = GRID_STEPS
) -> np.ndarray:
    """Return the least value (F,) on each face of the crown, the limit where it is not below."""
    corners = crown.vertices[crown.faces]
    middle = corners.mean(axis=1)
    radius = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
    bound = least_over(middle, course, antagonist, reach_mm=radius, finest=8)[:, 0]
    near = np.flatnonzero(bound < REPORTED_MM)
    least = np.full(len(crown.faces), REPORTED_MM)
    if len(near):
        points = face_points(crown, near, steps)
        value = least_over(points.reshape(-1, 3), course, antagonist)[:, 0]
        least[near] = value.reshape(points.shape[:2]).min(axis=1)
    return least


def _moved(crown: TriangleMesh, plan: ReductionPlan) -> np.ndarray:
    """Return which vertices (V,) of the input crown are not where they were, or not at all."""
    moved = np.ones(len(crown.vertices), dtype=bool)
    kept = np.flatnonzero(plan.vertex_origin >= 0)
    origin = plan.vertex_origin[kept]
    moved[origin] = (plan.adjusted.vertices[kept] != crown.vertices[origin]).any(axis=1)
    return moved


def _wall(case: RandomCase, plan: ReductionPlan, moved: np.ndarray) -> float:
    """Return the least wall, less the smaller of the minimum and the wall before, over the cut.

    A place on an exchanged face is compared with the input crown's outer surface where it is
    nearest; on the others with the same place of the face before.
    """
    crown, after = case.crown, plan.adjusted
    is_outer = ~case.is_inner & ~case.is_rim
    is_cut = moved[crown.faces].any(axis=1)[plan.face_origin] | ~plan.face_is_whole
    face = np.flatnonzero(is_cut & is_outer[plan.face_origin])
    if not case.is_inner.any() or len(face) == 0:
        return np.inf
    inner = crown.faces[case.is_inner].astype(np.int64)
    outer = crown.faces[is_outer].astype(np.int64)

    def wall(points: np.ndarray) -> np.ndarray:
        places = np.ascontiguousarray(points.reshape(-1, 3))
        squared = igl.point_mesh_squared_distance(places, crown.vertices, inner)[0]
        return np.sqrt(squared).reshape(points.shape[:2])

    points = face_points(after, face)
    before = face_points(crown, plan.face_origin[face])
    new = np.flatnonzero(~plan.face_is_whole[face])
    if len(new):
        places = np.ascontiguousarray(points[new].reshape(-1, 3))
        nearest = igl.point_mesh_squared_distance(places, crown.vertices, outer)[2]
        before[new] = nearest.reshape(points[new].shape)
    return float(np.min(wall(points) - np.minimum(wall(before), case.min_thickness_mm)))


def _strayed(
    case: RandomCase,
    plan: ReductionPlan,
    settings: ReductionSettings,
    course: Course,
    antagonist: IglDistance,
    moved: np.ndarray,
) -> int:
    """Count vertices that moved outside spots and rings, or too far from any violation."""
    named = np.zeros(len(moved), dtype=bool)
    for spot in plan.spots:
        named[spot.vertices] = named[spot.ring] = True
    strayed = moved & ~named
    far = too_far(case.crown, np.flatnonzero(moved), settings.blend_mm, course, antagonist)
    strayed[far] = True
    return int(strayed.sum())


def too_far(
    crown: TriangleMesh,
    vertex: np.ndarray,
    most_mm: float,
    course: Course,
    antagonist: IglDistance,
) -> np.ndarray:
    """Return those of some vertices (n,) that lie further from any face in violation.

    Where the coarse grid finds none near enough, a violation may lie between its places: there a
    finer one is asked.
    """
    corners = crown.vertices[crown.faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max()
    for steps in (GRID_STEPS, min(MOST_STEPS, int(np.ceil(longest / CLOSER_MM)))):
        if len(vertex) == 0:
            break
        # Only a face with a corner this near to a vertex can excuse it.
        away = cKDTree(crown.vertices[vertex]).query(corners.reshape(-1, 3))[0].reshape(-1, 3)
        part = TriangleMesh(crown.vertices, crown.faces[(away <= most_mm).any(axis=1)])
        violated = surface_values(part, course, antagonist, steps) < 0.0
        source = np.unique(part.faces[violated])
        if len(source):
            near = cKDTree(crown.vertices[source]).query(crown.vertices[vertex])[0]
            vertex = vertex[near > most_mm + 1e-9]
    return vertex


def _new_crossings(before: TriangleMesh, plan: ReductionPlan) -> int:
    """Count pairs of faces that cross and did not, exchanged faces by what they lie on."""
    found = []
    for mesh, name in ((before, np.arange(len(before.faces))), (plan.adjusted, plan.face_origin)):
        pairs = igl.predicates.find_self_intersections(mesh.vertices, mesh.faces.astype(np.int64))[
            1
        ]
        found.append({tuple(sorted(pair)) for pair in name[pairs].reshape(-1, 2).tolist()})
    return len(found[1] - found[0])


def _new_slivers(before: TriangleMesh, plan: ReductionPlan) -> int:
    """Count slivers that were none; of exchanged faces those slimmer than any face before."""
    slim = []
    for mesh in (before, plan.adjusted):
        made = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        longest = np.linalg.norm(np.diff(made.triangles[:, [0, 1, 2, 0]], axis=1), axis=2).max(
            axis=1
        )
        slim.append(2.0 * made.area_faces / longest**2)
    old = np.where(plan.face_is_whole, 0.5 * slim[0][plan.face_origin], slim[0].min())
    return int(((slim[1] < SLIVER) & (slim[1] < old)).sum())


def _excess(
    plan: ReductionPlan, after: TriangleMesh, course: Course, antagonist: IglDistance
) -> float:
    """Return the most by which a vertex could be raised before a face around it is too near."""
    named = np.zeros(len(plan.depth_mm), dtype=bool)
    for spot in plan.spots:
        named[spot.vertices] |= spot.feasible
    core = (plan.vertex_origin >= 0) & named[plan.vertex_origin]
    face = np.flatnonzero(core[after.faces].any(axis=1))
    if len(face) == 0:
        return 0.0
    points = face_points(after, face)
    value = least_over(points.reshape(-1, 3), course, antagonist, EXCESS_MM)[:, 0]
    least = np.full(len(after.vertices), EXCESS_MM)
    lowest = value.reshape(points.shape[:2]).min(axis=1)
    np.minimum.at(least, after.faces[face].ravel(), np.repeat(lowest, 3))
    return float(least[core].max())
