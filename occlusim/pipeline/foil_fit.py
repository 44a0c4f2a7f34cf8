"""Foil that constrains the record: the likeliest pose at which pairs hold and slip as was seen.

The record's pose is uncertain by its covariance; foil says of single pairs of teeth how near they
come once the jaw is closed. Together they have one likeliest pose, found by closing the jaw at
poses beside the record's; a least gap changes as its own place moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.stats import chi2

from occlusim.arrays import Float64Array
from occlusim.case import Foil
from occlusim.crown.contacts_kept import FoilRule
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.slide import RetrusiveSlide
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.foil import PairGap, PairGaps, upper_and_lower
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.jaw_stage import Fields, NaturalJaw, run_natural_jaw
from occlusim.pipeline.record import Placed
from occlusim.pipeline.record_places import Place
from occlusim.pipeline.units import UM
from occlusim.registration.uncertainty import spread

SCATTER_MM = 0.005
"""Standard deviation of a pair's predicted gap, beside the pose: noise of both scans (assumption;
scanners are rated so, from memory)."""
PROBE = 0.5
"""Poses are tried this many standard deviations beside the one before."""
MOST_ROUNDS = 6
STILL = 0.02
"""The search ends where it moves by less, in standard deviations."""
UNLIKELY = 0.01


@dataclass(frozen=True, slots=True)
class FoilFit:
    """A record's pose after foil.

    Attributes
    ----------
    T_upper_lower, recorded
        The pose, and the record's own; the same, to the bit, where foil asks for no other.
    twist : (6,)
        Its left perturbation of the record's pose, upper scan's frame.
    covariance : (6, 6)
        What is left of the record's, in the same frame.
    chance
        How likely a record errs by so much or more, if its covariance is right.
    n_rounds
    """

    T_upper_lower: RigidTransform
    recorded: RigidTransform
    twist: Float64Array
    covariance: Float64Array
    chance: float
    n_rounds: int

    def placed(self, placed: Placed) -> Placed:
        """Return the case at this pose; where the axis was mounted stays."""
        record = placed.record
        if record.registration is None:
            return placed
        registration = replace(
            record.registration, T_upper_lower=self.T_upper_lower, covariance=self.covariance
        )
        return replace(
            placed,
            T_upper_lower=self.T_upper_lower,
            record=replace(record, registration=registration),
        )

    def part(self, places: tuple[Place, ...]) -> dict[str, Any]:
        """Return what results say of it; places are at the recorded pose."""
        moved = self.T_upper_lower @ self.recorded.inverse()
        return {
            "T_upper_lower_recorded": self.recorded.matrix.tolist(),
            "shift_um": {
                place.name: float(np.linalg.norm(moved.apply(place.point) - place.point)) * UM
                for place in places
            },
            "chance": self.chance,
            "n_rounds": self.n_rounds,
        }

    def words(self) -> list[str]:
        """Return in words why the record and the foil cannot both be right, if so."""
        if self.chance >= UNLIKELY:
            return []
        return [
            "foil asks for a place of the lower jaw that the bite record makes unlikely "
            f"(chance {self.chance:.2g}): look at both again"
        ]


@dataclass(frozen=True, slots=True)
class _Sight:
    """The pairs (n,) that were looked at, and the range of gaps in which each agrees with foil."""

    gaps_of: PairGaps
    pairs: tuple[tuple[int, int], ...]
    most_mm: Float64Array
    least_mm: Float64Array

    @staticmethod
    def build(foil: Foil, jaw: NaturalJaw, closure: Equilibrium) -> _Sight:
        """Return the pairs of a case's foil."""
        pairs = tuple(upper_and_lower(pair) for pair in (*foil.holds, *foil.slips))
        n, rule = len(foil.holds), FoilRule(foil.thickness_um / UM)
        most, least = np.full(len(pairs), np.inf), np.full(len(pairs), -np.inf)
        most[:n], least[n:] = rule.holds_mm, rule.slips_mm
        return _Sight(PairGaps.around(jaw.natural, closure), pairs, most, least)

    def gaps(self, T_upper_lower: RigidTransform) -> list[PairGap]:
        """Return the gaps (n,) at a closure's pose; NaN where teeth are nowhere near each other."""
        return [self.gaps_of.least(T_upper_lower, *pair) for pair in self.pairs]

    def off_mm(self, gap_mm: Float64Array) -> Float64Array:
        """Return by how much gaps (n,) are too wide (positive) or too narrow; 0 where unknown."""
        wide, narrow = np.maximum(gap_mm - self.most_mm, 0), np.maximum(self.least_mm - gap_mm, 0)
        return np.nan_to_num(wide - narrow)


def fit_to_foil(foil: Foil, placed: Placed, jaw: NaturalJaw) -> FoilFit:
    """Return the likeliest pose of the record, given what foil showed before the crown.

    Parameters
    ----------
    foil
        Which pairs hold and which let slip.
    placed, jaw
        The record with its covariance, and the jaw closed at its pose.

    Raises
    ------
    InputError
        If the record's covariance is not known: nothing says then how far foil may move it.
    NotConverged, DegenerateProblem
        As `balance`.

    Notes
    -----
    In standard deviations z of the record the sum z.z + sum (off / scatter)^2 is made least, off
    being by how much a pair's gap at the closure is wider than what holds or narrower than what
    slips; a Gauss-Newton search with halved steps.
    """
    registration = placed.record.registration
    if registration is None or not np.isfinite(registration.covariance).all():
        raise InputError(
            "[foil] constrains = true given, but how sure the bite record is is not known: leave "
            "constrains out, or record the bite again"
        )
    root = spread(registration.covariance)
    closed = jaw.run.light if foil.load == "light" else jaw.run.heavy
    sight = _Sight.build(foil, jaw, closed)

    def moved(z: Float64Array) -> RigidTransform:
        return RigidTransform.exp(root @ z) @ placed.T_upper_lower

    def closed_at(z: Float64Array, start: Equilibrium) -> Equilibrium:
        model = replace(jaw.model, T_upper_lower=moved(z))
        return close_jaw(model, (jaw.run.side.copy(),), closed.load_N, start)

    def cost(z: Float64Array, gap_mm: Float64Array) -> float:
        off = sight.off_mm(gap_mm) / SCATTER_MM
        return float(z @ z + off @ off)

    n = root.shape[1]
    z, rest, seen = np.zeros(n), closed, sight.gaps(closed.T_upper_lower)
    gap, slope, rounds = _values(seen), np.zeros((len(seen), n)), 0
    while sight.off_mm(gap).any() and rounds < MOST_ROUNDS:
        rounds += 1
        for k in range(n):
            step = PROBE * np.eye(n)[k]
            after, before = (closed_at(z + way, rest).T_upper_lower for way in (step, -step))
            slope[:, k] = _change(seen, after @ before.inverse()) / (2.0 * PROBE)
        way = _least(z, gap, slope, sight) - z
        for share in 0.5 ** np.arange(5):
            there = closed_at(z + share * way, rest)
            found = sight.gaps(there.T_upper_lower)
            if cost(z + share * way, _values(found)) < cost(z, gap):
                z, rest, seen, gap = z + share * way, there, found, _values(found)
                break
        else:
            break
        if np.abs(way).max() < STILL:
            break
    if not z.any():
        same = placed.T_upper_lower
        return FoilFit(same, same, np.zeros(6), registration.covariance, 1.0, rounds)
    tells = slope[sight.off_mm(gap) != 0.0] / SCATTER_MM
    left = np.linalg.inv(np.eye(n) + tells.T @ tells)
    chance, recorded = float(chi2.sf(z @ z, n)), placed.T_upper_lower
    return FoilFit(moved(z), recorded, root @ z, root @ left @ root.T, chance, rounds)


def _values(seen: list[PairGap]) -> Float64Array:
    return np.array([one.gap_mm for one in seen])


def _change(seen: list[PairGap], moved: RigidTransform) -> Float64Array:
    """Return by how much gaps (n,) grow as the lower jaw is moved a little, upper frame."""
    return np.array([one.away @ (moved.apply(one.point) - one.point) for one in seen])


def constrain(
    inputs: Inputs,
    placed: Placed,
    fields: Fields,
    jaw: NaturalJaw,
    clock: Clock,
    slide: RetrusiveSlide | None = None,
) -> tuple[Placed, NaturalJaw, FoilFit | None]:
    """Return the case and its jaw at the pose that foil asks for, where the case says so.

    Raises
    ------
    InputError, NotConverged, DegenerateProblem
        As `fit_to_foil` and `run_natural_jaw`.
    """
    foil = inputs.case.foil
    if foil is None or not foil.constrains:
        return placed, jaw, None
    with clock.stage("foil", "foil: the likeliest place of the lower jaw"):
        fit = fit_to_foil(foil, placed, jaw)
    if not fit.twist.any():
        return placed, jaw, fit
    placed = fit.placed(placed)
    return placed, run_natural_jaw(inputs, placed, fields, clock, slide), fit


def _least(
    z: Float64Array, gap_mm: Float64Array, slope: Float64Array, sight: _Sight
) -> Float64Array:
    """Return the likeliest z (n,) where the gaps are linear about a known one."""

    def cost(at: Float64Array) -> tuple[float, Float64Array]:
        off = sight.off_mm(gap_mm + slope @ (at - z)) / SCATTER_MM
        return float(at @ at + off @ off), 2.0 * (at + slope.T @ off / SCATTER_MM)

    return minimize(cost, z, jac=True, method="BFGS", options={"gtol": 1e-8}).x
