"""Colours of the numbers: one map per quantity, the same in files, pictures and page.

Every map is a walk of straight legs in OKLab [1]_ (equal steps of the number are equal steps of
colour) whose lightness only ever rises or only ever falls, so that the order of the numbers
survives grey print and the common kinds of colour-blindness. A hue belongs to one quantity only.
``gap``: overlap is dark brown, touching is neutral, open is pale blue. ``clearance`` (gap less
wanted gap): too high is dark crimson, as wanted neutral, more room pale yellow. ``reduction``: pale
where nothing is taken off, dark purple where much is. ``thickness``: dark green where thin, pale
where thick. ``probability`` of being high: pale where there is none, dark teal where it is sure.
``residual``: a bite scan inside its arch is dark blue, on it neutral, outside pale orange. What is
not known is one dark neutral grey that lies on none of the maps.

References
----------
.. [1] Ottosson, A perceptual color space for image processing, 2020 (the OKLab article).
.. [2] IEC 61966-2-1:1999, the sRGB transfer function.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from occlusim.arrays import Float64Array
from occlusim.errors import InputError

NO_DATA_RGB = (46, 46, 46)
"""The one neutral for 'not known' (sRGB, 0 to 255)."""

SURFACE_RGB = (233, 213, 213)
"""Pale rose: a surface that carries no number, such as opposing teeth laid over a crown, gum, and
what of an arch is too far from the other for its gap to be looked for (sRGB, 0 to 255)."""

N_STEPS = 256

# Matrices of reference [1], from memory; the tests check white, grey and the way back.
_LMS_FROM_RGB = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LAB_FROM_ROOTS = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def linear_from_srgb(srgb: ArrayLike) -> Float64Array:
    """Return linear light of sRGB values in 0 to 1, any shape [2]_."""
    values = np.asarray(srgb, dtype=np.float64)
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: ArrayLike) -> Float64Array:
    """Return sRGB values of linear light; what lies outside 0 to 1 is cut off [2]_."""
    values = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(values <= 0.0031308, values * 12.92, 1.055 * values ** (1 / 2.4) - 0.055)


def oklab_from_srgb(srgb: ArrayLike) -> Float64Array:
    """Return OKLab (..., 3) of sRGB (..., 3) in 0 to 1."""
    lms = linear_from_srgb(srgb) @ _LMS_FROM_RGB.T
    return np.cbrt(lms) @ _LAB_FROM_ROOTS.T


def srgb_from_oklab(lab: ArrayLike) -> Float64Array:
    """Return sRGB (..., 3) in 0 to 1 of OKLab (..., 3); colours outside sRGB are cut off."""
    roots = np.asarray(lab, dtype=np.float64) @ np.linalg.inv(_LAB_FROM_ROOTS).T
    return srgb_from_linear(roots**3 @ np.linalg.inv(_LMS_FROM_RGB).T)


def _lch(lightness: float, chroma: float, hue_deg: float) -> Float64Array:
    hue_rad = np.radians(hue_deg)
    return np.array([lightness, chroma * np.cos(hue_rad), chroma * np.sin(hue_rad)])


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a colour means: a range and the OKLab stops (n, 3), evenly spaced over it.

    The range is fixed, not fitted to the case, so that a colour means the same number in every
    report. Numbers beyond it take the colour of the end, and the scale says so. `is_clipped`: a
    number at `high` was not followed further and means at least so much. Range and ticks are in
    `unit`, of which a stored number has `per_stored`; people read it to `digits`.
    """

    name: str
    low: float
    high: float
    ticks: tuple[int, ...]
    stops: tuple[tuple[float, float, float], ...]
    is_clipped: bool = False
    unit: str = "um"
    per_stored: float = 1.0
    digits: int = 0

    @property
    def is_open(self) -> bool:
        """Whether numbers may lie beyond the ends."""
        return self.unit != "%"

    def colours(self) -> NDArray[np.uint8]:
        """Return the map as sRGB bytes (256, 3)."""
        stops = np.array(self.stops)
        position = np.linspace(0.0, 1.0, N_STEPS)
        at = np.linspace(0.0, 1.0, len(stops))
        lab = np.stack([np.interp(position, at, stops[:, k]) for k in range(3)], axis=1)
        return np.round(255.0 * srgb_from_oklab(lab)).astype(np.uint8)

    def tick_words(self) -> list[str]:
        """Return what stands beside each tick; the ends say that they hold all that is beyond."""
        words = [f"{tick:+d}" if tick and self.low < 0 else str(tick) for tick in self.ticks]
        if self.low < 0:
            words[0] = f"≤ {words[0]}"
        if self.is_open:
            words[-1] = f"≥ {words[-1]}"
        return [word.replace("-", "−") for word in words]


def _stops(*colours: Float64Array) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(c[0]), float(c[1]), float(c[2])) for c in colours)


GAP = Quantity(
    "gap",
    -200.0,
    100.0,
    (-200, -150, -100, -50, 0, 50, 100),
    _stops(
        _lch(0.425, 0.125, 42.0),
        _lch(0.615, 0.14, 52.0),
        _lch(0.76, 0.0, 0.0),
        _lch(0.95, 0.04, 215.0),
    ),
)
CLEARANCE = Quantity(
    "clearance",
    -200.0,
    100.0,
    (-200, -150, -100, -50, 0, 50, 100),
    _stops(
        _lch(0.425, 0.125, 355.0),
        _lch(0.615, 0.14, 5.0),
        _lch(0.76, 0.0, 0.0),
        _lch(0.95, 0.05, 105.0),
    ),
    is_clipped=True,
)
REDUCTION = Quantity(
    "reduction",
    0.0,
    200.0,
    (0, 50, 100, 150, 200),
    _stops(_lch(0.95, 0.02, 320.0), _lch(0.42, 0.17, 320.0)),
)
THICKNESS = Quantity(
    "thickness",
    0.0,
    2000.0,
    (0, 500, 1000, 1500, 2000),
    _stops(_lch(0.40, 0.085, 155.0), _lch(0.95, 0.03, 155.0)),
)
RAISE = Quantity(
    "raise",
    0.0,
    200.0,
    (0, 50, 100, 150, 200),
    _stops(_lch(0.95, 0.02, 290.0), _lch(0.42, 0.11, 290.0)),
)
RESIDUAL = Quantity(
    "residual",
    -100.0,
    100.0,
    (-100, -50, 0, 50, 100),
    _stops(
        _lch(0.47, 0.105, 262.0),
        _lch(0.70, 0.0, 0.0),
        _lch(0.945, 0.035, 75.0),
    ),
)
PROBABILITY = Quantity(
    "probability",
    0.0,
    100.0,
    (0, 25, 50, 75, 100),
    _stops(_lch(0.95, 0.02, 195.0), _lch(0.42, 0.069, 195.0)),
    unit="%",
    per_stored=100.0,
    digits=1,
)
QUANTITIES = {
    quantity.name: quantity
    for quantity in (GAP, CLEARANCE, REDUCTION, RAISE, THICKNESS, PROBABILITY, RESIDUAL)
}


def quantity_of(field: str) -> Quantity:
    """Return the quantity of a vertex field, such as ``gap_protrusion_um``.

    Raises
    ------
    InputError
        If the name holds none of the known quantities.
    """
    for quantity in QUANTITIES.values():
        if quantity.name in field.split("_"):
            return quantity
    known = ", ".join(QUANTITIES)
    raise InputError(
        f"colour: field {field!r} has no colour map; a name with one of {known} wanted"
    )


def paint(
    stored: ArrayLike, quantity: Quantity, nothing: tuple[int, int, int] = NO_DATA_RGB
) -> NDArray[np.uint8]:
    """Return sRGB bytes (n, 3) of stored numbers (n,); NaN takes the colour for `nothing`."""
    values = quantity.per_stored * np.asarray(stored, dtype=np.float64)
    known = np.isfinite(values)
    share = (np.where(known, values, 0.0) - quantity.low) / (quantity.high - quantity.low)
    step = np.round(np.clip(share, 0.0, 1.0) * (N_STEPS - 1)).astype(np.int64)
    painted = quantity.colours()[step]
    painted[~known] = nothing
    return painted


def css(rgb: ArrayLike) -> str:
    """Return ``#rrggbb`` of one colour in bytes."""
    return "#" + "".join(f"{int(value):02x}" for value in np.asarray(rgb))


def colour_scale(quantity: Quantity) -> list[list[float | str]]:
    """Return the map as plotly wants it: pairs of position (0 to 1) and colour."""
    colours = quantity.colours()
    return [[k / (N_STEPS - 1), css(colours[k])] for k in range(N_STEPS)]
