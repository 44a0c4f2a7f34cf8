"""What a hinge axis in another place does to the crown, in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import with_unit
from occlusim.report.words import WORDS, movement_phrase


def axis_sentence(results: Mapping[str, Any]) -> str | None:
    """Return in words what the axis' scatter does to the crown, or None where it is not known."""
    mounting = results.get("mounting") or {}
    scatter = mounting.get("axis_scatter") or {}
    movements = (mounting.get("axis_effect") or {}).get("movements") or []
    known = [m for m in movements if m.get("beyond_one_sigma_um") is not None]
    closing = next((m for m in movements if m.get("name") == "centric"), {}).get("one_sigma_um")
    if closing is None or not known or scatter.get("forward_mm") is None:
        return None
    worst = max(known, key=lambda m: m["beyond_one_sigma_um"])
    return WORDS["axis_trust"].format(
        forward=f"{scatter['forward_mm']:.1f}",
        vertical=f"{scatter['vertical_mm']:.1f}",
        closing=_size(closing),
        excursion=_size(worst["beyond_one_sigma_um"]),
        movement=movement_phrase(str(worst.get("name"))),
    )


def _size(value_um: float) -> str:
    return WORDS["below_one"] if value_um < 1.0 else with_unit(value_um, "um")
