"""A case of several crowns: each one's own view of the results, and all of them side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import joined, written
from occlusim.report.summary import answer
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS


def turned_to(results: Mapping[str, Any], index: int) -> dict[str, Any]:
    """Return the results as they would be if one of a case's crowns were the only one.

    `crowns` stays, so that a report can name the others.
    """
    if not results.get("crowns"):
        return dict(results)
    own = results["crowns"][index]
    mounting = {**(results.get("mounting") or {}), "axis_effect": own["axis_effect"]}
    turned = {name: own[name] for name in ("closure", "datum", "verdict")}
    return {**results, **turned, "crown": own, "mounting": mounting}


def several_table(results: Mapping[str, Any]) -> Table | None:
    """Return all crowns of a case side by side, or None where there is only one."""
    crowns = results.get("crowns") or []
    if not crowns:
        return None
    rows = []
    for index, crown in enumerate(crowns):
        spots = crown.get("spots") or []
        deepest = max((spot["depth_um"] for spot in spots), default=None)
        after = (crown.get("after") or {}).get("n_spots")
        rows.append(
            (
                _teeth(crown),
                answer(turned_to(results, index)).headline,
                written(len(spots), "", MINUS),
                written(deepest, "um", MINUS) if spots else "",
                written(after, "", MINUS),
                f"report{_suffix(crown) if index else ''}.html",
            )
        )
    names = ("crown", "answer", "spots", "deepest", "left", "report")
    return Table(
        WORDS["several_caption"],
        tuple(WORDS[f"several_{name}"] for name in names),
        tuple(rows),
        (False, False, True, True, True, False),
    )


def further_words(results: Mapping[str, Any]) -> list[str]:
    """Return the answers of the crowns beyond the first, one line each sentence."""
    lines: list[str] = []
    for index, crown in enumerate((results.get("crowns") or [])[1:], start=1):
        found = answer(turned_to(results, index))
        lines.append(WORDS["several_next"].format(teeth=_teeth(crown), headline=found.headline))
        lines += found.body
    return lines


def _teeth(crown: Mapping[str, Any]) -> str:
    return joined([str(tooth) for tooth in crown.get("teeth") or [crown["tooth"]]])


def _suffix(crown: Mapping[str, Any]) -> str:
    return f"_{crown['tooth']}"
