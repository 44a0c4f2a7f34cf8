"""English: contacts kept, and low crowns."""

from __future__ import annotations

from collections.abc import Mapping

KEPT: Mapping[str, str] = {
    # contacts kept
    "kept": "Contacts kept",
    "kept_intro": "The crown in the closures under light and heavy load, as designed and as "
    "adjusted. Gaps are exact, with every tooth where the load has pushed it. Foil holds in a gap "
    "up to {holds} and slips from {slips} on; between is uncertain ({source}). Common practice, "
    "from memory: {rule}.",
    "kept_published": "foil of 8 µm: Harper & Setchell 2002, Int J Prosthodont 15:347-352",
    "kept_assumed": "in proportion to what is published of foil of 8 µm, an assumption",
    "no_kept": "Contacts were not compared.",
    "kept_caption": "The crown's contacts before and after",
    "kept_before_light": "As designed, light load",
    "kept_after_light": "Adjusted, light load",
    "kept_before_heavy": "As designed, heavy load",
    "kept_after_heavy": "Adjusted, heavy load",
    "row_n_contacts": "Contacts (0.01 mm² or more each)",
    "row_area": "Contact area (mm²)",
    "row_load": "Load (N)",
    "row_share": "Share of the load (%)",
    "row_gap": "Least gap (µm)",
    "row_foil": "Foil",
    "row_neighbour": "Tooth {tooth} beside it: load, foil",
    "foil_holds": "holds",
    "foil_slips": "slips",
    "foil_uncertain": "uncertain",
    "neighbour_cell": "{load}, {foil}",
    "vanished_caption": "Contacts that are gone after the adjustment",
    "col_load": "Load",
    "col_carried": "Carried before (N)",
    "load_light": "light",
    "load_heavy": "heavy",
    "kept_sentence": "After the adjustment the crown {light} at light load and carries "
    "{light_N} ({light_share} %) there; at heavy load it {heavy} and carries {heavy_N} "
    "({heavy_share} %).",
    "kept_as_designed": "As designed the crown {light} at light load and carries "
    "{light_N} ({light_share} %) there; at heavy load it {heavy} and carries {heavy_N} "
    "({heavy_share} %).",
    "verb_holds": "holds foil",
    "verb_slips": "lets foil slip",
    "verb_uncertain": "may or may not hold foil",
    "kept_not_met": "Its contacts are not as they should be ({rule}): {reasons}.",
    "kept_unknown": "Whether its contacts are as they should be ({rule}) cannot be said: "
    "{reasons}.",
    "kept_met": "Its contacts are as they should be: {rule}.",
    "kept_advice": "By calculation, with the crown moved as one piece, that is met with a wanted "
    "gap in closing of {centric} µm beyond the natural contacts' (targets.centric_um); {given} µm "
    "is set now.",
    "kept_no_advice": "No uniform height of the crown was found at which that is met.",
    "vanished_sentence": "Contacts that are gone after the adjustment: {places}.",
    "vanished_one": "{place} at {load} load",
    # low crowns
    "low_crown": "Low crown",
    "low_intro": "A raise is a proposal for a new design and is not applied: the map is in "
    "crown_raise.ply, the raised crown in crown_raised.stl and .ply. Heights are along the tooth. "
    "No place is raised farther than it keeps the wanted gap in every movement asked for. Each "
    "raised crown was put through the whole simulation again, and held against the teeth beside "
    "it.",
    "no_low_crown": "The crown is not low.",
    "raise_places_caption": "Where the crown is low, by how much, and what is proposed",
    "raise_proof_caption": "The raised crown, simulated again",
    "col_way": "Raise",
    "col_missing": "Missing in closing (µm)",
    "col_wanted_raise": "Raise wanted (µm)",
    "col_raise": "Raise proposed (µm)",
    "col_limited": "Held back by",
    "col_still_missing": "Still missing (µm)",
    "way_by_cusp": "cusp by cusp",
    "way_uniform": "as one piece",
    "way_proposed": "{way} (proposed)",
    "whole_surface": "biting surface",
    "limited_slope": "steepness of the surface",
    "row_raise_greatest": "Greatest raise (µm)",
    "row_raise_area": "Area raised (mm²)",
    "row_raise_volume": "Volume added (mm³)",
    "row_raise_spots": "High spots",
    "row_raise_missing": "Contact still missing (µm)",
    "row_raise_contacts": "Contacts at light / heavy load",
    "row_raise_load": "Load at light / heavy load (N)",
    "row_raise_foil": "Foil at light / heavy load",
    "row_raise_sides": "Side gap mesial / distal (µm)",
    "row_raise_rule": "Contacts as they should be",
    "low_where": "The crown is low: {places}.",
    "low_place": "{missing} at the {place}",
    "raise_sentence": "A raise is proposed as a map, {way}, up to {greatest} (crown_raise.ply; the "
    "raised crown is crown_raised.stl, and nothing of it is applied).",
    "raise_proved": "Simulated again, the raised crown has {n} contacts at light load, carries "
    "{load} there, and {spots}.",
    "raise_no_spot": "has no high spot",
    "raise_spots": "has high spots, {n}",
    "raise_left": "Still missing: {places}.",
    "raise_left_one": "{missing} on the {place}, held back by {limit}",
    "raise_none": "No raise is proposed: {reason}.",
    "show_raise": "raise proposed",
    "show_raise_uniform": "raise as one piece",
    "scale_raise": "raise (µm)",
    "col_residual": "Left after (µm)",
}
