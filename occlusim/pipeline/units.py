"""What every stage of a run shares: micrometres, rounded numbers, the band of distances."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.sdf import SdfSettings

UM = 1000.0
"""Micrometres in a millimetre."""


BAND = SdfSettings(voxel_mm=0.15, band_mm=0.7)
"""The band only says where to look, so its voxels may be coarse: every result is exact."""


def numbers(values: Float64Array, digits: int = 6) -> list[Any]:
    """Return an array as nested lists rounded to `digits`; NaN becomes null when written."""
    return np.round(np.asarray(values, dtype=np.float64), digits).tolist()
