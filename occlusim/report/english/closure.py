"""The texts on mounting, reference and closing under load."""

from __future__ import annotations

from collections.abc import Mapping

CLOSURE: Mapping[str, str] = {
    # mounting
    "mounting": "Mounting and assumptions",
    "mounting_intro": "Where the hinge axis and the guidance come from.",
    "mounting_caption": "Mounting of the lower jaw",
    "axis_effect_caption": "What a hinge axis in another place does to the crown's least gap; "
    "excursions from half the ramp on",
    "col_axis_forward": "Axis forward (µm per mm)",
    "col_axis_up": "Axis up (µm per mm)",
    "col_axis_sigma": "Over its scatter (µm)",
    "guidance_effect_caption": "Change of the least gap by one quantity alone, lower / higher by "
    "its scatter (µm); excursions from half the ramp on",
    "col_quantity": "Quantity",
    "quantity_inclination_right": "Condylar inclination, right",
    "quantity_inclination_left": "Condylar inclination, left",
    "quantity_bennett_right": "Bennett angle, right",
    "quantity_bennett_left": "Bennett angle, left",
    "quantity_side_shift_right": "Immediate side shift, right",
    "quantity_side_shift_left": "Immediate side shift, left",
    "sensitivity_caption": "Least gap of the crown as given, over {n} jaws drawn within the "
    "scatter (µm)",
    "corner_caption": "Least gap of the crown as given, with every quantity at its worse end (µm)",
    "col_stretch": "Part of the path",
    "col_nominal": "As mounted",
    "col_corner": "All at their worse end",
    "col_median": "Median",
    "col_p5": "5th percentile",
    "col_p95": "95th percentile",
    "col_sigma": "Standard deviation",
    "col_worst": "Worst",
    "whole_path": "all of it",
    "beyond_path": "from {place} on",
    "below_one": "less than 1 µm",
    "axis_trust": "A hinge axis off by its scatter ({forward} mm forward, {vertical} mm up, one "
    "standard deviation) would change the crown's least gap by {closing} in closing and by "
    "{excursion} {movement}.",
    "no_mounting": "No mounting was recorded.",
    # datum
    "datum": "What the crown is measured against",
    "datum_intro": "The natural pairs near the crown are not separate under load either: "
    "surfaces give a little. The median of their mean gaps where they touch, at light biting load "
    "without the crown, is the reference; the crown's wanted gap in closing is that reference plus "
    "the wanted clearance.",
    "datum_caption": "The reference and the pairs it rests on",
    "datum_pairs_caption": "Natural pairs of teeth that the reference rests on",
    "g_nat": "Reference gap of the natural pairs",
    "disagreement": "Disagreement of two ways of finding it",
    "datum_pairs": "Pairs of teeth",
    "no_datum": "No reference was computed.",
    # closure
    "closure": "Closing under load",
    "closure_caption": "The jaw closed at two biting loads, without and with the crown",
    "contacts_caption": "Load of each pair of teeth (N)",
    "contact_order_caption": "Which natural teeth touch first, as the jaw closes without the crown",
    "col_not_at_load": "Not yet at (N on all teeth)",
    "col_by_load": "Touches at (N on all teeth)",
    "from_first_touch": "from the first touch on",
    "no_closure": "No closure was computed.",
    "row_muscle_N": "Force of the closing muscles (N)",
    "guidance_caption": "Which teeth guide each movement, and what the crown changes of it",
    "col_guides": "Pairs that carry most, upper/lower (share of the way)",
    "col_lift": "Crown holds the incisors open by",
    "col_takes_over": "Crown carries more than half from",
    "guide_share": "{pair} ({percent} %)",
    "touches_nothing": "touches nothing",
    "not_at_all": "not at all",
    "light": "Light load",
    "heavy": "Heavy load",
    "other_load": "{load} N",
    "without_crown": "without crown",
    "with_crown": "with crown",
    "col_what": "What",
    "col_value": "Value",
    "col_pair": "Upper tooth / lower tooth",
    "row_rotation_deg": "Rotation about the hinge, opening positive (°)",
    "row_total_load_N": "Load on all teeth (N)",
    "row_crown_load_N": "Load on the crown (N)",
    "row_crown_share": "Crown's share of the load (%)",
    "row_joint_right": "Right joint (N)",
    "row_joint_left": "Left joint (N)",
}
