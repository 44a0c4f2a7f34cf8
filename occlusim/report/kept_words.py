"""Contacts kept, and low crowns, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import joined, with_unit, written
from occlusim.report.words import WORDS, movement_phrase

PLACES_IN_WORDS = 4
"""How many contacts that are gone the words name; the table holds all."""


def kept_sentences(crown: Mapping[str, Any]) -> list[str]:
    """Return what the crown's contacts are after the adjustment, and whether they are right."""
    kept = crown.get("contacts_kept")
    if not kept:
        return []
    light, heavy = (kept["after"][load] for load in ("light", "heavy"))
    words = "kept_sentence" if crown.get("spots") else "kept_as_designed"
    said = [
        WORDS[words].format(
            light=WORDS[f"verb_{light['foil']}"],
            heavy=WORDS[f"verb_{heavy['foil']}"],
            light_N=with_unit(light["load_N"], "N"),
            heavy_N=with_unit(heavy["load_N"], "N"),
            light_share=percent(light["share"]),
            heavy_share=percent(heavy["share"]),
        )
    ]
    key = {True: "kept_met", False: "kept_not_met", None: "kept_unknown"}[kept.get("met")]
    reasons = "; ".join(kept.get("reasons") or [])
    said.append(WORDS[key].format(rule=kept["rule"]["words"], reasons=reasons))
    said += _advice(kept)
    gone = kept.get("vanished") or []
    if gone:
        places = [
            WORDS["vanished_one"].format(place=one["location"], load=WORDS[f"load_{one['load']}"])
            for one in gone[:PLACES_IN_WORDS]
        ]
        if len(gone) > PLACES_IN_WORDS:
            places.append(WORDS["more_spots"].format(n=len(gone) - PLACES_IN_WORDS))
        said.append(WORDS["vanished_sentence"].format(places="; ".join(places)))
    return said


def _advice(kept: Mapping[str, Any]) -> list[str]:
    if not kept.get("advice_searched"):
        return []
    advice = kept.get("advice")
    if advice is None:
        return [WORDS["kept_no_advice"]]
    return [
        WORDS["kept_advice"].format(
            centric=f"{advice['centric_um']:g}", given=f"{advice['given_centric_um']:g}"
        )
    ]


def percent(share: float | None) -> str:
    """Return a share as a written percentage, without the sign."""
    return written(None if share is None else 100.0 * share, "um")


def raise_sentences(crown: Mapping[str, Any]) -> list[str]:
    """Return where a crown is low, what raise is proposed, and what it proved to do."""
    low = crown.get("raise")
    if not low:
        return []
    way = low.get("proposal")
    shown = low.get(way) if way else low.get("by_cusp") or low.get("uniform")
    said = []
    if shown:
        places = [
            WORDS["low_place"].format(missing=with_unit(one["missing_um"], "um"), place=_place(one))
            for one in shown["places"]
        ]
        said.append(WORDS["low_where"].format(places=joined(places)))
    if not way or not shown:
        return [*said, WORDS["raise_none"].format(reason=low.get("reason"))]
    said.append(
        WORDS["raise_sentence"].format(
            way=WORDS[f"way_{way}"], greatest=with_unit(shown["greatest_um"], "um")
        )
    )
    return [*said, *_proved(shown)]


def _proved(shown: Mapping[str, Any]) -> list[str]:
    said, proof = [], shown.get("proof")
    if proof:
        light = proof["contacts"]["light"]
        n = proof["n_spots"]
        said.append(
            WORDS["raise_proved"].format(
                n=light["n_contacts"],
                load=with_unit(light["load_N"], "N"),
                spots=WORDS["raise_spots"].format(n=n) if n else WORDS["raise_no_spot"],
            )
        )
    left = [one for one in shown["places"] if one.get("limited_by")]
    if left:
        parts = [
            WORDS["raise_left_one"].format(
                missing=with_unit(one["still_missing_um"], "um"),
                place=_place(one),
                limit=limit_words(one["limited_by"]),
            )
            for one in left
        ]
        said.append(WORDS["raise_left"].format(places="; ".join(parts)))
    return said


def limit_words(limit: str) -> str:
    """Return what holds a raise back: a movement as the end of a sentence, or the slope."""
    return WORDS["limited_slope"] if limit == "slope" else movement_phrase(limit)


def _place(place: Mapping[str, Any]) -> str:
    return place.get("location") or WORDS["whole_surface"]
