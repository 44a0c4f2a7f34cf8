"""A surface in clusters, static and laid once: what `contact/survey.py` rules out as a whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, frozen
from occlusim.geometry.surface import Surface
from occlusim.kernels.coins import fit_coins, slot_spans
from occlusim.kernels.topology import EDGE_SHARED

CLUSTER_SLOTS = 256


@dataclass(frozen=True, slots=True)
class Clusters:
    """Coins around the nodes of a surface's tree; see `occlusim.kernels.coins`.

    Parameters
    ----------
    span : (nodes, 2)
        First slot of a node and the one past its last.
    coin : (nodes, 8)
        Of nodes of at most 256 slots; the rest NaN.
    is_rim : (nodes,)
        Some face of the node touches an edge that is not shared by two faces that agree, or a
        vertex whose sign is unknown.
    roots : (k,)
        Nodes of at most 256 slots that hold all faces, none within another.
    """

    span: Int32Array
    coin: Float64Array
    is_rim: BoolArray
    roots: Int32Array

    @staticmethod
    def build(surface: Surface) -> Clusters:
        """Return the clusters of a surface."""
        n = len(surface.links)
        span = np.empty((n, 2), dtype=np.int32)
        slot_spans(surface.links, span)
        coin = np.full((n, 8), np.nan)
        fit_coins(n, surface.corners, span, CLUSTER_SLOTS, coin)
        is_odd = (surface.edge_code != EDGE_SHARED) | surface.is_open_fan[surface.fan]
        before = np.concatenate([[0], np.cumsum(is_odd.any(axis=1)[surface.slot_face])])
        is_small = span[:, 1] - span[:, 0] <= CLUSTER_SLOTS
        is_root = is_small.copy()
        inner = np.flatnonzero(is_small & (surface.links[:, 1] == 0))
        is_root[surface.links[inner, 0]] = False
        is_root[surface.links[inner, 0] + 1] = False
        return Clusters(
            frozen(span, np.int32),
            frozen(coin, np.float64),
            frozen(before[span[:, 1]] > before[span[:, 0]], np.bool_),
            frozen(np.flatnonzero(is_root), np.int32),
        )
