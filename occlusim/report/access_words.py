"""The screw access in sentences, for the answer on the screen and on top of the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.report.numbers import with_unit
from occlusim.report.words import WORDS, movement_label

LEAST_MM2 = 0.05
"""Contacts of less are not named in words: they are not told from noise."""


def access_sentences(results: Mapping[str, Any]) -> list[str]:
    """Return in words what falls on the screw access, and whether another tilt does better."""
    access = (results.get("crown") or {}).get("access")
    if not access:
        return []
    state = str(access.get("state"))
    said = [] if state == "found" else [WORDS[f"access_{state}"]]
    for place in ("opening", "rim"):
        there = _pressed(access, place)
        if there:
            said.append(WORDS[f"access_on_{place}"].format(contacts=", ".join(there)))
    if not said and state == "found":
        said.append(WORDS["access_clear"].format(rim=with_unit(access.get("rim_mm"), "mm")))
    wall = access.get("wall") or {}
    if wall.get("least_mm") is not None:
        words = WORDS["access_wall"].format(
            least=with_unit(wall["least_mm"], "mm"),
            wanted=with_unit(wall.get("least_wanted_mm"), "mm"),
        )
        said.append(words)
    best = (access.get("tilt") or {}).get("best")
    if best:
        said.append(_best_words(best))
    return said


def _pressed(access: Mapping[str, Any], place: str) -> list[str]:
    """Return the contacts of the adjusted crown that count in a place, with their areas."""
    found = []
    for contact in access.get("contacts") or []:
        area_mm2 = (contact.get("adjusted") or {}).get(f"{place}_mm2")
        if area_mm2 is not None and area_mm2 >= LEAST_MM2:
            found.append(f"{contact_label(contact)} {with_unit(area_mm2, 'mm2')}")
    return found


def _best_words(best: Mapping[str, Any]) -> str:
    values = {
        "opening": with_unit(best.get("opening_mm2"), "mm2"),
        "rim": with_unit(best.get("rim_mm2"), "mm2"),
        "wall": with_unit(best.get("wall_mm"), "mm"),
    }
    if not best.get("tilt_deg"):
        return WORDS["access_as_given"].format(**values)
    tilt = f"{best['tilt_deg']:.0f}°"
    return WORDS["access_best"].format(tilt=tilt, towards=best.get("towards"), **values)


def contact_label(contact: Mapping[str, Any]) -> str:
    """Return a contact of the screw access by its load or movement, for tables and sentences."""
    name = str(contact.get("name"))
    return WORDS[f"access_{name}"] if name in ("light", "heavy") else movement_label(name)
