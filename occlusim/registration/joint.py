"""The joint problem of two arches and their bite scans: matching, approach and refinement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.patch import middle_and_reach
from occlusim.registration.correspondence import CurvedSurface, InnerScan, Nearer
from occlusim.registration.matches import (
    PartMatches,
    Poses,
    is_determined,
    joined,
    kept,
    near,
)
from occlusim.registration.point_to_plane import (
    MAD_TO_SIGMA,
    TUKEY_CUT,
    weighted_median,
)
from occlusim.registration.steps import (
    Arm,
    StepSettings,
    after_twists,
    fitting_twists,
    moved_mm,
    still_to_come_mm,
    with_the_rest,
)
from occlusim.registration.trust import Trust


@dataclass(frozen=True, slots=True)
class RegistrationSettings:
    """How bite scans are matched and when the iteration ends.

    Attributes
    ----------
    start_distance_mm, end_distance_mm : float
        Match distance in the first and in the last rounds. The first covers the start's error,
        some tenths of a millimetre at the ends of the arch; the last covers many times scanner
        noise (15-30 um, from memory) and no more.
    loose_distance_mm : float
        A bite vertex this near to an arch shows that arch; what does not agree closely
        there counts against the record (`evidence.CLOSE_MM`).
    normal_angle_deg : float
        Largest angle between the matched normals.
    early_points : int
        Vertices of each bite scan used when the match distance has shrunk (every n-th vertex);
        while it is wider, fewer by as much.
    tolerance_um : float
        Further steps would move no point of the lower scan by more.
    max_rounds : int
        Rounds with every vertex.
    least_sigma_um : float
        Floor of the robust scale, so that noise-free data keep all their points.
    is_curved : bool
        False measures to flat facets; only to show what the curved patches are for.
    """

    start_distance_mm: float = 0.6
    end_distance_mm: float = 0.25
    loose_distance_mm: float = 0.6
    normal_angle_deg: float = 45.0
    early_points: int = 2500
    tolerance_um: float = 0.01
    max_rounds: int = 30
    least_sigma_um: float = 0.02
    is_curved: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.end_distance_mm <= self.loose_distance_mm <= self.start_distance_mm:
            raise InputError(
                "registration settings: 0 < end_distance_mm <= loose_distance_mm <= "
                f"start_distance_mm wanted, {self.end_distance_mm}, {self.loose_distance_mm} and "
                f"{self.start_distance_mm} given"
            )
        if not 0 < self.normal_angle_deg < 90:
            raise InputError(
                f"registration settings: normal_angle_deg {self.normal_angle_deg} given, "
                "between 0 and 90 wanted"
            )
        for name in ("early_points", "tolerance_um", "max_rounds", "least_sigma_um"):
            if not getattr(self, name) > 0:
                raise InputError(f"registration settings: {name} must be positive")


PLACES = 5_000
"""So many vertices tell where an arch is: about a millimetre apart, which changes a distance of
5 mm, where trust begins to fall, by 25 um at most."""

MOST_WEIGHTS = 5
"""So often do weights follow the residuals between two matches."""

SETTLED = 0.15
"""A step of so little of the match distance ends its rounds: the next would be a tenth as long."""

OUTSIDE = 0.01
"""A match distance that would leave out no more is not approached by steps."""

COMPARED = 10.0
"""In tolerances: a bite scan alone is compared with others, to a tenth of a micrometre."""


@dataclass(frozen=True, slots=True)
class JointFit:
    """Where the refinement ended; `parts` maps a bite scan's number to its matches."""

    poses: Poses
    parts: dict[int, PartMatches]
    centre: Float64Array
    converged: bool
    n_rounds: int
    last_change_um: float


class JointProblem:
    """Arches and bite scans prepared for matching.

    What is trusted how far (`trust`) is known once `approach` has placed them about right; before,
    all is trusted alike.
    """

    def __init__(
        self,
        upper: Surface,
        lower: Surface,
        bites: Sequence[Surface],
        settings: RegistrationSettings,
    ) -> None:
        self.settings = settings
        self.bites = bites
        self.arches = tuple(
            CurvedSurface(arch, is_curved=settings.is_curved) for arch in (upper, lower)
        )
        self.scans = [InnerScan.of(bite) for bite in bites]
        self.trust: list[Trust] | None = None
        middle = np.empty(3)
        reach_mm = middle_and_reach(lower.mesh.vertices, self.arches[1].normals, middle)
        self.arm = Arm(middle, reach_mm)

    def match(
        self,
        k: int,
        poses: Poses,
        row: Int64Array,
        reach_mm: float,
        like: PartMatches | None = None,
    ) -> PartMatches:
        """Return the matches of rows (n,) of bite scan k's inner vertices within reach.

        The nearer of the two arches whose normal agrees is taken. With `like`, earlier matches of
        the same rows, each is searched on its own arch alone.
        """
        scan = self.scans[k]
        found = Nearer.none_of(row, scan, poses.T_upper_bites[k])
        least_cosine = float(np.cos(np.radians(self.settings.normal_angle_deg)))
        for is_low, arch in enumerate(self.arches):
            T_arch_upper = poses.T_upper_lower.inverse() if is_low else RigidTransform.identity()
            is_asked = None if like is None else like.is_lower == bool(is_low)
            limits = (float(reach_mm), least_cosine)
            arch.improve(found, scan.memory, T_arch_upper, limits, bool(is_low), is_asked)
        vertex, area = (
            (scan.vertex.take(row), scan.area_mm2.take(row))
            if like is None
            else (like.vertex, like.area_mm2)
        )
        keep = np.isfinite(found.distance_mm) & (np.abs(found.residual_mm) <= reach_mm) & (area > 0)
        weight = area
        if self.trust is not None:
            weight = area * self.trust[k].at(found.points, row, poses.T_upper_lower)
        part = PartMatches(
            vertex, row, found.points, found.normals, found.directions,
            found.residual_mm, area, weight, found.is_lower, reach_mm,
        )  # fmt: skip
        return kept(part, keep)

    def robust_cut_mm(self, part: PartMatches) -> float:
        """Return Tukey's cut from the median absolute residual of near matches."""
        sigma = MAD_TO_SIGMA * weighted_median(np.abs(part.residual_mm), part.weight_mm2)
        sigma = max(sigma, 1e-3 * self.settings.least_sigma_um) if np.isfinite(sigma) else 1.0
        return min(TUKEY_CUT * sigma, self.settings.end_distance_mm)

    def centre_of(self, parts: dict[int, PartMatches]) -> Float64Array:
        """Return the middle (3,) of the overlap with the lower arch, upper frame."""
        weights = [p.weight_mm2 * p.is_lower for p in parts.values()]
        total = sum(float(w.sum()) for w in weights)
        if not total > 0:
            return self.arm.middle
        moments = [w @ p.points for w, p in zip(weights, parts.values(), strict=True)]
        return np.sum(moments, axis=0) / total

    def approach(self, poses: Poses) -> Poses:
        """Return the poses after the shrinking match distance, on every n-th vertex."""
        s = self.settings
        n_gates = max(2, 1 + int(np.ceil(np.log(s.start_distance_mm / s.end_distance_mm) / 0.25)))
        gates = np.geomspace(s.start_distance_mm, s.end_distance_mm, n_gates).tolist()
        while gates:
            gate_mm, moved = gates.pop(0), np.inf
            most = s.early_points * s.end_distance_mm / gate_mm
            some = [self.every_so_many(k, most) for k in range(len(self.scans))]
            parts: dict[int, PartMatches] = {}
            for _ in range(4):
                parts = {k: self.match(k, poses, row, gate_mm) for k, row in enumerate(some)}
                if not is_determined(parts):
                    break
                centre = self.centre_of(parts)
                how = StepSettings(1e-4, gate_mm)
                before, twists = poses, fitting_twists(parts.values(), centre, self.arm, how)
                poses = after_twists(before, parts, twists, centre)
                moved = moved_mm(before, poses, self.arm)
                if moved < SETTLED * gate_mm:
                    break
            while len(gates) > 1 and holds_nearly_all(parts, gates[1] - moved):
                gates.pop(0)
        self.trust = self.trust_at(poses)
        return poses

    def trust_at(self, poses: Poses) -> list[Trust]:
        """Return what the trust in every bite scan follows from, with all standing about right."""
        upper, lower = (arch.surface.mesh.vertices for arch in self.arches)
        places = (
            upper[:: max(1, len(upper) // PLACES)],
            lower[:: max(1, len(lower) // PLACES)],
        )
        return [
            Trust.of(bite, scan.vertex, places, poses.T_upper_lower, T)
            for bite, scan, T in zip(self.bites, self.scans, poses.T_upper_bites, strict=True)
        ]

    def refine(
        self, poses: Poses, chosen: tuple[int, ...], like: JointFit | None = None
    ) -> JointFit:
        """Return the fit of the chosen bite scans with every vertex, from nearby poses.

        `like`, a fit of more bite scans, tells which vertices lie on which arch. Such a fit is
        compared with others only, and ends at `COMPARED` tolerances.
        """
        s = self.settings
        tolerance_mm = 1e-3 * s.tolerance_um * (1.0 if like is None else COMPARED)
        parts = (
            {k: self.match(k, poses, self.all_rows(k), s.end_distance_mm) for k in chosen}
            if like is None
            else {k: like.parts[k] for k in chosen}
        )
        steps_mm: list[float] = []
        left_mm, before = np.inf, np.empty((0, 6))
        cut_mm: dict[int, float] = {}
        while len(steps_mm) < s.max_rounds:
            parts = {k: near(p, s.end_distance_mm) for k, p in parts.items()}
            if len(steps_mm) < s.max_rounds // 2:  # then held: a moving cut may chase its own tail
                cut_mm = {k: self.robust_cut_mm(p) for k, p in parts.items()}
            parts = {k: replace(p, cut_mm=cut_mm[k]) for k, p in parts.items()}
            if not is_determined(parts):
                break
            how = StepSettings(1e-8, s.end_distance_mm, MOST_WEIGHTS, is_near=len(steps_mm) > 0)
            centre, start = self.centre_of(parts), poses
            twists = fitting_twists(parts.values(), centre, self.arm, how)
            if len(steps_mm) > 1:
                twists = with_the_rest(before, twists, self.arm)
            before, poses = twists, after_twists(start, chosen, twists, centre)
            steps_mm.append(moved_mm(start, poses, self.arm))
            left_mm = min(still_to_come_mm(steps_mm), steps_mm[-1])
            if left_mm <= tolerance_mm and len(steps_mm) > 1:
                break
            parts = {k: self.match(k, poses, p.row, s.end_distance_mm, p) for k, p in parts.items()}
        return JointFit(
            poses,
            parts,
            self.centre_of(parts),
            bool(left_mm <= tolerance_mm),
            len(steps_mm),
            1000.0 * steps_mm[-1] if steps_mm else float("nan"),
        )

    def seen_loosely(self, fit: JointFit) -> JointFit:
        """Return the fit matched anew where it ended, with all that lies loosely on an arch.

        The poses stay; what does not fit is needed to judge a record, not to register it.
        """
        parts: dict[int, PartMatches] = {}
        for k, part in fit.parts.items():
            loose = self.loosely(k, fit.poses, part)
            close = near(loose, self.settings.end_distance_mm)
            parts[k] = replace(loose, cut_mm=self.robust_cut_mm(close))
        return replace(fit, parts=parts, centre=self.centre_of(parts))

    def loosely(self, k: int, poses: Poses, part: PartMatches) -> PartMatches:
        """Return the loose matches of bite scan k: those of a fit stay on their arch."""
        reach_mm = self.settings.loose_distance_mm
        rest = np.delete(self.all_rows(k), part.row)
        known = self.match(k, poses, part.row, reach_mm, part)
        return joined(known, self.match(k, poses, rest, reach_mm))

    def every_so_many(self, k: int, n: float) -> Int64Array:
        """Return the numbers of about n rows of bite scan k, evenly; of all where there are fewer.

        Neighbours in the list lie near each other, so every n-th row is everywhere.
        """
        n_rows = len(self.scans[k].vertex)
        return np.arange(0, n_rows, max(1, int(n_rows / n)))

    def all_rows(self, k: int) -> Int64Array:
        """Return the numbers (n,) of all rows of bite scan k."""
        return np.arange(len(self.scans[k].vertex))


def holds_nearly_all(parts: dict[int, PartMatches], distance_mm: float) -> bool:
    """Return whether nearly all that any bite scan is matched with lies within a distance."""
    return all(
        np.count_nonzero(np.abs(p.residual_mm) > distance_mm) <= OUTSIDE * len(p.row)
        for p in parts.values()
    )
