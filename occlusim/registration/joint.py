"""The joint problem of two arches and their bite scans: matching, approach and refinement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
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
    NormalEquations,
    assemble_moved,
    move_about,
    weighted_median,
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
        Vertices of each bite scan used while the match distance shrinks (every n-th vertex).
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

MOST_WEIGHTS, WEIGHTS_SETTLED = 5, 0.01
"""So often do weights follow the residuals between two matches, or until a step changes by so
little of itself: as exact as the matched planes are."""

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
        normals = self.arches[1].normals
        used = lower.mesh.vertices[np.einsum("ij,ij->i", normals, normals) > 0]  # by some face
        self.lower_middle = used.mean(axis=0)
        away = used - self.lower_middle
        self.lower_reach_mm = float(np.sqrt(np.einsum("ij,ij->i", away, away).max()))

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
            (scan.vertex[row], scan.area_mm2[row]) if like is None else (like.vertex, like.area_mm2)
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
            return self.lower_middle
        moments = [w @ p.points for w, p in zip(weights, parts.values(), strict=True)]
        return np.sum(moments, axis=0) / total

    def twists(
        self, parts: dict[int, PartMatches], centre: Float64Array, damping: float, n_weights: int
    ) -> Float64Array:
        """Return the twists (1 + K, 6) about `centre` that fit the matched planes, lower jaw first.

        The robust weights follow the residuals up to `n_weights` times; residuals change by their
        rows meanwhile, and nothing is matched anew.
        """
        n = len(parts)
        total = np.zeros((1 + n, 6))
        for _ in range(n_weights):
            equations = NormalEquations(np.zeros((6 + 6 * n, 6 + 6 * n)), np.zeros(6 + 6 * n))
            for i, part in enumerate(parts.values()):
                equations += assemble_moved(part, centre, (total[1 + i], total[0]), (i, n))
            more = equations.step(self.lower_reach_mm, damping)
            total += more
            if np.abs(more).max() <= WEIGHTS_SETTLED * np.abs(total).max():
                break
        return total

    def step(
        self,
        poses: Poses,
        parts: dict[int, PartMatches],
        damping: float,
        longest_mm: float,
        n_weights: int = 1,
    ) -> tuple[Poses, float]:
        """Return the poses after one step and the largest movement of the lower scan, mm."""
        centre = self.centre_of(parts)
        arm_mm = self.lower_reach_mm
        twists = self.twists(parts, centre, damping, n_weights)
        size = float((np.linalg.norm(twists[:, :3], axis=1) * arm_mm).max())
        size = max(size, float(np.linalg.norm(twists[:, 3:], axis=1).max()))
        if size > longest_mm:
            twists = twists * (longest_mm / size)
        T_upper_lower = move_about(twists[0], centre, poses.T_upper_lower)
        bites = list(poses.T_upper_bites)
        for twist, k in zip(twists[1:], parts, strict=True):
            bites[k] = move_about(twist, centre, bites[k])
        old, new = (T.apply(self.lower_middle) for T in (poses.T_upper_lower, T_upper_lower))
        moved = float(np.linalg.norm(new - old) + np.linalg.norm(twists[0, :3]) * arm_mm)
        return Poses(T_upper_lower, tuple(bites)), moved

    def approach(self, poses: Poses) -> Poses:
        """Return the poses after the shrinking match distance, on every n-th vertex."""
        s = self.settings
        some = [
            np.arange(0, n, max(1, n // s.early_points))
            for n in (len(scan.vertex) for scan in self.scans)
        ]
        n_gates = max(2, 1 + int(np.ceil(np.log(s.start_distance_mm / s.end_distance_mm) / 0.25)))
        for gate_mm in np.geomspace(s.start_distance_mm, s.end_distance_mm, n_gates):
            for _ in range(4):
                parts = {k: self.match(k, poses, some[k], float(gate_mm)) for k in range(len(some))}
                if not is_determined(parts):
                    break
                poses, moved = self.step(poses, parts, 1e-4, float(gate_mm))
                if moved < 0.05 * gate_mm:
                    break
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
        left_mm = np.inf
        cut_mm: dict[int, float] = {}
        while len(steps_mm) < s.max_rounds:
            parts = {k: near(p, s.end_distance_mm) for k, p in parts.items()}
            if len(steps_mm) < s.max_rounds // 2:  # then held: a moving cut may chase its own tail
                cut_mm = {k: self.robust_cut_mm(p) for k, p in parts.items()}
            parts = {k: replace(p, cut_mm=cut_mm[k]) for k, p in parts.items()}
            if not is_determined(parts):
                break
            poses, moved_mm = self.step(poses, parts, 1e-8, s.end_distance_mm, MOST_WEIGHTS)
            steps_mm.append(moved_mm)
            left_mm = min(still_to_come_mm(steps_mm), moved_mm)
            if left_mm <= tolerance_mm and len(steps_mm) > 1:
                break
            parts = {k: self.match(k, poses, p.row, s.end_distance_mm, p) for k, p in parts.items()}
        if like is None:
            parts = {k: self.loosely(k, poses, p) for k, p in parts.items()}
        parts = {
            k: replace(p, cut_mm=self.robust_cut_mm(near(p, s.end_distance_mm)))
            for k, p in parts.items()
        }
        return JointFit(
            poses,
            parts,
            self.centre_of(parts),
            bool(left_mm <= tolerance_mm),
            len(steps_mm),
            1000.0 * steps_mm[-1] if steps_mm else float("nan"),
        )

    def loosely(self, k: int, poses: Poses, part: PartMatches) -> PartMatches:
        """Return the loose matches of bite scan k: those of a fit stay on their arch."""
        reach_mm = self.settings.loose_distance_mm
        rest = np.delete(self.all_rows(k), part.row)
        known = self.match(k, poses, part.row, reach_mm, part)
        return joined(known, self.match(k, poses, rest, reach_mm))

    def all_rows(self, k: int) -> Int64Array:
        """Return the numbers (n,) of all rows of bite scan k."""
        return np.arange(len(self.scans[k].vertex))


def still_to_come_mm(steps_mm: list[float]) -> float:
    """Return how far all further steps go together, after steps of these lengths.

    In the end steps shrink by one factor, that of the slowest direction: a geometric series. Its
    factor is taken as the larger of the last two, for the first steps shrink faster; unknown,
    infinite, before three steps and where they do not halve.
    """
    if steps_mm and steps_mm[-1] == 0:
        return 0.0
    if len(steps_mm) < 3:
        return float("inf")
    first, second, last = steps_mm[-3:]
    factor = max(last / second, second / first)
    return last * factor / (1.0 - factor) if factor < 0.5 else float("inf")
