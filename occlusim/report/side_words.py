"""The sides of a seated crown in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import with_unit
from occlusim.report.words import WORDS

SIDES = ("mesial", "distal")


def contact_words(side: Mapping[str, Any]) -> str:
    """Return how tight one side is, in words; that it is not known, or that no tooth is there."""
    state = side.get("state")
    if state == "measured":
        return WORDS[f"tightness_{side.get('tightness')}"]
    return WORDS["side_missing"] if state == "missing" else WORDS["unknown"]


def side_sentences(crown: Mapping[str, Any]) -> list[str]:
    """Return sentences on both sides of a crown and on what binds on its way; none without them."""
    sides = crown.get("sides") or {}
    found = [(name, sides[name]) for name in SIDES if sides.get(name)]
    if not found:
        return []
    sentences = [WORDS["sides_sentence"].format(sides="; ".join(_side(*one) for one in found))]
    for name, side in found:
        way = side.get("on_the_way") or {}
        if way.get("take_off_um"):
            sentences.append(
                WORDS["side_binds"].format(
                    side=WORDS[name].lower(),
                    depth=with_unit(way["take_off_um"], "um"),
                    height=with_unit(way.get("held_up_um"), "um"),
                )
            )
    return sentences


def _side(name: str, side: Mapping[str, Any]) -> str:
    words = {"side": WORDS[name].lower(), "tooth": side.get("tooth"), "how": contact_words(side)}
    if side.get("state") == "missing":
        return WORDS["side_words_missing"].format(**words)
    gap_um = side.get("gap_um")
    if side.get("state") != "measured" or gap_um is None:
        return WORDS["side_words_unknown"].format(**words)
    kind = "side_words_gap" if gap_um > 0 else "side_words_overlap"
    return WORDS[kind].format(gap=with_unit(abs(gap_um), "um"), **words)
