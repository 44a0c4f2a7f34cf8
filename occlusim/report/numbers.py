"""How numbers are written: one rounding per unit, and a word where nothing is known."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from occlusim.report.words import WORDS

DECIMALS = {
    "um": 0,
    "mm": 2,
    "mm2": 2,
    "mm3": 3,
    "deg": 2,
    "N": 1,
    "Nmm": 0,
    "s": 2,
    "MPa": 1,
}
UNITS = {"um": "µm", "mm2": "mm²", "mm3": "mm³", "deg": "°"}


def numbered_spots(results: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the spots whose numbers stand in the pictures: minor ones are in the tables only."""
    spots = (results.get("crown") or {}).get("spots") or []
    return [spot for spot in spots if not spot.get("minor")]


def plain(value: Any) -> Any:
    """Return results as JSON would hold them: numpy numbers plain, NaN and infinity as None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def split_unit(key: str) -> tuple[str, str]:
    """Return name and unit suffix of a key: ``gap_um`` gives ``("gap", "um")``."""
    name, _, suffix = key.rpartition("_")
    return (name, suffix) if name and suffix in DECIMALS else (key, "")


def written(value: Any, unit: str = "", minus: str = "-") -> str:
    """Return a number at its unit's rounding (no unit: four significant digits), without the unit.

    A positive area or volume that rounds to nothing is written as less than its last digit. None
    and NaN give the word for 'not known'; True and False give yes and no.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return WORDS["unknown"]
    if isinstance(value, bool):
        return WORDS["yes"] if value else WORDS["no"]
    if isinstance(value, int | float):
        if unit in DECIMALS:
            text = f"{value:.{DECIMALS[unit]}f}"
        else:
            text = str(value) if isinstance(value, int) else f"{value:.4g}"
        if not text.strip("-0."):
            is_small = value > 0 and unit in ("mm2", "mm3")
            text = (
                f"<{10.0 ** -DECIMALS[unit]:.{DECIMALS[unit]}f}" if is_small else text.lstrip("-")
            )
        return text.replace("-", minus) if text.startswith("-") else text
    return str(value)


def with_unit(value: Any, unit: str) -> str:
    """Return a number with its unit, such as ``52 µm``; the bare word where it is not known.

    A degree's sign follows its number without a space (SI Brochure, 9th edition, 5.4.3).
    """
    text = written(value, unit)
    if text == WORDS["unknown"]:
        return text
    return f"{text}{'' if unit == 'deg' else ' '}{UNITS.get(unit, unit)}"


def typeset(sentence: str) -> str:
    """Return a sentence of the results with the signs of units and minus that the page uses."""
    for unit in ("um", "mm2", "mm3"):
        sentence = re.sub(rf"(?<=\d ){unit}\b", UNITS[unit], sentence)
    return signed(sentence)


def signed(sentence: str) -> str:
    """Return a sentence with true minus signs before its numbers."""
    return re.sub(r"(?<!\w)-(?=\d)", "\N{MINUS SIGN}", sentence)


def joined(parts: list[str]) -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {WORDS['and']} {parts[-1]}"
