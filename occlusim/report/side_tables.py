"""The sides of a seated crown and its way to its place, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from occlusim.report.numbers import with_unit, written
from occlusim.report.side_words import SIDES, contact_words
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS

CONTACT_COLUMNS = (
    ("col_side", False),
    ("col_neighbour", False),
    ("col_contact", False),
    ("col_side_gap", True),
    ("col_side_supported", True),
    ("col_side_near", True),
    ("col_side_overlap", True),
    ("col_side_volume", True),
    ("col_place", False),
)
AFTER_COLUMN = 5
"""Where the gap of the adjusted crown stands, if there is one."""

WAY_COLUMNS = (
    ("col_side", False),
    ("col_way_overlap", True),
    ("col_way_more", True),
    ("col_way_height", True),
    ("col_way_begins", True),
    ("col_way_off", True),
    ("col_way_up", True),
    ("col_place", False),
)


def side_tables(results: Mapping[str, Any]) -> dict[str, Table | None]:
    """Return the tables of contacts, of the way to the seat, and of what they rest on, by name."""
    crown = results.get("crown") or {}
    sides, after = crown.get("sides"), (crown.get("after") or {}).get("sides") or {}
    if not sides:
        return {"sides": None, "sides_way": None, "sides_path": None}
    return {"sides": _contacts(sides, after), "sides_way": _ways(sides), "sides_path": _path(sides)}


def _cell(value: Any, unit: str) -> str:
    return written(value, unit, MINUS)


def _table(
    caption: str, columns: Sequence[tuple[str, bool]], rows: Sequence[tuple[str, ...]]
) -> Table | None:
    if not rows:
        return None
    return Table(
        WORDS[caption],
        tuple(WORDS[name] for name, _ in columns),
        tuple(rows),
        tuple(is_number for _, is_number in columns),
    )


def _contacts(sides: Mapping[str, Any], after: Mapping[str, Any]) -> Table | None:
    columns, rows = list(CONTACT_COLUMNS), []
    if after:
        columns.insert(AFTER_COLUMN, ("col_side_after", True))
    for name in SIDES:
        side = sides.get(name)
        if not side:
            continue
        is_measured = side.get("state") == "measured"
        lengths = [side.get(key) for key in ("gap_um", "supported_gap_um")]
        lengths += [(after.get(name) or {}).get("gap_um")] if after else []
        sizes = [
            _cell(side.get("near_area_mm2"), "mm2"),
            _cell(side.get("overlap_area_mm2"), "mm2"),
            _cell(side.get("overlap_volume_mm3"), "mm3"),
        ]
        place = side.get("location") if is_measured else side.get("reason")
        if is_measured and side.get("at_edge_of_scan"):
            place = f"{place}; {WORDS['side_at_edge']}"
        rows.append(
            (
                WORDS[name],
                str(side.get("tooth") or WORDS["none"]),
                contact_words(side),
                *(_cell(length, "um") if is_measured else WORDS["dash"] for length in lengths),
                *(size if is_measured else WORDS["dash"] for size in sizes),
                str(place or WORDS["unknown"]),
            )
        )
    return _table("sides_caption", columns, rows)


def _ways(sides: Mapping[str, Any]) -> Table | None:
    rows = []
    for name in SIDES:
        way = (sides.get(name) or {}).get("on_the_way")
        if not way:
            continue
        if not way.get("greatest_overlap_um"):
            nothing = (WORDS["dash"],) * 3
            zero = _cell(0.0, "um")
            rows.append((WORDS[name], zero, *nothing, zero, zero, WORDS["way_free"]))
            continue
        rows.append(
            (
                WORDS[name],
                _cell(way.get("greatest_overlap_um"), "um"),
                _cell(way.get("more_than_in_place_um"), "um"),
                _cell(way.get("at_height_mm"), "mm"),
                _cell(way.get("begins_at_mm"), "mm"),
                _cell(way.get("take_off_um"), "um"),
                _cell(way.get("held_up_um"), "um"),
                str(way.get("location") or WORDS["unknown"]),
            )
        )
    return _table("sides_way_caption", WAY_COLUMNS, rows)


def _path(sides: Mapping[str, Any]) -> Table | None:
    path, limits = sides.get("path") or {}, sides.get("limits") or {}
    rows = [
        (WORDS["side_path"], str(path.get("words") or WORDS["unknown"])),
        (WORDS["side_tilt"], with_unit(path.get("tilt_deg"), "deg")),
        (WORDS["side_preparation"], str(path.get("preparation") or WORDS["unknown"])),
        (WORDS["side_open_from"], with_unit(limits.get("open_um"), "um")),
        (WORDS["side_tight_from"], with_unit(limits.get("tight_um"), "um")),
        (WORDS["side_near"], with_unit(limits.get("near_um"), "um")),
        (WORDS["side_sources"], "; ".join(limits.get("sources") or []) or WORDS["unknown"]),
    ]
    return _table("sides_path_caption", (("col_what", False), ("col_value", False)), rows)
