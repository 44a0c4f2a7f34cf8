"""The datum: what the crown is high against.

The recorded bite was taken at an unknown clench, so the gap there is information, not a verdict.
The crown is measured against the tightness of its natural neighbours at the light-load closure
without the crown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.contact.patches import PairContact

FRONT = 4
"""Positions from the mid-line that count as front: incisors, canine and first premolar."""


@dataclass(frozen=True, slots=True)
class Datum:
    """The natural contacts' tightness beside the crown.

    g_nat_mm is the median over the pairs used of the mean gap (negative) over their contact: the
    least gap of a pair is an extreme value, which scan noise and facets deepen, the mean is not.
    Where is_recorded, natural
    support is too little, g_nat_mm is 0 and the recorded bite itself is the datum.
    """

    g_nat_mm: float
    pairs: tuple[PairContact, ...]
    is_recorded: bool
    reasons: tuple[str, ...]


def arch_position(tooth: int) -> int:
    """Return the place along the arch, from 1 (last on the right) to 16 (last on the left).

    ISO 3950: quadrants 1 and 4 are the patient's right; position 1 is next to the mid-line.
    """
    quadrant, position = divmod(tooth, 10)
    return 9 - position if quadrant in (1, 4) else 8 + position


def natural_datum(
    contacts: Sequence[PairContact], crown_teeth: int | Sequence[int], *, reach_teeth: int = 2
) -> Datum:
    """Return the datum from the natural contacts of a light-load closure without the crown.

    Parameters
    ----------
    contacts
        Natural contacts of the lower teeth (body) with the upper ones (field).
    crown_teeth
        ISO 3950 number of the crown's tooth, or of all its teeth.
    reach_teeth
        Pairs up to so many teeth on each side of the crown count; where there is none, all do.
    """
    teeth = [crown_teeth] if isinstance(crown_teeth, int) else list(crown_teeth)
    teeth.sort(key=arch_position)
    loaded = [c for c in contacts if c.load_N > 0 and c.body_tooth > 0 and c.field_tooth > 0]
    places = [_place(c, teeth[0]) for c in loaded]
    reasons = _missing_support(places, teeth)
    if reasons:
        return Datum(0.0, tuple(loaded), True, tuple(reasons))
    first, last = arch_position(teeth[0]), arch_position(teeth[-1])
    beside = [
        c
        for c, p in zip(loaded, places, strict=True)
        if 0 < max(first - p, p - last) <= reach_teeth
    ]
    used = beside or loaded
    return Datum(float(np.median([c.mean_gap_mm for c in used])), tuple(used), False, ())


def _place(contact: PairContact, crown_tooth: int) -> int:
    """Return the place along the arch of a contact's tooth in the crown's arch."""
    is_upper = crown_tooth // 10 in (1, 2)
    return arch_position(contact.field_tooth if is_upper else contact.body_tooth)


def _missing_support(places: Sequence[int], teeth: Sequence[int]) -> list[str]:
    """Return in words which natural support is missing for a stable closure.

    teeth are the crown's, from the patient's right to left.
    """
    reasons = []
    if not any(p <= 8 for p in places):
        reasons.append("no natural contact on the patient's right side")
    if not any(p >= 9 for p in places):
        reasons.append("no natural contact on the patient's left side")
    if not any(9 - FRONT <= p <= 8 + FRONT for p in places):
        reasons.append("no natural contact in front (incisors to first premolars)")
    first, last = arch_position(teeth[0]), arch_position(teeth[-1])
    ends = [(teeth[0], any(p < first for p in places))] if first <= 8 else []
    ends += [(teeth[-1], any(p > last for p in places))] if last >= 9 else []
    for tooth, is_held in ends:
        if not is_held:
            reasons.append(f"tooth {tooth} stands behind the last natural contact of its side")
    return reasons
