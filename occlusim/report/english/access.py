"""The texts on the screw access."""

from __future__ import annotations

from collections.abc import Mapping

ACCESS: Mapping[str, str] = {
    "access": "Screw access",
    "access_intro": "The channel turns about its seat, the deepest place. Opening: where it leaves "
    "the biting surface. Rim: what lies within 1 mm of it, seen along the channel, where contacts "
    "chip and wear the filling (common practice, from memory). Areas of movements are those where "
    "the crown would meet the teeth opposite from half the ramp on.",
    "no_access": "The case names no screw access.",
    "access_caption": "The opening of the channel",
    "access_state": "State",
    "access_diameter": "Diameter",
    "access_area": "Area of the opening",
    "access_angle": "Axis against the surface's normal",
    "access_implant": "Axis against the implant's",
    "access_found": "The screw channel opens on the outer surface.",
    "access_partly_outside": "The screw channel opens on the outer surface in part only.",
    "access_folded": "The outer surface lies in more than one layer over the screw channel.",
    "access_wrong_way": "The axis given for the screw channel points to the root side: nothing can "
    "be said of it.",
    "access_misses": "The screw channel as given meets no surface of the crown.",
    "access_no_outer_wall": "The screw channel as given leaves the crown where there is no outer "
    "wall.",
    "access_already_open": "The mesh holds a screw channel already: only contacts in its rim can "
    "be told.",
    "access_on_opening": "On the adjusted crown contacts fall on the screw access: {contacts}.",
    "access_on_rim": "On the adjusted crown contacts fall in the rim of the screw access: "
    "{contacts}.",
    "access_clear": "No contact falls on the screw access or within {rim} of it.",
    "access_wall": "The wall beside the screw channel is at least {least} thick; {wanted} are "
    "wanted.",
    "access_as_given": "No other tilt of the screw channel does better.",
    "access_best": "The best tilt of the screw channel found is {tilt} to {towards}: contact of "
    "{opening} on the opening and {rim} in its rim, wall {wall}.",
    "access_light": "closing at light load",
    "access_heavy": "closing at heavy load",
    "access_contacts_caption": "What presses on the opening and its rim (mm², and N where a force "
    "is known)",
    "col_designed_opening": "As designed: opening",
    "col_designed_rim": "As designed: rim",
    "col_adjusted_opening": "Adjusted: opening",
    "col_adjusted_rim": "Adjusted: rim",
    "access_spots_caption": "High spots that reach the opening or its rim",
    "col_spot_opening": "Area in the opening (mm²)",
    "col_cut_opening": "Taken off there (µm)",
    "col_spot_rim": "Area in the rim (mm²)",
    "col_cut_rim": "Taken off in the rim (µm)",
    "access_walls_caption": "Wall beside the channel, by the way down from the opening's highest "
    "edge (mm)",
    "col_below_edge": "Below the edge (mm)",
    "col_wall_mesial": "Mesial",
    "col_wall_buccal": "Buccal",
    "col_wall_distal": "Distal",
    "col_wall_lingual": "Lingual",
    "col_wall_palatal": "Palatal",
    "no_wall": "no wall there",
    "access_tilts_caption": "Tilts of the channel about its seat, on the adjusted crown",
    "col_tilt": "Tilt (°)",
    "col_towards": "Towards",
    "col_whole": "Opens whole",
    "col_tilt_opening": "Contact on the opening (mm²)",
    "col_tilt_rim": "Contact in the rim (mm²)",
    "col_tilt_wall": "Least wall (mm)",
    "best_tilt": "best:",
    "not_tilted": "as given",
}
