"""The texts of the crown in space, its spots and its proof."""

from __future__ import annotations

from collections.abc import Mapping

CROWN: Mapping[str, str] = {
    # the crown in space
    "crown": "The crown in space",
    "crown_intro": "Turn it with the mouse or a finger, or with the arrow keys once it is chosen; "
    "plus and minus bring it nearer and further away. The pointer shows the number at a place.",
    "show": "Show",
    "show_gap": "gap, closed at light load",
    "show_clearance": "gap less wanted gap, all movements",
    "show_movement": "gap less wanted gap, {movement}",
    "show_reduction": "depth to take off",
    "show_side_gap": "gap to the teeth beside it",
    "show_thickness": "wall thickness",
    "show_probability_high": "probability of being high",
    "which_crown": "Crown",
    "before": "before",
    "after": "after",
    "as_given": "as given",
    "as_adjusted": "adjusted",
    "antagonist": "Opposing teeth",
    "antagonist_away": "taken away",
    "antagonist_light": "closed at light load",
    "antagonist_at": "{movement}, at {step}",
    "spots_shown": "Show spot numbers",
    "view_biting": "View on the biting surface",
    "scale_note": "Gap: brown is overlap, grey is touching, pale blue is open. Gap less the "
    "wanted gap: crimson is too high, grey as wanted, pale yellow more room than wanted. Nearly "
    "black: not known. The scales are the same in every report; what lies beyond an end takes its "
    "colour. Opposing teeth in a movement stand where the crown falls most short of the wanted "
    "gap, the first half of the ramp left out.",
    "probability_note": "Probability of being high: the share of {n} bite records, drawn by how "
    "sure this one is, in which the place falls short of its wanted gap by more than {limit}; in "
    "each the jaw is closed anew on the natural teeth. Shares below {least} cannot be told from 0. "
    "Not drawn are errors of the hinge axis, of the condylar angles and of the scans.",
    "probability_unfollowed": "Places with more room than {room} are shown as 0 %; none of them is "
    "high in more than {most} of the records.",
    "thinned_note": "Drawn with {drawn} of {given} triangles of the {mesh}; every number "
    "shown is that of a vertex of the full mesh.",
    "the_crown": "crown",
    "the_adjusted": "adjusted crown",
    "the_antagonist": "opposing teeth",
    "no_meshes": "There are no meshes to draw for this case.",
    "no_script": "The pictures need scripts switched on; every number below is readable without.",
    "scale_gap": "gap (µm)",
    "scale_clearance": "gap less wanted (µm)",
    "scale_reduction": "take off (µm)",
    "scale_thickness": "wall (µm)",
    "scale_probability": "probability (%)",
    "scale_residual": "off its arch (µm)",
    "at_least": "at least",
    "show_spot": "Spot {id}: turn the crown to it",
    "spot_seen": "Spot {id}, {place}: {depth} too high {movement}.",
    "direction_right": "patient's right",
    "direction_left": "patient's left",
    "direction_front": "front",
    "direction_back": "back",
    "crown_alt": "Crown seen on its biting surface, coloured by the number chosen above; every "
    "spot is in the table below",
    # spots
    "spots": "High spots",
    "spots_caption": "Where the crown is too high, and what taking it off leaves",
    "spots_intro": "A row turns the crown above to its spot. Numbers are by depth; the order of "
    "work is closing first (common practice).",
    "minor_caption": "Minor places",
    "no_spots": "No high spot was found.",
    "col_spot": "Spot",
    "col_movement": "Movement",
    "col_place": "Place",
    "col_depth": "Too high by (µm)",
    "col_chance": "Probability of being high",
    "col_area": "Area (mm²)",
    "col_thickness": "Wall left (mm)",
    "col_feasible": "Feasible",
    "col_order": "Order of work",
    "col_left_high": "High if the work stops after it (µm)",
    "feasible_no": "no, {shortfall} have to stay",
    "feasible_asked": "no, {shortfall} have to stay, {left} against {tooth}: a question to the "
    "clinician",
    "opposing_tooth_number": "tooth {number}",
    "the_opposing_tooth": "the opposing tooth",
    # adjustment
    "proof": "Proof on the adjusted crown",
    "proof_intro": "The adjusted crown was written to its file, read back, and put "
    "through the whole simulation again. The gap at the recorded bite is information, not a "
    "verdict: the bite was taken at an unknown clench.",
    "proof_caption": "The crown before and after",
    "no_proof": "No adjusted crown was computed.",
}
