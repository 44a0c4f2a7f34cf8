"""Where a crown stands in violation: spots as labelled vertices, with their blend rings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array
from occlusim.crown.clearance import (
    Opposing,
    PathTable,
    SweptClearance,
    facet_bounds,
    swept_facet_clearance,
)
from occlusim.crown.reduction_settings import ReductionSettings
from occlusim.crown.spots import rings, split_regions
from occlusim.geometry.mesh import TriangleMesh


@dataclass(frozen=True, slots=True)
class Regions:
    """Spots as labelled vertices: label (V,), owner with rings (V,), distance (V,), height (V,).

    poked (k,) are the facets between clear vertices that stand in violation, poked_mm (k,) by how
    much.
    """

    label: Int32Array
    owner: Int32Array
    distance_mm: Float64Array
    height_mm: Float64Array
    poked: Int64Array
    poked_mm: Float64Array

    @property
    def count(self) -> int:
        """Number of spots."""
        return int(self.label.max()) + 1 if len(self.label) else 0


def find_regions(
    crown: TriangleMesh,
    antagonist: Opposing,
    table: PathTable,
    swept: SweptClearance,
    graph: csr_matrix,
    rule: ReductionSettings,
    known: tuple[Regions, BoolArray] | None = None,
) -> Regions:
    """Return the spots of the input crown: its vertices, and facets between clear ones.

    `known`: the regions of another crown with the same faces, and which of them (F,) differ.
    """
    height = np.maximum(-swept.least_mm, 0.0)
    lowest = height[crown.faces].max(axis=1)
    corners = crown.vertices[crown.faces]
    bound = facet_bounds(crown.vertices, crown.faces, swept)
    doubtful = (bound < -rule.noise_mm) & (lowest <= rule.noise_mm)
    poked, poked_mm = np.empty(0, dtype=np.int64), np.empty(0)
    if known is not None:
        same = ~known[1][known[0].poked]
        poked, poked_mm = known[0].poked[same], known[0].poked_mm[same]
        doubtful &= known[1]
    look = np.flatnonzero(doubtful)
    if len(look):
        found = swept_facet_clearance(corners[look], antagonist, table, -rule.noise_mm)
        new = found.value_mm < -rule.noise_mm
        poked = np.concatenate([poked, look[new]])
        poked_mm = np.concatenate([poked_mm, -found.value_mm[new]])
    np.maximum.at(height, crown.faces[poked].ravel(), np.repeat(poked_mm, 3))
    label = split_regions(graph, height, height > 0, rule.saddle, rule.split_above_mm)
    label = _drop_noise(label, height, rule.noise_mm)
    owner, distance = rings(graph, label, rule.blend_mm)
    return Regions(label, owner, distance, height, poked, poked_mm)


def _drop_noise(label: Int32Array, height: Float64Array, noise_mm: float) -> Int32Array:
    n = int(label.max()) + 1 if len(label) else 0
    if n == 0:
        return label
    worst = np.zeros(n)
    np.maximum.at(worst, label[label >= 0], height[label >= 0])
    kept = worst > noise_mm
    new = np.where(kept, np.cumsum(kept) - 1, -1).astype(np.int32)
    return np.where(label >= 0, new[label], -1).astype(np.int32)
