"""Where the numbers of spots stand beside a crown, so that none hides another or a spot."""

from __future__ import annotations

import numpy as np

from occlusim.arrays import Float64Array

OUTWARD_MM = 1.6
LABEL_APART_MM = 1.35
"""Middles of two numbers: a number is some 1.2 mm wide in page and picture."""

DOT_APART_MM = 1.1
"""A number's middle and any spot's."""

ROUNDS = 300


def label_points(
    places: Float64Array, vertices: Float64Array, to_eye: Float64Array
) -> Float64Array:
    """Return where the numbers of spots (n, 3) stand: further out across the view, and apart.

    Parameters
    ----------
    places : (n, 3), mm
        Middles of the spots.
    vertices : (V, 3), mm
        The crown; its middle is what is outward from.
    to_eye : (3,), unit length

    Notes
    -----
    Each starts `OUTWARD_MM` from its spot; then whatever is too near is pushed apart across the
    view, in rounds, until all are apart or the rounds are over. The depth stays the spot's.
    """
    across = _across(to_eye)
    dots = places @ across.T
    middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0)) @ across.T
    outward = dots - middle
    length = np.linalg.norm(outward, axis=1, keepdims=True)
    outward = np.where(length > 1e-9, outward / np.maximum(length, 1e-9), [1.0, 0.0])
    labels = dots + OUTWARD_MM * outward
    for _ in range(ROUNDS):
        apart = _push(labels, labels, LABEL_APART_MM, 0.5)
        clear = _push(labels, dots, DOT_APART_MM, 1.0)
        if not (np.any(apart) or np.any(clear)):
            break
        labels = labels + apart + clear
    return places + (labels - dots) @ across


def _across(to_eye: Float64Array) -> Float64Array:
    """Return two unit vectors (2, 3) across the view."""
    least = np.eye(3)[np.argmin(np.abs(to_eye))]
    first = np.cross(to_eye, least)
    first = first / np.linalg.norm(first)
    return np.array([first, np.cross(to_eye, first)], dtype=np.float64)


def _push(
    labels: Float64Array, others: Float64Array, apart_mm: float, share: float
) -> Float64Array:
    """Return the moves (n, 2) that push labels away from what is nearer than `apart_mm`."""
    away = labels[:, None] - others[None, :]
    distance = np.linalg.norm(away, axis=2)
    short = np.clip(apart_mm - distance, 0.0, None)
    if labels is others:
        np.fill_diagonal(short, 0.0)
    # Two at one place part sideways, the first to one side, the second to the other.
    order = np.sign(np.arange(len(labels))[:, None] - np.arange(len(others))[None, :])
    sideways = np.stack([order, np.zeros_like(order)], axis=2).astype(np.float64)
    tiny = distance[..., None] < 1e-9
    direction = np.where(tiny, sideways, away / np.maximum(distance[..., None], 1e-9))
    return share * (short[..., None] * direction).sum(axis=1)
