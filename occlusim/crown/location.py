"""Where on a crown a place lies, in words, from the crown's own relief and orientation.

A first honest level: the part of the crown (mesial or distal, buccal or lingual) comes from the
place itself; cusp, fossa, marginal ridge or slope from its height among its neighbours and from
the steepness there. Terms: Glossary of Prosthodontic Terms. The limits are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array, unit_vector
from occlusim.errors import InputError

NEIGHBOURHOOD_MM = 1.5
RELIEF_MM = 0.12
WALL_DEG = 65.0
MIDDLE = 0.25
MARGIN = 0.6


@dataclass(frozen=True, slots=True)
class CrownOrientation:
    """Unit vectors of a crown in its own coordinates: occlusal (3,), mesial (3,), buccal (3,).

    Mesial and buccal are made square to occlusal; `inner_side` is the word for the side away from
    buccal: lingual below, palatal above.
    """

    occlusal: Float64Array
    mesial: Float64Array
    buccal: Float64Array
    inner_side: str = "lingual"

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
        self, vertices: Float64Array, normals: Float64Array, orientation: CrownOrientation
    ) -> None:
        self.orientation = orientation
        axes = np.stack([orientation.mesial, orientation.buccal, orientation.occlusal])
        self._axes = axes
        facing = normals @ orientation.occlusal > np.cos(np.radians(WALL_DEG))
        occlusal = vertices[facing] if facing.sum() >= 10 else vertices
        self._places = occlusal @ axes.T
        low, high = np.percentile(vertices @ axes.T, [1, 99], axis=0)
        self._centre = 0.5 * (low + high)
        self._half = np.maximum(0.5 * (high - low), 1e-6)
        self._tree = KDTree(self._places[:, :2])

    def describe(self, point: Float64Array, normal: Float64Array) -> str:
        """Return where a place (3,) with outward normal (3,) lies, in words."""
        place = self._axes @ point
        slope = self._axes @ normal
        part = self._part(place)
        if slope[2] < np.cos(np.radians(WALL_DEG)):
            return f"axial wall, {self._side(slope)} side"
        near = self._tree.query_ball_point(place[:2], NEIGHBOURHOOD_MM)
        if len(near) < 6:
            return part
        around = self._places[near]
        rise = float(place[2] - np.mean(around[:, 2]))
        at_margin = abs(place[0] - self._centre[0]) > MARGIN * self._half[0]
        if rise > RELIEF_MM:
            is_between = abs(place[1] - self._centre[1]) < 2 * MIDDLE * self._half[1]
            if at_margin and is_between:
                return f"{'mesial' if place[0] > self._centre[0] else 'distal'} marginal ridge"
            return f"{part} cusp"
        if rise < -RELIEF_MM:
            return f"{part} fossa"
        if slope[2] > np.cos(np.radians(10.0)):
            return f"{part}, level surface"
        return f"{part}, slope facing {self._side(slope)}"

    def _part(self, place: Float64Array) -> str:
        m, b = (place[:2] - self._centre[:2]) / self._half[:2]
        along = "" if abs(m) < MIDDLE else ("mesial" if m > 0 else "distal")
        inner = self.orientation.inner_side
        across = "" if abs(b) < MIDDLE else ("buccal" if b > 0 else inner)
        if along and across:
            return f"{along[:-2]}o{across}"
        return along or across or "central"

    def _side(self, slope: Float64Array) -> str:
        if abs(slope[0]) > abs(slope[1]):
            return "mesial" if slope[0] > 0 else "distal"
        return "buccal" if slope[1] > 0 else self.orientation.inner_side
