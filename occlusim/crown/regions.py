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


@dataclass(frozen=True, slots=True)
class KnownPokes:
    """What is known of a crown from the one it came of.

    Attributes
    ----------
    differs : (F,)
        Faces that are not the same to the bit.
    poked, poked_mm : (k,)
        Of the others, those that stand in violation between clear vertices, and by how much.
    """

    differs: BoolArray
    poked: Int64Array
    poked_mm: Float64Array

    @staticmethod
    def on(regions: Regions, face_origin: Int64Array, differs: BoolArray) -> KnownPokes:
        """Return what regions of another crown say of faces (F,) that came of its `face_origin`."""
        same = np.flatnonzero(~differs)
        height = np.zeros(int(max(face_origin.max(), regions.poked.max(initial=0))) + 1)
        height[regions.poked] = regions.poked_mm
        here = height[face_origin[same]]
        return KnownPokes(differs, same[here > 0], here[here > 0])


def carried_clearance(
    crown: TriangleMesh, before: TriangleMesh, vertex_origin: Int64Array, swept: SweptClearance
) -> tuple[SweptClearance, BoolArray]:
    """Return the clearance of a crown's vertices (V,) known from the crown that it came of.

    Returns also which vertices are new or elsewhere: what stands for them is not theirs.
    """
    old = np.maximum(vertex_origin, 0)
    is_new = (vertex_origin < 0) | (crown.vertices != before.vertices[old]).any(axis=1)
    return swept.chosen(old), is_new


def find_regions(
    crown: TriangleMesh,
    antagonist: Opposing,
    table: PathTable,
    swept: SweptClearance,
    graph: csr_matrix,
    rule: ReductionSettings,
    known: KnownPokes | None = None,
) -> Regions:
    """Return the spots of the input crown: its vertices, and facets between clear ones.

    `known`: what of it is known of another crown already.
    """
    height = np.maximum(-swept.least_mm, 0.0)
    lowest = height[crown.faces].max(axis=1)
    corners = crown.vertices[crown.faces]
    bound = facet_bounds(crown.vertices, crown.faces, swept)
    doubtful = (bound < -rule.noise_mm) & (lowest <= rule.noise_mm)
    poked, poked_mm = np.empty(0, dtype=np.int64), np.empty(0)
    if known is not None:
        poked, poked_mm = known.poked, known.poked_mm
        doubtful &= known.differs
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
