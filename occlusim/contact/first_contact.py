"""The first parameter at which two surfaces in continuous motion come to a gap; none stepped over.

Conservative advancement on the distances of all pairs of triangles: see
`occlusim.kernels.approach`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize_scalar

from occlusim.arrays import BoolArray, Float64Array, Int64Array
from occlusim.contact.field import GapField
from occlusim.contact.least import face_mask, least_gap
from occlusim.contact.motions import Motion, Piece
from occlusim.errors import InputError, NotConverged
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.approach import CHUNK, safe_steps

MOST_STEPS = 20000
MOST_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class FirstContact:
    """Where two surfaces first come to a gap on a motion, and what that rests on.

    Parameters
    ----------
    kind
        'contact': they come to the gap at `parameter`. 'overlap': they are nearer than the gap at
        the start already. 'none': they do not on the whole motion. 'unknown': at `parameter` two
        triangles come to it at a place beside the edge of a scan, so whether the surfaces do
        cannot be told; leave out the faces there to ask on.
    parameter
        Of the motion; NaN where there is none. Before it no two triangles come to the gap.
    gap_mm
        The gap there, exact; without a contact the least gap met on the motion. NaN if unknown.
    point : (3,), mm
        Where, in a's frame; NaN where it is unknown.
    least_at
        Parameter of the least gap met: `parameter` if there is one.
    bound_mm
        No two triangles come nearer than this up to `parameter`, or on the whole motion; NaN for
        an overlap.
    n_steps
        Poses at which all pairs were bounded.
    """

    kind: Literal["contact", "overlap", "none", "unknown"]
    parameter: float
    gap_mm: float
    point: Float64Array
    least_at: float
    bound_mm: float
    n_steps: int


@dataclass(frozen=True, slots=True)
class _Stop:
    """Where an advance ended: a piece and the progress on it, or none, and all steps taken.

    place (3,) mm in a's frame on the triangle of b; slots (2,) of the pair; visited (n, 2)
    parameters and distances, mm, of the pair that set each step.
    """

    piece: Piece | None
    progress: float
    place: Float64Array
    slots: Int64Array
    visited: Float64Array


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two surfaces and the faces of each that count."""

    a: GapField
    b: GapField
    faces_a: BoolArray
    faces_b: BoolArray

    def advance(self, pieces: tuple[Piece, ...], gap_mm: float, tolerance_mm: float) -> _Stop:
        """Go on until two triangles are within the tolerance above a gap, or to the end."""
        visited: list[tuple[float, float]] = []
        seed = np.full(2, -1, dtype=np.int64)
        place = np.full(3, np.nan)
        for piece in pieces:
            progress = 0.0
            while progress < piece.length:
                if len(visited) == MOST_STEPS:
                    raise NotConverged(
                        f"first contact: {MOST_STEPS} steps taken up to "
                        f"{piece.parameter(progress):.6g}; ask for a part of the motion"
                    )
                step, distance, slots, where = self._step(piece, progress, gap_mm, seed)
                visited.append((piece.parameter(progress), distance))
                if slots[0] >= 0:
                    seed, place = slots, where
                if distance - gap_mm <= tolerance_mm:
                    return _Stop(piece, progress, place, seed, np.array(visited))
                # A hair less than the bound: rounding must not carry it over.
                progress += max(step * (1.0 - 1e-9), 1e-15 * piece.length)
        return _Stop(None, np.nan, place, seed, np.array(visited))

    def _step(
        self, piece: Piece, progress: float, gap_mm: float, seed: Int64Array
    ) -> tuple[float, float, Int64Array, Float64Array]:
        """Return a safe step, the distance of the pair that sets it, its slots and place."""
        a, b = self.a, self.b
        pose = piece.pose(progress)
        roots = b.clusters.roots
        n = (len(roots) + CHUNK - 1) // CHUNK
        step, distance = np.empty(n), np.empty(n)
        pair, where = np.empty((n, 2), dtype=np.int64), np.empty((n, 3))
        safe_steps(
            roots,
            _tree(b),
            _tree(a),
            self.faces_b[b.surface.slot_face],
            self.faces_a[a.surface.slot_face],
            pose.rotation,
            pose.translation,
            piece.motion(progress),
            gap_mm,
            piece.length - progress,
            seed,
            step,
            distance,
            pair,
            where,
        )
        first = int(np.lexsort((distance, step))[0])
        return float(step[first]), float(distance[first]), pair[first], where[first]

    def known(self, place: Float64Array, pose: RigidTransform) -> bool:
        """Return whether either surface knows its side at a place (3,) where they are near."""
        on_a = self.a.surface.closest(place)
        back = self.b.surface.closest(on_a.points, T_surface_points=pose.inverse())
        return not (on_a.is_boundary[0] and back.is_boundary[0])

    def least(self, pose: RigidTransform, tolerance_mm: float) -> tuple[float, Float64Array]:
        """Return the least gap at a pose, mm, and where."""
        found = least_gap(
            self.a, self.b, pose,
            faces_a=self.faces_a, faces_b=self.faces_b, tolerance_mm=tolerance_mm,
        )  # fmt: skip
        return found.gap_mm, found.point


def _tree(field: GapField) -> tuple[object, ...]:
    s, c = field.surface, field.clusters
    return (s.links, c.span, c.coin, s.corners, s.boxes)


def first_contact(
    a: GapField,
    b: GapField,
    motion: Motion,
    *,
    gap_mm: float = 0.0,
    tolerance_mm: float = 1e-4,
    faces_a: ArrayLike | None = None,
    faces_b: ArrayLike | None = None,
) -> FirstContact:
    """Return the first parameter at which b comes to a gap from a.

    Parameters
    ----------
    a, b : GapField
    motion
        Poses T_a_b along a parameter: `HingeMotion` (rad) or `PosePath`.
    gap_mm
        0 or more.
    tolerance_mm
        The gap at the answer lies between `gap_mm` and this much above.
    faces_a, faces_b
        Masks or indices of the faces that count; none counts all. Others are as if not there, but
        tell the side.

    Returns
    -------
    first : FirstContact

    Raises
    ------
    InputError
        If the gap is negative, the tolerance not positive, or a mask does not fit.
    NotConverged
        If 20000 steps do not reach the end of the motion.

    Notes
    -----
    A step is the least, over all pairs of triangles, of the time in which a pair that stands apart
    along a direction may close along it: what is thin or fast is never jumped. Near a contact steps
    converge as Newton's do. A path that comes within the tolerance of the gap may be a contact.
    """
    if not (np.isfinite(gap_mm) and gap_mm >= 0):
        raise InputError(
            f"first contact: gap_mm = {gap_mm} given, 0 or more wanted; for an overlap search the "
            "least gap between this contact and the end"
        )
    if not tolerance_mm > 0:
        raise InputError(f"first contact: tolerance_mm = {tolerance_mm} given, above 0 wanted")
    pair = _Pair(a, b, face_mask(a, faces_a, "faces_a"), face_mask(b, faces_b, "faces_b"))
    pieces = motion.pieces()
    start, point = pair.least(pieces[0].pose(0.0), tolerance_mm)
    if start < gap_mm:
        at = pieces[0].start
        return FirstContact("overlap", at, start, point, at, np.nan, 0)
    stop = pair.advance(pieces, gap_mm, tolerance_mm)
    if stop.piece is None:
        return _nothing(pair, pieces, gap_mm, tolerance_mm, stop)
    at, pose = stop.piece.parameter(stop.progress), stop.piece.pose(stop.progress)
    bound = min(gap_mm, float(stop.visited[-1, 1]))
    if not pair.known(stop.place, pose):
        nowhere = np.full(3, np.nan)
        return FirstContact("unknown", at, np.nan, nowhere, at, bound, len(stop.visited))
    gap = float(stop.visited[-1, 1])
    return FirstContact("contact", at, gap, stop.place, at, bound, len(stop.visited))


def _nothing(
    pair: _Pair, pieces: tuple[Piece, ...], gap_mm: float, tolerance_mm: float, stop: _Stop
) -> FirstContact:
    """Return the answer without a contact: the least gap met, proved by advancing just below it."""
    end = pieces[-1].length
    first, last = pieces[0].start, pieces[-1].parameter(end)
    n_steps = len(stop.visited)
    bound = gap_mm

    def pose_at(parameter: float) -> RigidTransform:
        for piece in pieces[:-1]:
            progress = (parameter - piece.start) * piece.sign
            if progress <= piece.length:
                return piece.pose(max(progress, 0.0))
        progress = (parameter - pieces[-1].start) * pieces[-1].sign
        return pieces[-1].pose(min(max(progress, 0.0), pieces[-1].length))

    def gap_at(parameter: float) -> float:
        found = pair.least(pose_at(parameter), tolerance_mm)[0]
        return found if np.isfinite(found) else 1e9

    visited = np.vstack([stop.visited, [last, np.inf]])
    tries = [*visited[np.argsort(visited[:, 1], kind="stable")[:3], 0].tolist(), first, last]
    values = [gap_at(t) for t in tries]
    least, at = min(zip(values, tries, strict=True))
    for _ in range(MOST_ROUNDS):
        least, at = _lower(gap_at, visited[:, 0], least, at)
        floor = least - 2 * tolerance_mm
        if not (least < 1e9 and floor > bound):
            break
        again = pair.advance(pieces, floor, tolerance_mm)
        n_steps += len(again.visited)
        if again.piece is None:
            bound = floor
            break
        here = again.piece.parameter(again.progress)
        value = gap_at(here)
        if not value < least:
            break  # nearer only at an unknown place
        least, at = value, here
        visited = np.vstack([again.visited, [last, np.inf]])
    if not least < 1e9:
        return FirstContact("none", np.nan, np.nan, np.full(3, np.nan), np.nan, bound, n_steps)
    point = pair.least(pose_at(at), tolerance_mm)[1]
    return FirstContact("none", np.nan, least, point, at, bound, n_steps)


def _lower(
    gap_at: Callable[[float], float], visited: Float64Array, least: float, at: float
) -> tuple[float, float]:
    """Return a local minimum of the gap between the visited parameters beside one."""
    beside = np.concatenate([visited[visited < at], [at]])
    low = float(beside[:-1].max()) if len(beside) > 1 else at
    after = visited[visited > at]
    high = float(after.min()) if len(after) else at
    if not high > low:
        return least, at
    options = {"maxiter": 40, "xatol": 1e-5 * (high - low)}
    found = minimize_scalar(gap_at, bounds=(low, high), method="bounded", options=options)
    if found.fun < least:
        return float(found.fun), float(found.x)
    return least, at
