"""Every text of the report, in one place, so that another language is another dictionary.

Placeholders in braces are filled by `str.format`; what stands in them is already a written number.
"""

from __future__ import annotations

from collections.abc import Mapping

from occlusim.jaw.movements import lateroprotrusion_angle_deg
from occlusim.report.access_english import ACCESS
from occlusim.report.side_texts import SIDE_TEXTS

ENGLISH: Mapping[str, str] = {
    "language": "en",
    # small words
    "yes": "yes",
    "no": "no",
    "and": "and",
    "unknown": "not known",
    "none": "none",
    "left_out": "left out",
    "not_given": "not given",
    # the answer
    "title": "Occlusion of a crown: {case}",
    "kicker": "occlusim, crown and bite checked before milling",
    "answer": "The answer",
    "tooth": "Tooth {teeth} (ISO 3950)",
    "tooth_universal": "Tooth {teeth} (ISO 3950; Universal {universal})",
    "negative_gap": "A negative gap is an overlap.",
    "high": "The crown is high.",
    "not_high": "The crown is not high: nothing has to come off.",
    "high_unknown": "Whether the crown is high cannot be said.",
    "refused": "No answer: this case was refused.",
    "state_sound": "Sound",
    "state_doubtful": "Doubtful",
    "state_refused": "Refused",
    "state_unknown": "Not judged",
    "deepest": "Highest place: {place}, {depth} too high {movement} (spot {id}).",
    "other_spots": "Other places: {spots}.",
    "other_spot": "spot {id}, {place}, {depth} {movement}",
    "more_spots": "{n} more in the table",
    "place_unknown": "a place without a name",
    "take_off_list": "What to take off, in this order: {spots}.",
    "take_off_one": "{depth} over {area} at spot {id}",
    "take_off_part": "{part} of {depth} over {area} at spot {id}",
    "not_feasible": "Not all of it can come off: {spots} have to stay.",
    "question": "Question to the clinician on spot {id}: {question}",
    "not_feasible_one": "{shortfall} at spot {id}",
    "low": "The crown is not high: it is low and misses its contact.",
    "missing_contact": "In closing it would need {missing} more height for the contact that is "
    "wanted.",
    "missing_contact_raise": "A raise of {height} along the tooth would give it.",
    "volume_in_all": "In all, {volume} come off.",
    "closure_gap": "At light biting load the least gap to the teeth opposite is {gap}; "
    "{wanted} is wanted.",
    "after_clear": "The whole simulation was run again on the adjusted crown: no high "
    "spot is left.",
    "after_left": "The whole simulation was run again on the adjusted crown: high spots left, {n}.",
    "sure_sound": "How sure: sound. Nothing in the scans, the bite record or the "
    "reference speaks against it.",
    "sure_doubtful": "How sure: doubtful, because",
    "sure_refused": "Refused because",
    "sure_unknown": "How sure: not judged.",
    "no_reasons": "no reason was recorded",
    "sides_disagree": "Right and left bite scans disagree by {value} at the crown.",
    "datum_disagrees": "Two ways of finding the reference disagree by {value} at the crown.",
    "coverage": "{percent} % of the surface opposite the crown was scanned.",
    "confirm": "Confirm in the mouth with foil before anything is cut.",
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
    # the crown in space
    "crown": "The crown in space",
    "crown_intro": "Turn it with the mouse or a finger. The pointer shows the number at a"
    " vertex. Numbers on the surface are those of the spot table.",
    "show": "Show",
    "show_gap": "gap, closing at light load",
    "show_least_gap": "least gap over all movements",
    "show_gap_movement": "gap, {movement}",
    "show_reduction": "depth to take off",
    "show_side_gap": "gap to the teeth beside it",
    "show_thickness": "wall thickness",
    "which_crown": "Crown",
    "before": "before",
    "after": "after",
    "as_given": "as given",
    "as_adjusted": "adjusted",
    "antagonist_over": "Lay the opposing teeth over it",
    "spots_shown": "Show spot numbers",
    "view_biting": "View on the biting surface",
    "scale_note": "Gap: brown is overlap, the neutral middle is touching, pale blue is "
    "open. Dark grey: not known. The scales are the same in every report; what lies beyond an"
    " end takes its colour.",
    "thinned_note": "Drawn with {drawn} of {given} triangles of the {mesh}; every number "
    "shown is that of a vertex of the full mesh.",
    "the_crown": "crown",
    "the_adjusted": "adjusted crown",
    "the_antagonist": "opposing teeth",
    "no_meshes": "There are no meshes to draw for this case.",
    "no_script": "The pictures need scripts switched on; every number below is readable without.",
    "scale_gap": "gap (µm)",
    "scale_reduction": "take off (µm)",
    "scale_thickness": "wall (µm)",
    "scale_residual": "bite scan off its arch (µm)",
    "spot": "Spot",
    "direction_right": "patient's right",
    "direction_left": "patient's left",
    "direction_front": "front",
    "direction_back": "back",
    "crown_alt": "Crown seen on its biting surface, coloured by the number chosen above",
    # spots
    "spots": "High spots",
    "spots_caption": "Where the crown is too high, and what taking it off leaves",
    "no_spots": "No high spot was found.",
    "col_spot": "Spot",
    "col_movement": "Movement",
    "col_place": "Place",
    "col_depth": "Too high by (µm)",
    "col_normal_depth": "Gap missing there (µm)",
    "col_area": "Area (mm²)",
    "col_volume": "Volume (mm³)",
    "col_thickness": "Wall left (mm)",
    "col_feasible": "Feasible",
    "col_order": "Order of work",
    "col_left_high": "High if the work stops after it (µm)",
    "feasible_no": "no, {shortfall} have to stay",
    "feasible_asked": "no, {shortfall} have to stay, {left} against {tooth}: a question to the "
    "clinician",
    "opposing_tooth_number": "tooth {number}",
    "the_opposing_tooth": "the opposing tooth",
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
    **SIDE_TEXTS,
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
    # adjustment
    "proof": "Proof on the adjusted crown",
    "proof_intro": "The adjusted crown was written to its file, read back, and put "
    "through the whole simulation again. The gap at the recorded bite is information, not a "
    "verdict: the bite was taken at an unknown clench.",
    "proof_caption": "The crown before and after",
    "no_proof": "No adjusted crown was computed.",
    # bite record
    "registration": "Quality of the bite record",
    "registration_intro": "How well the bite scans fix the lower jaw against the upper. "
    "The spread is one standard deviation of the pose, about the middle of the crown, in jaw "
    "axes, by the scans' noise alone: drift and warp of scans, which no fit can tell, are not in "
    "it.",
    "registration_caption": "Fit of the bite record",
    "bites_caption": "Fit of each bite scan",
    "spread_caption": "Spread of the lower jaw's pose (one standard deviation)",
    "axis_right": "patient's right",
    "axis_anterior": "front",
    "axis_superior": "up",
    "col_axis": "Axis",
    "col_turn": "Turn about it (°)",
    "col_shift": "Shift along it (µm)",
    "registration_given": "The arches were given in one frame or with their pose: no bite scan was "
    "registered. The spread is one standard deviation as assumed in the settings, not measured, "
    "about the middle of the crown, in jaw axes.",
    "no_registration": "Nothing is known of the bite record.",
    "places_caption": "Spread of the lower jaw's displacement, by place (one standard deviation)",
    "reasons_caption": "Why the bite record is not simply accepted",
    "halves_caption": "The two halves of each bite scan against each other",
    "alone_caption": "Each bite scan alone against all together",
    "contact_caption": "How the natural teeth meet at the record",
    # bite record in words
    "record_accepted": "The bite record is accepted.",
    "record_doubtful": "The bite record is doubtful.",
    "record_refused": "The bite record is refused: no pose is given.",
    "record_because": "Because",
    "record_reason": "{message}. What to do: {advice}.",
    "record_given": "The arches came in one frame or with their pose: nothing was registered, and "
    "the spread is assumed (registration.given_sigma_um), not measured.",
    "record_place": "At {place} the place of the lower jaw is known to {total} (one standard "
    "deviation): {height} in height and {in_plane} along the occlusal plane ({right} sideways, "
    "{anterior} front to back).",
    "record_place_plain": "At {place} the place of the lower jaw is known to {total} (one standard "
    "deviation).",
    "record_weakest": "Least sure is {motion}.",
    "record_one_pose": "One rigid pose explains all bite scans within their noise (p = {p}).",
    "record_not_one_pose": "One rigid pose does not explain all bite scans within their noise "
    "(p {p}).",
    "record_alone": "{side} alone puts {places}.",
    "record_alone_place": "{place} {shift} away (noise: {sigma})",
    "record_side_right": "The right side",
    "record_side_left": "The left side",
    "record_side_front": "The front",
    "record_side_both sides": "The scan of both sides",
    "record_meets": "The natural teeth meet as teeth do: at their tightest place they {how}.",
    "record_overlap": "overlap by {value}",
    "record_apart": "stay {value} apart",
    "record_bite": "{file} shows {side}: {upper} mm² of the upper and {lower} mm² of the lower "
    "arch, fitting to {rms}.",
    "shows_right": "the right side",
    "shows_left": "the left side",
    "shows_front": "the front",
    "shows_both sides": "both sides",
    "shows_unknown": "a side that is not known",
    "the_crown_of": "the crown ({tooth})",
    "the_record_middle": "the middle of the record",
    "last_tooth_right": "the last tooth on the right",
    "last_tooth_left": "the last tooth on the left",
    "noticed": "Noticed: {message}.",
    "record_noise_alone": "These figures are the scans' noise alone: drift and warp of scans, "
    "which no fit can tell, are not in them (aligned scans were published to deviate by 69 µm in "
    "the mean, Solaberrieta et al 2015).",
    "confirm_record": "Confirm in the mouth with foil that the teeth meet as the aligned scans do.",
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
    # screw access
    **ACCESS,
    # the rest
    "findings": "Findings",
    "findings_caption": "What was noticed on the way",
    "no_findings": "Nothing was noticed.",
    "col_severity": "Weight",
    "col_code": "Code",
    "col_message": "What was found",
    "severity_info": "for information",
    "severity_warning": "warning",
    "severity_error": "error",
    "settings": "Settings",
    "settings_caption": "Settings of this run",
    "no_settings": "Settings were not recorded.",
    "inputs": "Inputs",
    "inputs_caption": "Files read, with the digest of their content (SHA-256)",
    "no_inputs": "No input was recorded.",
    "col_role": "Role",
    "col_file": "File",
    "col_vertices": "Vertices",
    "col_faces": "Faces",
    "col_digest": "SHA-256",
    "versions": "Versions and times",
    "versions_caption": "Program, start and time of each stage",
    "program": "occlusim",
    "schema": "Layout of the results",
    "started": "Started",
    "stage_time": "Stage: {stage} (s)",
    "cautions": "Before you rely on this",
    # pictures
    "picture_before": "Gap at light biting load, crown as given",
    "picture_after": "Gap at light biting load, crown adjusted",
    "picture_reduction": "What to take off, with the numbers of the spots",
    "picture_upper": "Upper arch, seen from below; rings are contacts",
    "picture_lower": "Lower arch, seen from above; rings are contacts",
    "picture_mounting_side": "Mounting, seen from the patient's right; front to the right",
    "picture_mounting_front": "Mounting, seen from in front; patient's right on the left",
    "mounting_condyles": "hinge axis (condylar points)",
    "mounting_axis": "hinge axis",
    "mounting_right_condyle": "right condylar point",
    "mounting_left_condyle": "left condylar point",
    "mounting_incisal": "lower incisal point",
    "mounting_molars": "last molars, distobuccal cusps",
    "mounting_right_molar": "right molar point",
    "mounting_left_molar": "left molar point",
    "mounting_plane": "occlusal plane",
    "pictures_left_out": "The pictures were left out, because {reason}. All else is complete. "
    "Drawing needs OpenGL libraries; on Debian: apt-get install libegl1 libgl1 libx11-6",
    "pictures_hung": "drawing took longer than {seconds} s",
    "pictures_died": "the drawing library ended its process (code {code})",
    "pictures_none_drawn": "nothing was drawn",
    "skip": "To the answer",
}

CAUTIONS: tuple[str, ...] = (
    "This page supports a decision; it does not make one. The program has not been assessed "
    "or cleared as a medical device. Whether the law where you work treats this use as one is"
    " for you to find out.",
    "Scans, bite records and mounting by mean values are wrong by about as much as the "
    "corrections shown here. Confirm every contact in the mouth with foil.",
    "Patients feel less on an implant and report height too late. Do not judge height under "
    "anaesthesia.",
    "How thin a material may become is set by its own instructions for use, and they go "
    "before the limit used here. Polish the surface after every adjustment.",
    "Adjusting teeth or crowns is for those licensed to do so, under the rules of the place. "
    "A tooth of the opposing arch is never adjusted without the patient's consent.",
    "See the patient again: foil and a scan at delivery, after 3 months and after 12 months "
    "(common practice).",
)

LANGUAGES = {"en": (ENGLISH, CAUTIONS)}
WORDS = ENGLISH


def movement_label(name: str) -> str:
    """Return a movement's name for tables, such as ``To the right (laterotrusion)``."""
    return _named("movement", name) or name.replace("_", " ")


def movement_phrase(name: str) -> str:
    """Return a movement as the end of a sentence, such as ``moving to the right``."""
    return _named("phrase", name) or WORDS["phrase_other"].format(name=name.replace("_", " "))


def _named(kind: str, name: str) -> str | None:
    """Return the words for a movement, with its angle where its name tells one."""
    angle_deg = lateroprotrusion_angle_deg(name)
    if angle_deg is None:
        return WORDS.get(f"{kind}_{name}")
    side = name.split("_")[1]
    words = WORDS[f"{kind}_lateroprotrusion_{side}"]
    return WORDS["movement_angle"].format(movement=words, angle=f"{angle_deg:g}")
