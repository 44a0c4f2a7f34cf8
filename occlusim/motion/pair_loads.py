"""What every pair of teeth carries of a footprint."""

from __future__ import annotations

import numpy as np

from occlusim.contact.foundation import BodyLoad, Footprint
from occlusim.kernels.footprint import lowest_corners
from occlusim.motion.closure import Opposition

N_TEETH = 100
"""One more than the largest tooth number: arrays are indexed by it."""


def add_pair_loads(
    pair_N: dict[tuple[int, int], float], opposition: Opposition, print_: Footprint, load: BodyLoad
) -> None:
    """Add the vertical forces, N, of an opposition's pairs (upper, lower tooth)."""
    lowest = np.empty(len(print_.faces), dtype=np.int32)
    lowest_corners(print_.faces, print_.gap_mm, lowest)
    body = opposition.body.tooth[print_.face]
    met = opposition.field_tooth[print_.field_face[lowest]]
    upper, lower = (met, body) if opposition.field_is_upper else (body, met)
    total = np.bincount(upper * N_TEETH + lower, load.vertical_N, minlength=N_TEETH * N_TEETH)
    for code in np.flatnonzero(total):
        pair = int(code) // N_TEETH, int(code) % N_TEETH
        pair_N[pair] = pair_N.get(pair, 0.0) + float(total[code])
