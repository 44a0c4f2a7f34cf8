"""The names of movements, and the texts of the parts on gaps and on how the jaw moves."""

from __future__ import annotations

from collections.abc import Mapping

MOVEMENTS: Mapping[str, str] = {
    # movements, as labels and as ends of sentences
    "movement_centric": "Closing",
    "movement_protrusion": "Forward (protrusion)",
    "movement_laterotrusion_right": "To the right (laterotrusion)",
    "movement_laterotrusion_left": "To the left (laterotrusion)",
    "movement_lateroprotrusion_right": "Forward and to the right (lateroprotrusion)",
    "movement_lateroprotrusion_left": "Forward and to the left (lateroprotrusion)",
    "movement_retrusive_slide": "Slide from the retruded position",
    "movement_angle": "{movement} at {angle}°",
    "phrase_centric": "in closing",
    "phrase_protrusion": "moving forward",
    "phrase_laterotrusion_right": "moving to the right",
    "phrase_laterotrusion_left": "moving to the left",
    "phrase_lateroprotrusion_right": "moving forward and to the right",
    "phrase_lateroprotrusion_left": "moving forward and to the left",
    "phrase_retrusive_slide": "in the slide from the retruded position",
    "phrase_other": "in {name}",
    # gaps along movements
    "gaps": "Gap along each movement",
    "gaps_intro": "The jaw is guided by the natural teeth, the crown left out; a negative"
    " gap means that the crown would stand in the way. Lines are told apart by their pattern "
    "and the number at the end.",
    "gaps_caption": "Least gap of the crown in each movement, before and after the adjustment",
    "gaps_alt": "Least gap of the crown against the step of each movement",
    "axis_step": "step of the movement (mm)",
    "axis_gap": "least gap (µm)",
    "wanted": "wanted gap",
    "col_number": "Line",
    "col_poses": "Poses",
    "col_least_gap": "Least gap (µm)",
    "col_at": "At step (mm)",
    "col_supported_gap": "Least gap held by 0.05 mm² (µm)",
    "col_wanted_there": "Wanted there (µm)",
    "col_after": "Least gap after (µm)",
    "no_movements": "No movement was computed.",
    "recorded_gap": "Least gap at the recorded bite",
    "recorded_gap_with_spikes": "The same, spikes of the opposing scan counted",
    "recorded_gap_after": "Least gap at the recorded bite, after",
    "incisal_opening": "Opening at the incisors when the crown first touches",
    "spots_before": "High spots before",
    "spots_after": "High spots after",
    # how the jaw moves
    "motion": "How the jaw moves",
    "motion_intro": "Guided by the natural teeth under the light load, the crown left out. "
    "Distances are millimetres from the recorded bite, in the jaw frame. White numbers on dark are "
    "movements guided by the teeth, as numbered in the table; dark numbers on white are openings "
    "on the hinge from the end of that movement, to 20 mm of the lower incisal point's way (an "
    "opening by rotation alone reaches to about 20 mm: Posselt 1957, from memory).",
    "motion_what": "The border figure is what rigid guidance implies, not a measurement: muscles, "
    "ligaments and soft tissue set the real limits, and wider openings glide forward.",
    "no_motion": "No movement of the jaw was recorded.",
    "motion_border_side": "Border figure of the lower incisal point from the patient's right side",
    "motion_border_front": "Border figure of the lower incisal point from the front",
    "motion_guided_side": "Its tooth-guided part from the side, enlarged",
    "motion_guided_front": "Its tooth-guided part from the front, enlarged",
    "motion_right_condyle_side": "Right condyle from the patient's right side",
    "motion_left_condyle_side": "Left condyle, seen from the same side",
    "motion_right_condyle_above": "Right condyle from above",
    "motion_left_condyle_above": "Left condyle from above",
    "axis_side_across": "forward (mm)",
    "axis_side_up": "up (mm)",
    "axis_front_across": "to the patient's left (mm)",
    "axis_front_up": "up (mm)",
    "axis_above_across": "to the patient's right (mm)",
    "axis_above_up": "forward (mm)",
    "motion_caption": "Where each movement ends: lower incisal point, opening, condyles",
    "col_end_step": "To step (mm)",
    "col_forward": "Forward (mm)",
    "col_to_right": "To the right (mm)",
    "col_up": "Up (mm)",
    "col_distance": "In all (mm)",
    "col_opening": "Opening (°)",
    "col_right_condyle": "Right condyle forward / down (mm)",
    "col_left_condyle": "Left condyle forward / down (mm)",
    "slide_caption": "Slide from the retruded contact to the intercuspal one, at the incisal point",
    "slide_record": "Retruded record",
    "slide_accepted": "accepted",
    "slide_doubtful": "doubtful",
    "slide_refused": "refused: the slide was left out",
    "slide_reason": "Because",
    "slide_length": "Way in a straight line",
    "slide_forward": "Forward",
    "slide_right": "To the patient's right",
    "slide_up": "Upwards",
}
