"""The tables of which teeth touch first, and of what foil before the crown has moved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import with_unit
from occlusim.report.record_summary import place_words
from occlusim.report.tables import Table
from occlusim.report.words import WORDS


def contact_order_table(closure: Mapping[str, Any] | None) -> Table | None:
    """Return in which order pairs of natural teeth begin to carry, or None where none do."""
    order = (closure or {}).get("contact_order") or []
    if not order:
        return None
    rows = [(_pair(one), _load(one["not_at_load_N"]), _load(one["by_load_N"])) for one in order]
    columns = (WORDS["col_pair"], WORDS["col_not_at_load"], WORDS["col_by_load"])
    return Table(WORDS["contact_order_caption"], columns, tuple(rows), (False, True, True))


def _pair(one: Mapping[str, Any]) -> str:
    teeth = [one[key] or WORDS["unknown"] for key in ("upper_tooth", "lower_tooth")]
    return " / ".join(teeth)


def _load(load_N: float | None) -> str:
    return WORDS["from_first_touch"] if load_N is None else f"{load_N:.2f}"


def foil_shift_table(record: Mapping[str, Any]) -> Table | None:
    """Return by how much foil has moved the lower jaw, place by place; None where it did not."""
    foil = record.get("foil")
    if not foil:
        return None
    rows = [
        (WORDS["foil_moved"].format(place=place_words(name, record)), with_unit(way, "um"))
        for name, way in foil["shift_um"].items()
    ]
    rows.append((WORDS["foil_chance"], f"{100.0 * foil['chance']:.2g} %"))
    columns = (WORDS["col_what"], WORDS["col_value"])
    return Table(WORDS["foil_shift_caption"], columns, tuple(rows), (False, False))
