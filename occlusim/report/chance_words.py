"""What the probability of being high means, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import with_unit, written
from occlusim.report.words import WORDS

FOLLOWED_UM = 100.0
"""Clearances are followed up to here."""


def percent(share: float) -> str:
    """Return a share as people read it: ``0.25 %``, ``37 %``; some hundred draws tell no more."""
    return f"{written(round(100.0 * share, 0 if share >= 0.01 else 2))} %"


def chance_sentence(crown: Mapping[str, Any]) -> str | None:
    """Return in how many of the drawn records the crown is high; None where it is not known."""
    part = crown.get("probability")
    if not part:
        return None
    return WORDS["chance_high"].format(
        n=part["n_draws"],
        percent=percent(part["anywhere"]) if part["anywhere"] > 0 else WORDS["none"],
        limit=with_unit(part["high_from_um"], "um"),
    )


def chance_notes(crown: Mapping[str, Any]) -> list[str]:
    """Return what stands below the map of probabilities; empty where there is none."""
    part = crown.get("probability")
    if not part:
        return []
    notes = [
        WORDS["probability_note"].format(
            n=part["n_draws"],
            limit=with_unit(part["high_from_um"], "um"),
            least=percent(part["resolution"]),
        )
    ]
    if part["unfollowed_at_most"] >= part["resolution"]:
        room, most = with_unit(FOLLOWED_UM, "um"), percent(part["unfollowed_at_most"])
        notes.append(WORDS["probability_unfollowed"].format(room=room, most=most))
    return notes
