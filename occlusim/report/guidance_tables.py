"""Which teeth guide each movement, and what the crown changes of it, as a table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from occlusim.report.numbers import with_unit
from occlusim.report.tables import Table
from occlusim.report.words import WORDS, movement_label

MOST_PAIRS = 3


def guidance_table(results: Mapping[str, Any]) -> Table | None:
    """Return per movement the pairs that carry most, and the crown's lift, or None."""
    with_crown = {
        str(one.get("name")): one for one in (results.get("crown") or {}).get("guidance") or []
    }
    rows = [
        (
            movement_label(str(movement.get("name"))),
            _guides(movement.get("steps") or []),
            *_crown(with_crown.get(str(movement.get("name")))),
        )
        for movement in results.get("guidance") or []
    ]
    if not rows:
        return None
    columns = ("col_movement", "col_guides", "col_lift", "col_takes_over")
    return Table(
        WORDS["guidance_caption"],
        tuple(WORDS[name] for name in columns),
        tuple(rows),
        (False, False, True, True),
    )


def _guides(steps: Sequence[Mapping[str, Any]]) -> str:
    """Return the pairs that carry most at some step, with the share of the steps, in words."""
    first = Counter(
        f"{pair.get('upper_tooth') or '?'}/{pair.get('lower_tooth') or '?'}"
        for step in steps
        for pair in (step.get("pairs") or [])[:1]
    )
    return ", ".join(
        WORDS["guide_share"].format(pair=pair, percent=round(100 * n / len(steps)))
        for pair, n in first.most_common(MOST_PAIRS)
    )


def _crown(found: Mapping[str, Any] | None) -> tuple[str, str]:
    """Return the crown's lift and from where on it carries more than half."""
    if found is None or found.get("problem"):
        return WORDS["unknown"], WORDS["unknown"]
    takes = found.get("takes_over_from_mm")
    lift = found.get("lift_um") or 0.0
    return (
        with_unit(lift, "um") if found.get("steps") else WORDS["touches_nothing"],
        WORDS["not_at_all"] if takes is None else with_unit(takes, "mm"),
    )
