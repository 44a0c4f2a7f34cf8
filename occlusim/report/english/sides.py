"""The texts on the sides of a crown, its way to its place, and the visit."""

from __future__ import annotations

from collections.abc import Mapping

SIDES: Mapping[str, str] = {
    "sides": "Side contacts and seating",
    "sides_intro": "The crown in its place against the teeth beside it, and on its straight way "
    "there. Crown and teeth are rigid here: teeth give way a little, so what holds the crown up is "
    "an upper bound. Gum is left out. A negative gap is an overlap.",
    "no_sides": "The side contacts were not computed.",
    "sides_caption": "The crown in its place against its neighbours",
    "sides_way_caption": "What the crown meets on its way down; heights are above its place",
    "sides_path_caption": "Path of seating and limits",
    "mesial": "Mesial",
    "distal": "Distal",
    "dash": "–",
    "col_side": "Side",
    "col_neighbour": "Neighbour",
    "col_contact": "Contact",
    "col_side_gap": "Least gap (µm)",
    "col_side_after": "Least gap after (µm)",
    "col_side_supported": "Held by 0.05 mm² (µm)",
    "col_side_near": "Contact area (mm²)",
    "col_side_overlap": "Overlap area (mm²)",
    "col_side_volume": "Overlap volume (mm³)",
    "col_way_overlap": "Greatest overlap (µm)",
    "col_way_more": "More than in place (µm)",
    "col_way_height": "At height (mm)",
    "col_way_begins": "Begins at (mm)",
    "col_way_off": "Take off to pass (µm)",
    "col_way_up": "Holds up by at most (µm)",
    "way_free": "passes freely",
    "tightness_open": "open",
    "tightness_light": "light",
    "tightness_firm": "firm",
    "tightness_too_tight": "too tight",
    "side_missing": "no tooth",
    "side_at_edge": "the scanned wall ends there",
    "side_path": "Path of seating",
    "side_tilt": "Tilt to the line square to the occlusal plane",
    "side_preparation": "Fit over the preparation",
    "side_open_from": "Open: a gap wider than",
    "side_tight_from": "Too tight: an overlap deeper than",
    "side_near": "Contact area: closer than",
    "side_sources": "Where the limits come from",
    "sides_sentence": "Sides in place: {sides}.",
    "side_words_gap": "{side} to tooth {tooth} {how}, a gap of {gap}",
    "side_words_overlap": "{side} to tooth {tooth} {how}, an overlap of {gap}",
    "side_words_unknown": "{side} to tooth {tooth} not known",
    "side_words_missing": "{side} no tooth",
    "side_binds": "On its way the crown binds on its {side} side: {depth} have to come off there "
    "to pass, or it could stay up by {height} at most.",
    "visit": "Order of the visit (common practice)",
}

VISIT: tuple[str, ...] = (
    "Sides: ease tight side contacts until floss passes with a snap; an open one goes back.",
    "Seat: verify that the crown is fully down, at the margin or by a radiograph, before the bite "
    "is judged.",
    "Closure: mark with foil at light, then at heavy load, and take off what is high.",
    "Excursions: forward and to both sides.",
    "Polish what was touched.",
    "Recheck sides, closure and excursions with foil.",
)
