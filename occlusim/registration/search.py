"""Where a bite scan fits on an arch, from any pose: matched features vote, surfels decide.

Every surfel of the bite scan is matched with the few of the arch whose surroundings look most like
its own; some tens of matches in a hundred are right. Two right matches agree on a pose, so each
match asks all others which turn about its normal they would have, and the best supported turn is a
pose worth trying (after Drost, Ulrich, Navab & Ilic 2010: Model globally, match locally, CVPR,
998-1005; there with pairs of points in place of features). The poses are then improved on surfels
by point-to-plane steps, and ranked by the area that agrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels import surfels as surfel_kernels
from occlusim.kernels.voting import vote
from occlusim.registration.features import best_matches
from occlusim.registration.surfels import GRID_MM, SurfelGrid, Surfels

LEAST_SURFELS = 20
"""A scan of fewer is too small to be looked for."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """How a pose is looked for.

    Attributes
    ----------
    n_asked : int
        Surfels of a bite scan that ask for matches, spread evenly.
    n_matches : int
        Matches of each.
    least_mm, slack_mm, least_cosine : float
        Matches nearer to each other than the first say little of a turn; two agree within the
        second, mm, and the cosine between their normals is at least the third.
    n_poses, n_tried : int
        Of so many poses with most votes, so many distinct ones are improved.
    reach_mm, apart_mm : float
        Poses that differ by less at the corners of the bite scan's box count as one: before they
        are improved, which bridges about as much, and after.
    gates_mm : tuple of float
        Match distances of the steps that improve a pose; within the last, surfels agree.
    facing_cosine : float
        Least cosine between the normals of surfels that agree.
    """

    n_asked: int = 600
    n_matches: int = 3
    least_mm: float = 4.0
    slack_mm: float = 1.0
    least_cosine: float = 0.85
    n_poses: int = 800
    n_tried: int = 40
    reach_mm: float = 4.0
    apart_mm: float = 2.0
    gates_mm: tuple[float, ...] = (2.0, 2.0, 1.5, 1.5, 1.0, 1.0, 0.7, 0.7, 0.5, 0.4, 0.3, 0.25)
    facing_cosine: float = 0.8


@dataclass(frozen=True, slots=True)
class FoundPose:
    """A pose of a bite scan on an arch, and the area of it that agrees there, mm2.

    Each surfel's area is weighed by how nearly it agrees.
    """

    T_arch_bite: RigidTransform
    area_mm2: float


def find_poses(
    bite: Surfels,
    features: Float64Array,
    grid: SurfelGrid,
    grid_features: Float64Array,
    settings: SearchSettings,
) -> list[FoundPose]:
    """Return the distinct poses of a bite scan on an arch, the one that agrees most first.

    Parameters
    ----------
    bite, features
        The bite scan's surfels in its own frame, and their features (n, 33).
    grid, grid_features
        The arch's, in its own frame.
    settings
        How wide the search is.
    """
    if min(len(bite.points), len(grid.surfels.points)) < LEAST_SURFELS:
        return []
    asked = np.arange(0, len(bite.points), max(1, len(bite.points) // settings.n_asked))
    match = best_matches(features[asked], grid_features, settings.n_matches)
    source = np.repeat(asked, match.shape[1])
    here, there = _oriented(bite)[source], _oriented(grid.surfels)[match.ravel()]
    votes, moments = np.empty(len(here)), np.empty((len(here), 16))
    vote(
        len(here), here, there, settings.least_mm, settings.slack_mm, settings.least_cosine, votes,
        moments,
    )  # fmt: skip
    order = np.argsort(-votes, kind="stable")[: settings.n_poses]
    poses = poses_of_moments(moments[order])
    tried = distinct(poses, box_corners(bite.points), settings.reach_mm, settings.n_tried)
    return improve([poses[k] for k in tried], bite, grid, settings)


def improve(
    poses: list[RigidTransform], bite: Surfels, grid: SurfelGrid, settings: SearchSettings
) -> list[FoundPose]:
    """Return poses improved on the arch's surfels, the distinct ones, most agreeing area first."""
    if not poses or len(bite.points) == 0:
        return []
    middle = bite.points.mean(axis=0)
    moved = np.stack([np.column_stack([T.rotation, T.apply(middle)]) for T in poses])
    scores = np.zeros(len(poses))
    surfel_kernels.improve_poses(
        len(poses), moved, bite.points - middle, bite.normals, bite.area_mm2, grid.origin, GRID_MM,
        grid.nearest, grid.surfels.points, grid.surfels.normals, np.array(settings.gates_mm),
        settings.facing_cosine, scores,
    )  # fmt: skip
    order = np.argsort(-scores, kind="stable")
    better = [_rigid(moved[k, :, :3], moved[k, :, 3], middle) for k in order]
    kept = distinct(better, box_corners(bite.points), settings.apart_mm)
    return [FoundPose(better[k], float(scores[order[k]])) for k in kept]


def poses_of_moments(moments: Float64Array) -> list[RigidTransform]:
    """Return the rigid poses that carry matched places best, from their moments (n, 16).

    Least squares by singular values (Kabsch 1976; Umeyama 1991 for the sign).
    """
    count = moments[:, :1]
    here, there = moments[:, 1:4] / count, moments[:, 4:7] / count
    spread = moments[:, 7:].reshape(-1, 3, 3) / count[:, :, None]
    u, _, vt = np.linalg.svd(spread - there[:, :, None] * here[:, None, :])
    u[:, :, 2] *= np.sign(np.linalg.det(u @ vt))[:, None]
    turns = u @ vt
    return [
        RigidTransform(turn, b - turn @ a) for turn, a, b in zip(turns, here, there, strict=True)
    ]


def agreement(
    T_arch_bite: RigidTransform, bite: Surfels, grid: SurfelGrid, settings: SearchSettings
) -> BoolArray:
    """Return which surfels (n,) of a bite scan agree with an arch at a pose."""
    agrees = np.zeros(len(bite.points), dtype=np.bool_)
    pose = np.column_stack([T_arch_bite.rotation, T_arch_bite.translation])
    surfel_kernels.mark_agreeing(
        len(agrees), pose, bite.points, bite.normals, grid.origin, GRID_MM, grid.nearest,
        grid.surfels.points, grid.surfels.normals, settings.gates_mm[-1], settings.facing_cosine,
        agrees,
    )  # fmt: skip
    return agrees


def box_corners(points: Float64Array) -> Float64Array:
    """Return the corners (8, 3) of the box that holds points (n, 3)."""
    sides = zip(points.min(axis=0), points.max(axis=0), strict=True)
    return np.array(list(product(*sides)))


def shift_mm(a: RigidTransform, b: RigidTransform, corners: Float64Array) -> float:
    """Return the largest distance between the places of points (n, 3) at two poses, mm."""
    return float(np.linalg.norm(a.apply(corners) - b.apply(corners), axis=1).max())


def distinct(
    poses: list[RigidTransform], corners: Float64Array, apart_mm: float, n_most: int | None = None
) -> list[int]:
    """Return which poses differ from all earlier ones by more than `apart_mm` at some corner.

    The first `n_most` of them, all if absent.
    """
    places = np.array([pose.apply(corners) for pose in poses])
    left = np.arange(len(poses))
    kept: list[int] = []
    while len(left) and (n_most is None or len(kept) < n_most):
        kept.append(int(left[0]))
        away = np.linalg.norm(places[left] - places[kept[-1]], axis=2).max(axis=1)
        left = left[away > apart_mm]
    return kept


def _oriented(surfels: Surfels) -> Float64Array:
    return np.concatenate([surfels.points, surfels.normals], axis=1)


def _rigid(rotation: Float64Array, place: Float64Array, middle: Float64Array) -> RigidTransform:
    u, _, vt = np.linalg.svd(rotation)
    turn = u @ vt
    return RigidTransform(turn, place - turn @ middle)
