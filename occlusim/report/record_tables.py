"""The tables of the page that tell of the bite record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.contact_tables import foil_shift_table
from occlusim.report.record_summary import place_words
from occlusim.report.tables import Table, generic_table, records_table, spread_table

SHOWN_APART = (
    "T_upper_lower",
    "covariance",
    "covariance_at_mm",
    "covariance_axes",
    "bites",
    "reasons",
    "uncertainty",
    "consistency",
    "contact",
    "foil",
)


def record_tables(record: Mapping[str, Any]) -> dict[str, Table | None]:
    """Return the tables of a bite record by name; None where there is nothing to show."""
    consistency = record.get("consistency") or {}
    one_pose = consistency.get("one_pose")
    whole = {key: value for key, value in record.items() if key not in SHOWN_APART}
    if one_pose:
        whole["one_pose"] = one_pose
    return {
        "registration": generic_table("registration_caption", whole),
        "record_reasons": records_table("reasons_caption", record.get("reasons")),
        "foil_shift": foil_shift_table(record),
        "bites": records_table("bites_caption", [_fit(bite) for bite in record.get("bites") or []]),
        "places": records_table("places_caption", _places(record)),
        "alone": records_table("alone_caption", _alone(record, consistency)),
        "halves": records_table(
            "halves_caption", [_without_place(half) for half in consistency.get("halves") or []]
        ),
        "meeting": generic_table("contact_caption", record.get("contact")),
        "spread": spread_table(record.get("covariance")),
    }


def _fit(bite: Mapping[str, Any]) -> dict[str, Any]:
    """Return a bite scan's fit as people read it: a share in percent, a number of places whole."""
    read = {
        "agreement": lambda share: round(100.0 * share, 1),
        "n_independent": round,
    }
    return {
        key: read[key](value) if key in read and value is not None else value
        for key, value in bite.items()
    }


def _without_place(values: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if key != "at_mm"}


def _places(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {"place": place_words(name, record), **_without_place(spread)}
        for name, spread in (record.get("uncertainty") or {}).items()
    ]


def _alone(record: Mapping[str, Any], consistency: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {"file": alone.get("file"), "place": place_words(name, record), **displacement}
        for alone in consistency.get("alone") or []
        for name, displacement in alone["at"].items()
    ]
