"""The texts on the bite record."""

from __future__ import annotations

from collections.abc import Mapping

RECORD: Mapping[str, str] = {
    # bite record
    "registration": "Quality of the bite record",
    "registration_intro": "How well the bite scans fix the lower jaw against the upper. "
    "The spread is one standard deviation of the pose, about the middle of the crown, in jaw "
    "axes, by the scans' noise alone: drift and warp of scans, which no fit can tell, are not in "
    "it.",
    "registration_caption": "Fit of the bite record",
    "bite_map": "{file}: how far the bite scan lies off its arch",
    "bite_map_note": "Dark blue: the bite scan lies inside the arch; grey: on it; pale orange: "
    "outside; nearly black: it matches neither arch.",
    "foil_shift_caption": "Moved so that foil before the crown holds and slips as was seen",
    "foil_moved": "Lower jaw moved at {place}",
    "foil_chance": "Chance that a record errs by so much or more",
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
    "retruded_accepted": "The retruded record is accepted: {way}.",
    "retruded_doubtful": "The retruded record is doubtful: {way}.",
    "retruded_way": "the farther condyle lies {way} from its place in the bite",
    "retruded_no_way": "it gives no slide into the bite",
    "confirm_record": "Confirm in the mouth with foil that the teeth meet as the aligned scans do.",
}
