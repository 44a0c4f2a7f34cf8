"""From inside units to the results': micrometres, and lists of rounded numbers."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.arrays import Float64Array

UM = 1000.0
"""Micrometres in a millimetre."""


def numbers(values: Float64Array, digits: int = 6) -> list[Any]:
    """Return an array as nested lists rounded to `digits`; NaN becomes null when written."""
    return np.round(np.asarray(values, dtype=np.float64), digits).tolist()
