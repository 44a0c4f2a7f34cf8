"""What a screw access makes doubtful, as findings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from occlusim.crown.access_tilt import STEP_MM, STEP_MM2
from occlusim.geometry.scan_check import Finding, Severity

NO_OPENING = {
    "wrong_way": "the axis of crown.access points to the root side; it has to point out of the "
    "crown, on its biting side: give the opposite direction",
    "misses": "the channel of crown.access meets no surface of the crown in front of point_mm; "
    "point_mm has to be the screw's seat, below the opening, in the crown's coordinates",
    "no_outer_wall": "the channel of crown.access leaves through the crown's inner surface only, "
    "where there is no outer wall; check point_mm and axis",
    "already_open": "the crown's mesh holds a channel already where crown.access puts one: what "
    "was there, its walls and other tilts are not known; contacts are looked for in the rim alone",
}
NOT_WHOLE = {
    "partly_outside": "only {share:.0f} % of the channel's section opens on the crown's outer "
    "surface: it leaves through a side, or the mesh has a hole there",
    "folded": "the crown's outer surface lies in more than one layer over the channel: areas count "
    "every layer",
}


def access_findings(part: Mapping[str, Any]) -> list[Finding]:
    """Return the findings of an access part of the results."""
    state = part["state"]
    if state in NO_OPENING:
        kind = "info" if state == "already_open" else "warning"
        return [Finding(kind, f"access_{state}", NO_OPENING[state], "crown"), *_contacts(part)]
    found = []
    if state in NOT_WHOLE:
        words = NOT_WHOLE[state].format(share=100 * part["opening"]["covered_share"])
        found.append(Finding("warning", f"access_{state}", words, "crown"))
    return [*found, *_contacts(part), *_wall(part["wall"]), *_tilt(part)]


def _contacts(part: Mapping[str, Any]) -> list[Finding]:
    """Return which contacts of the adjusted crown fall on the opening, or else in its rim."""
    found = []
    around = f"within {part['rim_mm']:g} mm of the opening of the screw channel"
    places: tuple[tuple[str, Severity, str], ...] = (
        ("opening", "warning", "on the opening of the screw channel"),
        ("rim", "info", around),
    )
    for place, kind, words in places:
        there = [
            f"{contact['name'].replace('_', ' ')} {contact['adjusted'][f'{place}_mm2']:.2f} mm2"
            for contact in part["contacts"]
            if (contact["adjusted"][f"{place}_mm2"] or 0.0) >= STEP_MM2
        ]
        if there:
            message = f"contacts of the adjusted crown lie {words}: {', '.join(there)}"
            found.append(Finding(kind, f"access_contact_{place}", message, "crown"))
    return found


def _wall(wall: Mapping[str, Any]) -> list[Finding]:
    if not wall["least_mm"] < wall["least_wanted_mm"]:
        return []
    words = (
        f"the wall beside the screw channel is {wall['least_mm']:.2f} mm thick at its thinnest; "
        f"{wall['least_wanted_mm']:g} mm are wanted"
    )
    return [Finding("warning", "access_thin_wall", words, "crown")]


def _tilt(part: Mapping[str, Any]) -> list[Finding]:
    """Return the better tilt, where it wins more than the steps that tilts are compared by."""
    tilt = part["tilt"]
    if tilt is None or tilt["best"]["tilt_deg"] == 0.0:
        return []
    best, gain = tilt["best"], tilt["gain"]
    won = [
        f"{value:.2f} {unit} {words}"
        for value, unit, least, words in (
            (gain["opening_mm2"], "mm2", STEP_MM2, "less contact on the opening"),
            (gain["rim_mm2"], "mm2", STEP_MM2, "less contact in its rim"),
            (gain["wall_mm"], "mm", STEP_MM, "more wall"),
        )
        if value >= least
    ]
    if not won:
        return []
    words = (
        f"tilted by {best['tilt_deg']:.0f} degrees to {best['towards']} about its seat the screw "
        f"channel would have {', '.join(won)}"
    )
    return [Finding("info", "access_tilt", words, "crown")]
