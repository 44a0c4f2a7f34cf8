"""The screw access as tables: what falls on it, its walls, its tilts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from occlusim.report.access_words import contact_label
from occlusim.report.numbers import with_unit, written
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS


def access_tables(results: Mapping[str, Any]) -> dict[str, Table | None]:
    """Return the tables of the screw access; None each where the case names none."""
    access = (results.get("crown") or {}).get("access") or {}
    return {
        "access": opening_table(access),
        "access_contacts": contacts_table(access),
        "access_spots": spots_table(access),
        "access_walls": walls_table(results, access),
        "access_tilts": tilts_table(access),
    }


def _cell(value: Any, unit: str = "") -> str:
    return written(value, unit, MINUS)


def opening_table(access: Mapping[str, Any]) -> Table | None:
    """Return where and how the channel opens, or None without an access."""
    if not access:
        return None
    opening = access.get("opening") or {}
    rows = [
        (WORDS["access_state"], WORDS[f"access_{access.get('state')}"]),
        (WORDS["access_diameter"], with_unit(access.get("diameter_mm"), "mm")),
        (WORDS["access_area"], with_unit(opening.get("area_mm2"), "mm2")),
        (WORDS["access_angle"], with_unit(opening.get("axis_to_normal_deg"), "deg")),
        (WORDS["access_implant"], with_unit(access.get("implant_angle_deg"), "deg")),
    ]
    columns = (WORDS["col_what"], WORDS["col_value"])
    return Table(WORDS["access_caption"], columns, tuple(rows), (False, False))


def contacts_table(access: Mapping[str, Any]) -> Table | None:
    """Return what presses in opening and rim, as designed and adjusted, or None."""
    rows = []
    for contact in access.get("contacts") or []:
        cells = [
            _both(found.get(f"{place}_mm2"), found.get(f"{place}_N"))
            for found in (contact.get("as_designed") or {}, contact.get("adjusted") or {})
            for place in ("opening", "rim")
        ]
        rows.append((contact_label(contact), *cells))
    return _numbers("access_contacts_caption", _PLACES, rows)


_PLACES = (
    "col_contact",
    "col_designed_opening",
    "col_designed_rim",
    "col_adjusted_opening",
    "col_adjusted_rim",
)


def _both(area_mm2: float | None, load_N: float | None) -> str:
    """Return an area with its force, where that is known."""
    area = _cell(area_mm2, "mm2")
    return area if load_N is None else f"{area} / {_cell(load_N, 'N')}"


def spots_table(access: Mapping[str, Any]) -> Table | None:
    """Return the spots that reach into opening or rim, or None."""
    keys = (("opening_mm2", "mm2"), ("opening_um", "um"), ("rim_mm2", "mm2"), ("rim_um", "um"))
    rows = [
        (str(spot.get("id")), *(_cell(spot.get(key), unit) for key, unit in keys))
        for spot in access.get("spots") or []
        if any(spot.get(key) for key, _ in keys)
    ]
    columns = ("col_spot", "col_spot_opening", "col_cut_opening", "col_spot_rim", "col_cut_rim")
    return _numbers("access_spots_caption", columns, rows)


def walls_table(results: Mapping[str, Any], access: Mapping[str, Any]) -> Table | None:
    """Return the wall beside the channel by height and side, or None."""
    rows = [
        (
            f"{_cell(ring.get('from_mm'), 'mm')} – {_cell(ring.get('to_mm'), 'mm')}",
            *(_wall(ring.get(f"{side}_mm")) for side in ("mesial", "buccal", "distal", "inner")),
        )
        for ring in (access.get("wall") or {}).get("rings") or []
    ]
    tooth = str((results.get("crown") or {}).get("tooth") or "")
    inner = "col_wall_palatal" if tooth[:1] in ("1", "2") else "col_wall_lingual"
    columns = ("col_below_edge", "col_wall_mesial", "col_wall_buccal", "col_wall_distal", inner)
    return _numbers("access_walls_caption", columns, rows)


def _wall(value: float | None) -> str:
    return WORDS["no_wall"] if value is None else _cell(value, "mm")


def tilts_table(access: Mapping[str, Any]) -> Table | None:
    """Return what every tilt of the grid gives, one a row, the best one last; or None."""
    tilt = access.get("tilt") or {}
    tried: list[Mapping[str, Any]] = [*(tilt.get("grid") or [])]
    if not tried:
        return None
    rows = [_tilt_row(one, "") for one in tried]
    rows.append(_tilt_row(tilt.get("best") or {}, WORDS["best_tilt"]))
    columns = (
        "col_tilt",
        "col_towards",
        "col_whole",
        "col_tilt_opening",
        "col_tilt_rim",
        "col_tilt_wall",
    )
    table = _numbers("access_tilts_caption", columns, rows)
    if table is None:
        return None
    return Table(table.caption, table.columns, table.rows, (True, False, False, True, True, True))


def _tilt_row(one: Mapping[str, Any], mark: str) -> tuple[str, ...]:
    degrees = one.get("tilt_deg")
    tilt = WORDS["unknown"] if degrees is None else f"{degrees:.1f}"
    return (
        f"{mark} {tilt}".strip(),
        one.get("towards") or WORDS["not_tilted"],
        _cell(one.get("whole")),
        _cell(one.get("opening_mm2"), "mm2"),
        _cell(one.get("rim_mm2"), "mm2"),
        _cell(one.get("wall_mm"), "mm"),
    )


def _numbers(
    caption: str, columns: tuple[str, ...], rows: Sequence[tuple[str, ...]]
) -> Table | None:
    if not rows:
        return None
    return Table(
        WORDS[caption],
        tuple(WORDS[name] for name in columns),
        tuple(rows),
        (False, *(True for _ in columns[1:])),
    )
