"""Contacts kept, and low crowns, as tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from occlusim.report.kept_words import limit_words, percent
from occlusim.report.numbers import with_unit, written
from occlusim.report.side_words import SIDES
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS

LOADS = ("light", "heavy")
TIMES = ("before", "after")
WAYS = ("by_cusp", "uniform")


def kept_tables(results: Mapping[str, Any]) -> dict[str, Table | None]:
    """Return the tables of contacts kept and of a low crown; None each where there is nothing."""
    crown = results.get("crown") or {}
    kept, low = crown.get("contacts_kept") or {}, crown.get("raise") or {}
    return {
        "kept": contacts_table(kept),
        "vanished": vanished_table(kept.get("vanished") or []),
        "raise_places": places_table(low),
        "raise_proof": proof_table(low),
    }


def kept_intro(results: Mapping[str, Any]) -> str:
    """Return what stands before the table of contacts kept: the foil, its source, the rule."""
    kept = (results.get("crown") or {}).get("contacts_kept")
    if not kept:
        return ""
    foil = kept["foil"]
    return WORDS["kept_intro"].format(
        holds=with_unit(foil["holds_up_to_um"], "um"),
        slips=with_unit(foil["slips_from_um"], "um"),
        source=WORDS["kept_published" if foil["published"] else "kept_assumed"],
        rule=kept["rule"]["words"],
    )


def _cell(value: Any, unit: str = "") -> str:
    return written(value, unit, MINUS)


def _table(
    caption: str, columns: Sequence[tuple[str, bool]], rows: Sequence[tuple[str, ...]]
) -> Table | None:
    if not rows:
        return None
    headings = tuple(heading for heading, _ in columns)
    return Table(WORDS[caption], headings, tuple(rows), tuple(flag for _, flag in columns))


def contacts_table(kept: Mapping[str, Any]) -> Table | None:
    """Return contacts, loads and foil of the crown before and after, or None."""
    if not kept:
        return None
    states = [(f"kept_{time}_{load}", kept[time][load]) for load in LOADS for time in TIMES]
    lines: list[tuple[str, Callable[[Mapping[str, Any]], str]]] = [
        ("row_n_contacts", lambda s: _cell(s["n_contacts"])),
        ("row_area", lambda s: _cell(s["area_mm2"], "mm2")),
        ("row_load", lambda s: _cell(s["load_N"], "N")),
        ("row_share", lambda s: percent(s["share"])),
        ("row_gap", lambda s: _cell(s["gap_um"], "um")),
        ("row_foil", lambda s: WORDS[f"foil_{s['foil']}"]),
    ]
    rows = [(WORDS[name], *(cell(state) for _, state in states)) for name, cell in lines]
    teeth = [beside["tooth"] for beside in states[0][1]["neighbours"]]
    for k, tooth in enumerate(teeth):
        cells = [
            WORDS["neighbour_cell"].format(
                load=with_unit(state["neighbours"][k]["load_N"], "N"),
                foil=WORDS[f"foil_{state['neighbours'][k]['foil']}"],
            )
            for _, state in states
        ]
        rows.append((WORDS["row_neighbour"].format(tooth=tooth), *cells))
    columns = [(WORDS["col_what"], False), *((WORDS[name], True) for name, _ in states)]
    return _table("kept_caption", columns, rows)


def vanished_table(gone: Sequence[Mapping[str, Any]]) -> Table | None:
    """Return the contacts that are gone, or None."""
    rows = [
        (
            one["location"],
            WORDS[f"load_{one['load']}"],
            _cell(one["area_mm2"], "mm2"),
            _cell(one["load_N"], "N"),
        )
        for one in gone
    ]
    names = [("col_place", False), ("col_load", False), ("col_area", True), ("col_carried", True)]
    return _table("vanished_caption", [(WORDS[name], flag) for name, flag in names], rows)


def _sides(sides: Mapping[str, Any]) -> str:
    """Return the least gaps at the sides, mesial first."""
    gaps = [(sides.get(side) or {}).get("gap_um") for side in SIDES]
    return " / ".join(_cell(gap, "um") for gap in gaps)


def _way(low: Mapping[str, Any], way: str) -> str:
    words = WORDS[f"way_{way}"]
    return WORDS["way_proposed"].format(way=words) if low.get("proposal") == way else words


def places_table(low: Mapping[str, Any]) -> Table | None:
    """Return where a crown is low and what is proposed there, or None."""
    rows = []
    for way in WAYS:
        for place in (low.get(way) or {}).get("places") or []:
            limit = place.get("limited_by")
            rows.append(
                (
                    _way(low, way),
                    place.get("location") or WORDS["whole_surface"],
                    _cell(place.get("missing_um"), "um"),
                    _cell(place.get("wanted_um"), "um"),
                    _cell(place.get("raise_um"), "um"),
                    limit_words(limit) if limit else WORDS["none"],
                    _cell(place.get("still_missing_um"), "um"),
                )
            )
    names = [("col_way", False), ("col_place", False), ("col_missing", True)]
    names += [("col_wanted_raise", True), ("col_raise", True), ("col_limited", False)]
    names += [("col_still_missing", True)]
    return _table("raise_places_caption", [(WORDS[name], flag) for name, flag in names], rows)


def proof_table(low: Mapping[str, Any]) -> Table | None:
    """Return what the raised crowns proved to do, or None."""
    shown = [(way, low[way]) for way in WAYS if (low.get(way) or {}).get("proof")]
    if not shown:
        return None

    def both(proof: Mapping[str, Any], cell: Callable[[Mapping[str, Any]], str]) -> str:
        return " / ".join(cell(proof["contacts"][load]) for load in LOADS)

    lines: list[tuple[str, Callable[[Mapping[str, Any]], str]]] = [
        ("row_raise_greatest", lambda m: _cell(m["greatest_um"], "um")),
        ("row_raise_area", lambda m: _cell(m["area_mm2"], "mm2")),
        ("row_raise_volume", lambda m: _cell(m["volume_mm3"], "mm3")),
        ("row_raise_spots", lambda m: _cell(m["proof"]["n_spots"])),
        ("row_raise_missing", lambda m: _cell(m["proof"]["missing_contact_um"] or 0.0, "um")),
        ("row_raise_contacts", lambda m: both(m["proof"], lambda s: _cell(s["n_contacts"]))),
        ("row_raise_load", lambda m: both(m["proof"], lambda s: _cell(s["load_N"], "N"))),
        ("row_raise_foil", lambda m: both(m["proof"], lambda s: WORDS[f"foil_{s['foil']}"])),
        ("row_raise_rule", lambda m: _cell(m["proof"]["contacts_met"])),
        ("row_raise_sides", lambda m: _sides(m["proof"].get("sides") or {})),
    ]
    rows = [(WORDS[name], *(cell(made) for _, made in shown)) for name, cell in lines]
    columns = [(WORDS["col_what"], False), *((_way(low, way), True) for way, _ in shown)]
    return _table("raise_proof_caption", columns, rows)
