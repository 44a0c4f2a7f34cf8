"""The crown's part of a run: its gap along every movement, with the teeth guiding."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import numpy as np
from scipy.optimize import root_scalar

from occlusim.arrays import BoolArray, Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import box_corners
from occlusim.contact.least import LeastGap, least_gap
from occlusim.contact.poses import least_gaps
from occlusim.errors import DegenerateProblem
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.excursion import GuidedPath
from occlusim.motion.hinge import Hinge
from occlusim.pipeline.side_by_side import side_by_side

PLACE_MM = 0.01
"""The least gap of a movement is placed to this much of its parameter."""


@dataclass(frozen=True, slots=True)
class CrownAgainst:
    """A crown and the teeth that oppose it.

    crown in the coordinates of its own arch's scan; antagonist in the other scan's;
    antagonist_teeth (F,) marks the faces of teeth. smooth is the crown with its spikes laid down,
    where it has any: the flanks of one have area enough to support a gap that nothing else does.
    """

    crown: GapField
    antagonist: GapField
    antagonist_teeth: BoolArray
    crown_is_upper: bool
    smooth: GapField | None = None

    def T_antagonist_crown(self, T_upper_lower: RigidTransform) -> RigidTransform:
        """Return the crown's pose in the antagonist's frame."""
        return T_upper_lower.inverse() if self.crown_is_upper else T_upper_lower

    def least_gap(
        self, T_upper_lower: RigidTransform, tolerance_mm: float = 1e-4, *, supported: bool = False
    ) -> LeastGap:
        """Return the exact least gap at a pose, proved; if asked, the supported one beside it.

        The least gap counts the crown's spikes, the supported one does not.
        """

        def found(crown: GapField, *, supported: bool) -> LeastGap:
            return least_gap(
                self.antagonist,
                crown,
                self.T_antagonist_crown(T_upper_lower),
                faces_a=self.antagonist_teeth,
                tolerance_mm=tolerance_mm,
                supported=supported,
            )

        if self.smooth is None or not supported:
            return found(self.crown, supported=supported)
        smooth = found(self.smooth, supported=True)
        least = found(self.crown, supported=False)
        return replace(least, supported_gap_mm=smooth.supported_gap_mm)

    def least_gaps(
        self, poses: Sequence[RigidTransform], tolerance_mm: float = 1e-4
    ) -> Float64Array:
        """Return the least gap (n,), mm, at poses T_upper_lower."""
        return least_gaps(
            self.antagonist,
            self.crown,
            [self.T_antagonist_crown(pose) for pose in poses],
            faces_a=self.antagonist_teeth,
            tolerance_mm=tolerance_mm,
        )


def opposing_faces(
    antagonist: Surface,
    crown: Surface,
    poses: Sequence[RigidTransform],
    *,
    margin_mm: float = 5.0,
) -> Int32Array:
    """Return the faces (k,) of the antagonist that the crown can come near to.

    Parameters
    ----------
    antagonist
        The opposing arch.
    crown
        The crown.
    poses
        T_antagonist_crown along all movements.
    margin_mm
        Faces farther than this from the box that the crown passes through are left out, so gaps
        up to it are those of the whole arch.
    """
    corners = box_corners(crown.mesh.vertices)
    passed = np.concatenate([pose.apply(corners) for pose in poses])
    low, high = passed.min(axis=0) - margin_mm, passed.max(axis=0) + margin_mm
    vertices = antagonist.mesh.vertices
    inside = ((vertices > low) & (vertices < high)).all(axis=1)
    face = np.flatnonzero(inside[antagonist.mesh.faces].any(axis=1)).astype(np.int32)
    if len(face) == 0:
        raise DegenerateProblem(
            f"crown: no opposing surface within {margin_mm:g} mm of it in any movement; look at "
            "the bite record and at the tooth number"
        )
    return face


@dataclass(frozen=True, slots=True)
class MovementGaps:
    """Least gap of the crown along a movement: gap_mm (n,) at parameter_mm (n,).

    least_mm is the minimum on the continuous path, at at_mm; supported_mm stands beside it.
    """

    name: str
    parameter_mm: Float64Array
    gap_mm: Float64Array
    wanted_mm: Float64Array
    least_mm: float
    at_mm: float
    supported_mm: float


@dataclass(frozen=True, slots=True)
class _Course:
    """Least gaps (n,), mm, at the steps of a path, and where between them it is least, mm."""

    gap_mm: Float64Array
    at_mm: float


def _course(pair: CrownAgainst, path: GuidedPath, resolution_mm: float) -> _Course:
    """Return the crown's least gap at every step of a path, refined between them at the minimum."""
    s = path.step_mm
    gaps = pair.least_gaps(path.poses(s), resolution_mm)
    if not np.isfinite(gaps).any():
        return _Course(gaps, np.nan)
    best = int(np.nanargmin(gaps))
    at, least_mm = float(s[best]), gaps[best]
    width = float(s[min(1, len(s) - 1)] - s[0])
    while width > 2 * PLACE_MM:
        width *= 0.5
        tries = np.array([t for t in (at - width, at + width) if s[0] <= t <= s[-1]])
        here = pair.least_gaps(path.poses(tries), resolution_mm)
        if np.nanmin(here, initial=np.inf) < least_mm:
            at, least_mm = float(tries[np.nanargmin(here)]), np.nanmin(here)
    return _Course(gaps, at)


def opening_at_touch(
    pair: CrownAgainst, hinge: Hinge, lever_mm: float, *, search_mm: float = 3.0
) -> float:
    """Return the opening, rad, from the hinge's pose at which the crown just touches.

    Negative where the jaw has to close further for it.

    Raises
    ------
    DegenerateProblem
        If the crown does not meet its antagonist within the search.
    """

    @cache
    def gap_mm(opening: float) -> float:
        found = pair.least_gap(hinge.pose(opening)).gap_mm
        return found if np.isfinite(found) else 1.0

    now = gap_mm(0.0)
    step = -now / lever_mm
    low, high = (step, 0.0) if step < 0 else (0.0, step)
    widened = 0
    while gap_mm(low) > 0 or gap_mm(high) < 0:
        reach = (high - low) + 0.02 / lever_mm
        low, high = (
            (low - reach if gap_mm(low) > 0 else low),
            (high + reach if gap_mm(high) < 0 else high),
        )
        widened += 1
        if max(abs(low), abs(high)) * lever_mm > search_mm or widened > 20:
            raise DegenerateProblem(
                f"crown: it does not meet its antagonist within {search_mm:g} mm of hinge movement"
            )
    return root_scalar(gap_mm, bracket=(low, high), xtol=1e-5 / lever_mm).root


def coverage(
    pair: CrownAgainst, T_upper_lower: RigidTransform, up: Float64Array, *, reach_mm: float = 1.0
) -> float:
    """Return the share of the crown's facing surface near the antagonist where its gap is known.

    Parameters
    ----------
    pair
        The crown and its antagonist.
    T_upper_lower
        The pose.
    up : (3,), unit length
        From the crown to the antagonist, in the antagonist's frame.
    reach_mm
        Surface within this of the antagonist counts.
    """
    T = pair.T_antagonist_crown(T_upper_lower)
    surface = pair.crown.surface
    facing = T.rotate(surface.vertex_normals) @ up > 0.3
    closest = pair.antagonist.surface.closest(
        surface.mesh.vertices[facing], max_distance_mm=reach_mm, T_surface_points=T
    )
    near = np.isfinite(closest.unsigned_mm)
    area = surface.vertex_area_mm2[facing]
    total = float(area[near].sum())
    if total == 0.0:
        return 1.0
    return float(area[near & np.isfinite(closest.distance_mm)].sum()) / total


def wanted_gap(
    s_mm: Float64Array, centric_mm: float, excursion_mm: float, ramp_mm: float, is_closure: bool
) -> Float64Array:
    """Return the wanted gap (n,), mm, along a path: it grows from the closure's over the ramp."""
    s = np.abs(np.asarray(s_mm, dtype=np.float64))
    if is_closure:
        return np.full(s.shape, centric_mm)
    return centric_mm + (excursion_mm - centric_mm) * np.minimum(1.0, s / ramp_mm)


def paths_gaps(
    pair: CrownAgainst,
    paths: Sequence[GuidedPath],
    wanted: Sequence[Float64Array],
    *,
    beside: Sequence[Callable[[], Any]] = (),
    resolution_mm: float = 5e-4,
) -> tuple[tuple[MovementGaps, ...], list[Any]]:
    """Return the crown's gaps along every path: at its steps, and the least on all of it.

    Parameters
    ----------
    pair
        The crown and its antagonist.
    paths
        The guided paths.
    wanted : each (n,)
        Wanted gaps, mm, at the paths' steps.
    beside
        Work that is done meanwhile; its answers are returned too.
    resolution_mm
        The minima hold on the continuous paths to this.
    """
    jobs: list[Callable[[], Any]] = [partial(_course, pair, p, resolution_mm) for p in paths]
    answers = side_by_side([*jobs, *beside])
    courses: list[_Course] = answers[: len(paths)]
    places = {
        path.name: path.poses(np.array([course.at_mm]))[0]
        for path, course in zip(paths, courses, strict=True)
        if np.isfinite(course.at_mm)
    }
    # Movements that are least at their start share one pose, the closure.
    poses = {pose.matrix.tobytes(): pose for pose in places.values()}
    leasts = side_by_side(
        [partial(pair.least_gap, pose, supported=True) for pose in poses.values()]
    )
    least_at = dict(zip(poses, leasts, strict=True))
    found = []
    for path, course, wanted_mm in zip(paths, courses, wanted, strict=True):
        least_mm = supported_mm = np.nan
        if path.name in places:
            least = least_at[places[path.name].matrix.tobytes()]
            least_mm, supported_mm = least.gap_mm, least.supported_gap_mm
        found.append(
            MovementGaps(
                path.name,
                path.step_mm,
                course.gap_mm,
                wanted_mm,
                least_mm,
                course.at_mm,
                supported_mm,
            )
        )
    return tuple(found), answers[len(paths) :]
