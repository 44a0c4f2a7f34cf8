"""How likely a crown is high, place by place, where the lower jaw's place is known by a spread.

Drawn places of the lower jaw are given as motions; a clearance changes by the way of its place
along the direction in which its gap grows, and a place is high in a draw where the least over all
movements falls below the limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, frozen
from occlusim.errors import InputError
from occlusim.motion.reclosing import largest_changes


@dataclass(frozen=True, slots=True)
class DrawnPlaces:
    """Places of a crown, where each has its least clearance in one movement, and drawn jaws there.

    Attributes
    ----------
    vertex : (k,)
        The crown's vertices, none twice.
    clearance_mm : (k,)
        Gap less wanted gap where the jaw is known to be.
    way : (k, 6)
        Change of the gap with a motion of the lower jaw: rotation (rad) before translation (mm).
    twist : (n, 6)
        The draws, in the same frame as `way`.
    wanted_mm : (n,)
        Change of the wanted gap in each draw, for a place whose wanted gap is all datum.
    datum_share : (k,)
        How much of it each place's wanted gap follows.
    """

    vertex: Int64Array
    clearance_mm: Float64Array
    way: Float64Array
    twist: Float64Array
    wanted_mm: Float64Array
    datum_share: Float64Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertex", frozen(self.vertex, np.int64))
        for name in ("clearance_mm", "way", "twist", "wanted_mm", "datum_share"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.float64))


@dataclass(frozen=True, slots=True)
class HighChance:
    """How likely a crown is high.

    Attributes
    ----------
    probability : (V,)
        Share of the draws in which a vertex is high; 0 for a vertex of no place.
    is_high : (n,)
        Draws in which any vertex is.
    """

    probability: Float64Array
    is_high: BoolArray

    @property
    def n(self) -> int:
        """Number of draws."""
        return len(self.is_high)

    @property
    def anywhere(self) -> float:
        """Share of the draws in which the crown is high anywhere."""
        return float(self.is_high.mean())


def high_chance(n_vertices: int, places: Sequence[DrawnPlaces], limit_mm: float) -> HighChance:
    """Return how likely each vertex of a crown is high.

    Parameters
    ----------
    n_vertices
        V of the crown.
    places
        Of every movement, those whose clearance was followed; the same number of draws in each.
    limit_mm
        High is a clearance below this (negative for what may be left as it is).

    Raises
    ------
    InputError
        If there is no place, or the numbers of draws differ.

    Notes
    -----
    n draws tell a probability to about sqrt(p (1 - p) / n), and nothing below 1 / n.
    """
    counts = {len(one.twist) for one in places}
    if len(counts) != 1 or 0 in counts:
        raise InputError(
            f"probability: numbers of draws {sorted(counts)} given, one and the same is wanted"
        )
    n = counts.pop()
    found = np.zeros(n_vertices)
    open_ = np.zeros(n_vertices, dtype=np.bool_)
    for one in places:
        open_[one.vertex] |= one.clearance_mm - _swings_mm(one) < limit_mm
    row = np.full(n_vertices, -1, dtype=np.int64)
    row[open_] = np.arange(open_.sum())
    least = np.full((int(open_.sum()), n), np.inf)
    for one in places:
        own = open_[one.vertex]
        at = row[one.vertex[own]]
        drawn = one.clearance_mm[own, None] + one.way[own] @ one.twist.T
        drawn -= one.datum_share[own, None] * one.wanted_mm
        least[at] = np.minimum(least[at], drawn)
    is_high = least < limit_mm
    found[open_] = is_high.mean(axis=1)
    return HighChance(found, np.asarray(is_high.any(axis=0)))


def _swings_mm(one: DrawnPlaces) -> Float64Array:
    """Return a bound (k,): no draw takes more off a place's clearance."""
    wanted_mm = float(np.abs(one.wanted_mm).max(initial=0.0))
    return largest_changes(one.way, one.twist) + one.datum_share * wanted_mm
