"""The texts of the answer on top of the page, and small words that every part uses."""

from __future__ import annotations

from collections.abc import Mapping

ANSWER: Mapping[str, str] = {
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
    "teeth": "Teeth {teeth} (ISO 3950)",
    "teeth_universal": "Teeth {teeth} (ISO 3950; Universal {universal})",
    "tooth_universal": "Tooth {teeth} (ISO 3950; Universal {universal})",
    "negative_gap": "A negative gap is an overlap.",
    "high": "The crown is high.",
    "not_high": "The crown is not high: nothing has to come off where it meets the opposing teeth.",
    "high_unknown": "Whether the crown is high cannot be said.",
    "refused": "No answer: this case was refused.",
    "state_sound": "The answer is sound",
    "state_doubtful": "The answer is doubtful",
    "state_refused": "Refused",
    "state_unknown": "Not judged",
    "part_sides": "Side contacts",
    "part_access": "Screw access",
    "deepest": "Highest place: {place}, {depth} too high {movement} (spot {id}).",
    "more_spots": "{n} more in the table",
    "place_unknown": "a place without a name",
    "todo_take_off": "What to do: mill the adjusted crown (crown_adjusted.stl), or take off in "
    "this order:",
    "step": "spot {id}, {place}: {depth} over {area}, too high {movement}",
    "step_part": "spot {id}, {place}: {part} of {depth} over {area}, too high {movement}",
    "minor_one": "With them goes 1 minor place of {depth}.",
    "minor_many": "With them go {n} minor places of {least} to {most}.",
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
    "within_limit": "It is too high by {height}, less than the {limit} from which a place counts "
    "as high.",
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
    "chance_high": "Of {n} bite records drawn by how sure this one is, {percent} leave the crown "
    "high somewhere by more than {limit}.",
    "coverage": "{percent} % of the surface opposite the crown was scanned.",
    "confirm": "Confirm in the mouth with foil before anything is cut.",
}
