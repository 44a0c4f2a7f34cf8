"""The bite record in plain words: what the screen says after a registration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import joined, plain, with_unit
from occlusim.report.words import WORDS

LEAST_P = 0.001
"""Smaller probabilities are written as less than this."""


def record_words(results: Mapping[str, Any]) -> str:
    """Return a bite record in plain words, one sentence a line.

    A refused record gets its reasons and advice, and no number of a pose.
    """
    results = plain(results)
    record = results.get("registration") or {}
    state = record.get("state")
    name = str(results.get("case_id") or "")
    lines = [f"{name}: {WORDS.get(f'record_{state}', WORDS['sure_unknown'])}".removeprefix(": ")]
    reasons = record.get("reasons") or []
    if reasons:
        lines.append(WORDS["record_because"])
        lines += [f"- {WORDS['record_reason'].format(**reason)}" for reason in reasons]
    if state != "refused":
        if not record.get("bites"):
            lines.append(WORDS["record_given"])
        lines += [*_spread(record), *_sides(record), *_contact(record)]
    lines += [*_bites(record), *_retruded(results.get("retruded") or {})]
    lines += [
        WORDS["noticed"].format(message=str(finding["message"]).rstrip("."))
        for finding in results.get("findings") or []
        if finding.get("severity") != "info"
        and finding.get("message") not in [reason["message"] for reason in reasons]
    ]
    if state != "refused":
        lines.append(WORDS["confirm_record"])
    return "\n".join(lines)


def place_words(name: str, record: Mapping[str, Any]) -> str:
    """Return what a place is called: the crown with its tooth, a tooth's number, the last tooth."""
    tooth = ((record.get("uncertainty") or {}).get(name) or {}).get("tooth")
    if name == "crown":
        return WORDS["the_crown_of"].format(tooth=tooth)
    if name == "record_middle":
        return WORDS["the_record_middle"]
    return tooth or WORDS[f"last_tooth_{name.split('_')[0]}"]


def told_places(record: Mapping[str, Any]) -> list[str]:
    """Return the names of the places to speak of: a molar that is the crown is not said twice."""
    places = record.get("uncertainty") or {}
    crown = (places.get("crown") or {}).get("tooth")
    return [n for n, at in places.items() if n == "crown" or at.get("tooth") != crown or not crown]


def _spread(record: Mapping[str, Any]) -> list[str]:
    sentences = []
    for name in told_places(record):
        spread = record["uncertainty"][name]
        kind = "record_place" if "height_um" in spread else "record_place_plain"
        values = {
            key.removesuffix("_um"): with_unit(value, "um")
            for key, value in spread.items()
            if key.endswith("_um")
        }
        sentences.append(WORDS[kind].format(place=place_words(name, record), **values))
    if record.get("weakest_direction"):
        sentences.append(WORDS["record_weakest"].format(motion=record["weakest_direction"]))
    if sentences and record.get("bites"):
        sentences.append(WORDS["record_noise_alone"])
    return sentences


def _sides(record: Mapping[str, Any]) -> list[str]:
    consistency = record.get("consistency") or {}
    sentences = []
    for alone in consistency.get("alone") or []:
        places = [
            WORDS["record_alone_place"].format(
                place=place_words(name, record),
                shift=with_unit(alone["at"][name]["shift_um"], "um"),
                sigma=with_unit(alone["at"][name]["expected_sigma_um"], "um"),
            )
            for name in told_places(record)
            if name in alone["at"]
        ]
        side = WORDS.get(f"record_side_{alone.get('side')}", alone["file"])
        if places:
            sentences.append(WORDS["record_alone"].format(side=side, places=joined(places)))
    test = consistency.get("one_pose")
    if test:
        p = test["p_value"]
        if test["within_noise"]:
            sentences.append(WORDS["record_one_pose"].format(p=f"{p:.2g}"))
        else:
            words = f"= {p:.2g}" if p >= LEAST_P else f"< {LEAST_P:g}"
            sentences.append(WORDS["record_not_one_pose"].format(p=words))
    return sentences


def _contact(record: Mapping[str, Any]) -> list[str]:
    contact = record.get("contact") or {}
    gap_um = contact.get("supported_gap_um")
    if contact.get("state") != "meets" or gap_um is None:
        return []
    how = WORDS["record_overlap" if gap_um < 0 else "record_apart"]
    return [WORDS["record_meets"].format(how=how.format(value=with_unit(abs(gap_um), "um")))]


def _retruded(part: Mapping[str, Any]) -> list[str]:
    """Return what is said of a retruded record that can be used; a finding tells of any other."""
    state = part.get("state")
    if state not in ("accepted", "doubtful"):
        return []
    way_mm = part.get("condyle_way_mm")
    way = WORDS["retruded_no_way"]
    if way_mm is not None:
        way = WORDS["retruded_way"].format(way=with_unit(way_mm, "mm"))
    return [WORDS[f"retruded_{state}"].format(way=way)]


def _bites(record: Mapping[str, Any]) -> list[str]:
    return [
        WORDS["record_bite"].format(
            file=bite["file"],
            side=WORDS[f"shows_{bite.get('side') or 'unknown'}"],
            upper=f"{bite['area_upper_mm2']:.0f}",
            lower=f"{bite['area_lower_mm2']:.0f}",
            rms=with_unit(bite["rms_um"], "um"),
        )
        for bite in record.get("bites") or []
    ]
