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

FRONT_POSITIONS = (1, 2, 3, 4)


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
    contacts: Sequence[PairContact], crown_tooth: int, *, reach_teeth: int = 2
) -> Datum:
    """Return the datum from the natural contacts of a light-load closure without the crown.

    Parameters
    ----------
    contacts
        Natural contacts; body_tooth belongs to the crown's arch.
    crown_tooth
        ISO 3950 number.
    reach_teeth
        Pairs up to so many teeth on each side of the crown count; where there is none, all do.
    """
    loaded = [c for c in contacts if c.load_N > 0 and c.body_tooth > 0]
    reasons = _missing_support(loaded, crown_tooth)
    if reasons:
        return Datum(0.0, tuple(loaded), True, tuple(reasons))
    here = arch_position(crown_tooth)
    beside = [c for c in loaded if 0 < abs(arch_position(c.body_tooth) - here) <= reach_teeth]
    used = beside or loaded
    return Datum(float(np.median([c.mean_gap_mm for c in used])), tuple(used), False, ())


def _missing_support(loaded: Sequence[PairContact], crown_tooth: int) -> list[str]:
    """Return in words which natural support is missing for a stable closure."""
    places = [arch_position(c.body_tooth) for c in loaded]
    here = arch_position(crown_tooth)
    reasons = []
    if not any(p <= 8 for p in places):
        reasons.append("no natural contact on the patient's right side")
    if not any(p >= 9 for p in places):
        reasons.append("no natural contact on the patient's left side")
    if not any(c.body_tooth % 10 in FRONT_POSITIONS for c in loaded):
        reasons.append("no natural contact in front (incisors to first premolars)")
    behind = [p for p in places if (p < here if here <= 8 else p > here)]
    if not behind:
        reasons.append(f"tooth {crown_tooth} stands behind the last natural contact of its side")
    return reasons
