"""Where on a crown a place lies, in words, from the crown's own relief and orientation.

Cusps are the relief's peaks, fossae its pits; a marginal ridge is what rises between two cusps at
the mesial or distal end; the rest of a hill is a slope of its cusp. Where the relief has no cusps
the words say no more than the part of the occlusal surface. Terms: Glossary of Prosthodontic Terms;
the names of cusps by their place, from memory. The limits are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array, Int32Array, Int64Array, unit_vector
from occlusim.crown.relief import PEAK_MM, find_relief
from occlusim.errors import InputError

WALL_DEG = 65.0
MIDDLE = 0.25
MARGIN = 0.6
TIP_MM = 0.7
"""Places this near to a peak, seen from the occlusal side, are its tip."""

LOWEST_CUSP_MM = 2.0
"""A peak further below the highest is no cusp of the biting surface (a tubercle on a wall)."""

FOSSA_SHARE = 0.25
"""The floor of a fossa: its lowest part, as a share of the height of the cusps above it."""

BETWEEN_MM = 0.35
"""Places this near to the line between two hills are between their cusps."""

RIDGE_MM = 0.1
"""A marginal ridge rises at least so high above what lies between it and the middle."""

RIDGE_SHARE = 0.6
"""A marginal ridge takes this share of the way between the buccal and the inner tips."""

FIVE_CUSPED = (36, 46)
"""Lower first molars: their three buccal cusps are named mesiobuccal, distobuccal, distal."""


@dataclass(frozen=True, slots=True)
class CrownOrientation:
    """Unit vectors of a crown in its own coordinates: occlusal (3,), mesial (3,), buccal (3,).

    Mesial and buccal are made square to occlusal; `inner_side` is the word for the side away from
    buccal: lingual below, palatal above. `tooth` is its ISO 3950 number, 0 where it is not known.
    """

    occlusal: Float64Array
    mesial: Float64Array
    buccal: Float64Array
    inner_side: str = "lingual"
    tooth: int = 0

    def __post_init__(self) -> None:
        occlusal = unit_vector(self.occlusal, "occlusal")
        given = {"mesial": self.mesial, "buccal": self.buccal}
        object.__setattr__(self, "occlusal", occlusal)
        for name, value in given.items():
            direction = unit_vector(value, name)
            flat = direction - (direction @ occlusal) * occlusal
            if np.linalg.norm(flat) < 0.1:
                raise InputError(f"orientation: {name} is almost parallel to occlusal")
            object.__setattr__(self, name, unit_vector(flat, name))
        if abs(float(self.mesial @ self.buccal)) > 0.7:
            raise InputError("orientation: mesial and buccal are closer than 45 degrees")


class CrownRelief:
    """A crown's outer surface, ready to name places on it."""

    def __init__(
        self,
        vertices: Float64Array,
        faces: Int32Array,
        normals: Float64Array,
        orientation: CrownOrientation,
    ) -> None:
        self.orientation = orientation
        axes = np.stack([orientation.mesial, orientation.buccal, orientation.occlusal])
        self._axes = axes
        facing = normals @ orientation.occlusal > np.cos(np.radians(WALL_DEG))
        self._relief = find_relief(vertices @ axes.T, faces, facing)
        places = vertices @ axes.T if self._relief is None else self._relief.places
        low, high = np.percentile(places, [1, 99], axis=0)
        self._centre = 0.5 * (low + high)[:2]
        self._half = np.maximum(0.5 * (high - low)[:2], 1e-6)
        self._cusps: dict[int, str] = {}
        if self._relief is not None:
            self._cusps = self._named_cusps(self._relief.peaks)
            self._tree = KDTree(self._relief.places[:, :2])

    def describe(self, point: Float64Array, normal: Float64Array) -> str:
        """Return where a place (3,) with outward normal (3,) lies, in words."""
        place = self._axes @ point
        slope = self._axes @ normal
        if slope[2] < np.cos(np.radians(WALL_DEG)):
            return f"axial wall, {self._side(slope[:2])} side"
        return (self._structure(place) if self._cusps else None) or self._plain(place)

    def cusps(self) -> dict[str, Float64Array]:
        """Return the tips of the cusps by name, (3,) mm in the crown's coordinates."""
        if self._relief is None:
            return {}
        peaks = self._relief.peaks
        return {name: self._axes.T @ peaks[k] for k, name in self._cusps.items()}

    def biting_surface(self) -> Int64Array:
        """Return the crown's vertices (k,) that its biting surface is made of."""
        return np.empty(0, dtype=np.int64) if self._relief is None else self._relief.vertex

    def cusp_slopes(self) -> dict[str, Int64Array]:
        """Return by cusp the crown's vertices that its hill is made of, up to the watershed."""
        relief = self._relief
        if relief is None:
            return {}
        return {name: relief.vertex[relief.hill == k] for k, name in self._cusps.items()}

    def _named_cusps(self, peaks: Float64Array) -> dict[int, str]:
        """Return the names of the peaks that are cusps; none where there are not two."""
        at = (peaks[:, :2] - self._centre) / self._half
        on_margin = (np.abs(at[:, 0]) > MARGIN) & (np.abs(at[:, 1]) < MIDDLE)
        # A marginal ridge is lower than every cusp; what is not lower is a cusp near the margin.
        on_margin &= peaks[:, 2] < peaks[~on_margin, 2].min(initial=np.inf)
        high = peaks[:, 2] > peaks[:, 2].max() - LOWEST_CUSP_MM
        inner = self.orientation.inner_side
        named: dict[int, str] = {}
        for side, own in (("buccal", at[:, 1] > 0), (inner, at[:, 1] <= 0)):
            row = np.flatnonzero(own & high & ~on_margin)
            row = row[np.argsort(-at[row, 0])]
            named |= dict(zip(row.tolist(), self._row_names(len(row), side), strict=True))
        return named if len(named) > 1 else {}

    def _row_names(self, n: int, side: str) -> list[str]:
        """Return the names of a side's cusps from mesial to distal."""
        if n < 2:
            return [side] * n
        if n == 3 and side == "buccal" and self.orientation.tooth in FIVE_CUSPED:
            return ["mesiobuccal", "distobuccal", "distal"]
        middle = [f"middle {side}"] if n == 3 else [f"middle {side} {k}" for k in range(1, n - 1)]
        return [f"mesio{side}", *middle, f"disto{side}"]

    def _structure(self, place: Float64Array) -> str | None:
        """Return the cusp, slope, fossa or ridge at a place; None where the relief says nothing."""
        relief = self._relief
        if relief is None:
            return None
        here = int(self._tree.query(place[:2])[1])
        hill = int(relief.hill[here])
        tip = relief.peaks[hill]
        if hill in self._cusps and np.hypot(*(place - tip)[:2]) < TIP_MM:
            return f"tip of the {self._cusps[hill]} cusp"
        fossa = self._fossa(place, int(relief.pit[here]))
        if fossa or self._is_marginal_ridge(place):
            side = "mesial" if place[0] > self._centre[0] else "distal"
            return fossa or f"{side} marginal ridge"
        if hill not in self._cusps:
            return None
        other = self._beside(place, hill)
        if other is not None:
            names = [name for k, name in self._cusps.items() if k in (hill, other)]
            return f"between the {names[0]} and {names[1]} cusps"
        across = np.array([place[1], tip[1]]) - self._centre[1]
        if across[0] * np.sign(across[1]) < -MIDDLE * self._half[1]:
            # Beyond the middle begins what belongs to a cusp of the other side, if too low a one.
            return None
        return f"{self._slope(place - tip, tip)} slope of the {self._cusps[hill]} cusp"

    def _slope(self, away: Float64Array, tip: Float64Array) -> str:
        """Return which slope of its cusp a place is on, by the way (3,) from the tip to it."""
        if abs(away[0]) > abs(away[1]):
            return "mesial" if away[0] > 0 else "distal"
        return "outer" if away[1] * (tip[1] - self._centre[1]) > 0 else "inner"

    def _fossa(self, place: Float64Array, pit: int) -> str | None:
        """Return the fossa at whose floor a place lies, or None."""
        relief = self._relief
        if relief is None or pit < 0:
            return None
        low = relief.pits[pit]
        cusps = np.mean([relief.peaks[k][2] for k in self._cusps])
        if place[2] - low[2] > FOSSA_SHARE * (cusps - low[2]):
            return None
        along = (low[0] - self._centre[0]) / self._half[0]
        if abs(along) < MIDDLE:
            return "central fossa"
        return f"{'mesial' if along > 0 else 'distal'} fossa"

    def _is_marginal_ridge(self, place: Float64Array) -> bool:
        """Return whether a place at the mesial or distal end stands on what rises between cusps."""
        relief = self._relief
        along = (place[0] - self._centre[0]) / self._half[0]
        tips = np.array([relief.peaks[k][1] for k in self._cusps]) if relief else np.empty(0)
        if relief is None or abs(along) < MARGIN:
            return False
        if abs(place[1] - np.mean([tips.min(), tips.max()])) > RIDGE_SHARE * np.ptp(tips) / 2:
            return False
        at = np.abs(relief.places[:, 1] - place[1]) < BETWEEN_MM
        at &= (relief.places[:, 0] - self._centre[0]) * np.sign(along) > 0
        strip = relief.places[at]
        if len(strip) < 3:
            return False
        end = np.abs(strip[:, 0] - self._centre[0]) > MARGIN * self._half[0]
        if not end.any():
            return False
        # The lowest place between the crest and the middle, not that beyond the crest.
        crest = strip[end][np.argmax(strip[end, 2])]
        within = np.abs(strip[:, 0] - self._centre[0]) <= abs(crest[0] - self._centre[0])
        low = strip[within, 2].min()
        if crest[2] - low < RIDGE_MM:
            return False
        return bool(place[2] > 0.5 * (crest[2] + low))

    def _beside(self, place: Float64Array, hill: int) -> int | None:
        """Return another cusp whose hill begins right beside a place well below both tips."""
        relief = self._relief
        if relief is None:
            return None
        near = np.array(self._tree.query_ball_point(place[:2], BETWEEN_MM), dtype=np.int64)
        others = relief.hill[near]
        others = [k for k in np.unique(others).tolist() if k != hill and k in self._cusps]
        tips = [relief.peaks[k][2] for k in (hill, *others)]
        if not others or place[2] > min(tips) - PEAK_MM:
            return None
        gap = [np.hypot(*(relief.peaks[k] - place)[:2]) for k in others]
        return others[int(np.argmin(gap))]

    def _plain(self, place: Float64Array) -> str:
        m, b = (place[:2] - self._centre) / self._half
        along = "" if abs(m) < MIDDLE else ("mesial" if m > 0 else "distal")
        inner = self.orientation.inner_side
        across = "" if abs(b) < MIDDLE else ("buccal" if b > 0 else inner)
        part = f"{along[:-2]}o{across}" if along and across else along or across or "middle"
        return f"occlusal surface, {part} part"

    def _side(self, slope: Float64Array) -> str:
        if abs(slope[0]) > abs(slope[1]):
            return "mesial" if slope[0] > 0 else "distal"
        return "buccal" if slope[1] > 0 else self.orientation.inner_side
