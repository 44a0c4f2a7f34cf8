"""The sides of a seated crown: contacts with its neighbours, and the way to its place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.crown.location import CrownOrientation
from occlusim.crown.neighbour import NeighbourWall, neighbour_wall
from occlusim.crown.seating import CONE_DEG, Passage, SeatingPath, passage, seating_path
from occlusim.crown.sides import (
    SideContact,
    SideSettings,
    place_on_crown,
    side_contact,
    side_gaps,
)
from occlusim.crown.units import outer_neighbours
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import arch_index, tooth_step
from occlusim.pipeline.crown_stage import crown_orientation
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.record import Placed
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.units import BAND, UM, numbers

Side = Literal["mesial", "distal"]
SIDES: tuple[Side, Side] = ("mesial", "distal")

MAP_REACH_MM = 1.0
DRIFTED_MM = 0.5
"""A tooth beyond a missing one that is as near as this has drifted up and is a neighbour."""

RULE_WORDS = {
    "given": "given in the case file (crown.seating_axis)",
    "implant axis": "along the implant's axis",
    "least overlap": f"the direction, within {CONE_DEG:g} degrees of square to the occlusal plane, "
    "in which the crown passes its neighbours with the least overlap",
    "occlusal normal": "square to the occlusal plane: nothing is given, and no neighbour to pass",
}
PREPARATION = (
    "not judged: whether the crown's inner surface passes the preparation or abutment along this "
    "path is not computed"
)
SOURCES = (
    "open: natural contacts grip a metal strip of 0.05 mm (Doerfer et al. 2000, Eur J Oral Sci "
    "108:368-377); a wider gap lets it pass untouched",
    "too tight, and the overlap that is passed over on the way: from memory, laboratories set a "
    "crown to overlap its neighbours by up to some 50 um, which teeth give way to",
    "area: the crown's surface within the near gap (common practice)",
)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Which tooth stands on a side of the crown; `gone` are numbers between that do not stand."""

    side: Side
    tooth: int | None
    gone: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SideResult:
    """One side of a crown; contact and way are None where nothing could be measured."""

    neighbour: Neighbour
    contact: SideContact | None
    way: Passage | None

    @property
    def is_missing(self) -> bool:
        """Whether no tooth stands here: none is on the scan, or only one beyond a gap."""
        if self.neighbour.tooth is None:
            return True
        contact = self.contact
        is_beyond = bool(self.neighbour.gone)
        return is_beyond and (contact is None or not contact.gap_mm <= DRIFTED_MM)

    @property
    def is_known(self) -> bool:
        """Whether the least gap to a tooth that stands here is known."""
        return not self.is_missing and self.contact is not None and self.contact.is_known


@dataclass(frozen=True, slots=True)
class SidesStage:
    """The sides of a crown: its path, both contacts, and the map (V,), um, of its side gap.

    `walls` are the neighbours' as far as they could be taken: what another surface of the same
    crown is held against.
    """

    part: dict[str, Any]
    findings: tuple[Finding, ...]
    side_gap_um: Float64Array
    walls: Mapping[Side, tuple[NeighbourWall, GapField]]
    settings: SideSettings

    def again(self, crown: GapField) -> dict[str, Any]:
        """Return the contacts of the crown with another surface; null where none was known.

        `crown` is adjusted or raised, in place and frame as it was designed.
        """
        return {side: self._contact_again(side, crown) for side in SIDES}

    def _contact_again(self, side: Side, crown: GapField) -> dict[str, Any] | None:
        if self.part[side]["state"] != "measured":
            return None
        wall, field = self.walls[side]
        contact = side_contact(crown, field, wall.edge_points, self.settings)
        if not contact.is_known:
            return None
        return {
            "tightness": self.settings.tightness(contact.gap_mm),
            "gap_um": contact.gap_mm * UM,
            "near_area_mm2": contact.near_area_mm2,
        }

    def gaps_again_um(self, crown: GapField) -> Float64Array:
        """Return the side gap (V,), um, of the crown with another surface."""
        return _map_um(crown, [field for _, field in self.walls.values()])

    def changes(self, again: Mapping[str, Any], which: str) -> list[Finding]:
        """Return what is to be said of contacts that are called otherwise on another surface.

        `which` is that surface in words, such as "adjusted".
        """
        found = []
        for side in SIDES:
            now, before = again[side], self.part[side]
            if now is None or now["tightness"] == before["tightness"]:
                continue
            is_now, was = (str(one["tightness"]).replace("_", " ") for one in (now, before))
            words = (
                f"{side} side, to tooth {before['tooth']}: the {which} crown's contact is "
                f"{is_now}, {now['gap_um']:.0f} um; as designed it was {was}, "
                f"{before['gap_um']:.0f} um"
            )
            found.append(_finding("warning", "side_changed", words))
        return found


def neighbour_on(
    side: Side, teeth: Sequence[int], own: Int32Array, missing: Sequence[int]
) -> Neighbour:
    """Return the tooth that stands next to a crown on a side, stepping over what is not there.

    Parameters
    ----------
    side
        Towards the midline (and across it) or away from it.
    teeth
        ISO 3950, those of a bridge from the patient's right to left.
    own : (F,)
        Teeth of the arch's faces.
    missing
        Teeth that the case names as missing.
    """
    present = set(np.unique(own).tolist()) - set(missing) - {0, *teeth}
    gone: list[int] = []
    end, here = outer_neighbours(teeth)[SIDES.index(side)]
    # Past the midline what was mesial leads away from it: the step keeps its direction.
    step = 0 if here is None else arch_index(here) - arch_index(end)
    while here is not None and here not in present:
        gone.append(here)
        here = tooth_step(here, step)
    return Neighbour(side, here, tuple(gone))


def run_sides(inputs: Inputs, placed: Placed, crown: GapField) -> SidesStage:
    """Return the side contacts and the seating of a case's crown.

    `crown` is its field, in its arch scan's frame. The neighbours are those of its own arch's scan.

    Raises
    ------
    InputError
        If a given path of seating cannot be one.
    """
    spec, settings = inputs.crown_spec, SideSettings()
    orientation = crown_orientation(inputs, placed)
    own = placed.upper_tooth if spec.is_upper else placed.lower_tooth
    missing = [int(t) for t in inputs.case.teeth.missing]
    neighbours = [neighbour_on(side, spec.iso, own, missing) for side in SIDES]
    walls = side_by_side([partial(_wall, inputs, own, n, orientation) for n in neighbours])
    fields = [None if wall is None else GapField.build(wall.mesh, BAND) for wall in walls]
    standing = [field for field in fields if field is not None]
    implants = inputs.case.implants_of(spec)
    path = seating_path(
        spec.seating_axis,
        implants[0].axis if len(implants) == 1 else None,
        orientation.occlusal,
        crown,
        standing,
    )
    results = side_by_side([
        partial(_side, crown, neighbour, wall, field, path, settings)
        for neighbour, wall, field in zip(neighbours, walls, fields, strict=True)
    ])  # fmt: skip
    T_upper_crown = RigidTransform.identity() if spec.is_upper else placed.T_upper_lower
    part = {
        "path": {
            "direction": numbers(T_upper_crown.rotate(path.direction)),
            "rule": path.rule,
            "words": RULE_WORDS[path.rule],
            "tilt_deg": path.tilt_deg,
            "preparation": PREPARATION,
        },
        "limits": {
            "open_um": settings.open_mm * UM,
            "tight_um": settings.tight_mm * UM,
            "near_um": settings.near_mm * UM,
            "sources": list(SOURCES),
        },
    }
    vertices = inputs.crown.mesh.vertices
    findings: list[Finding] = []
    for result in results:
        one = side_part(result, vertices, orientation, T_upper_crown, settings)
        part[result.neighbour.side] = one
        findings += side_findings(result, one)
    known: dict[Side, tuple[NeighbourWall, GapField]] = {
        neighbour.side: (wall, field)
        for neighbour, wall, field in zip(neighbours, walls, fields, strict=True)
        if wall is not None and field is not None
    }
    return SidesStage(part, tuple(findings), _map_um(crown, standing), known, settings)


def _map_um(crown: GapField, walls: Sequence[GapField]) -> Float64Array:
    """Return the gap (V,), um, of a crown's vertices to the walls beside it."""
    return side_gaps(crown, walls, MAP_REACH_MM) * UM


def _wall(
    inputs: Inputs, own: Int32Array, neighbour: Neighbour, orientation: CrownOrientation
) -> NeighbourWall | None:
    if neighbour.tooth is None:
        return None
    return neighbour_wall(
        inputs.own_arch, own == neighbour.tooth, inputs.crown.mesh, orientation.occlusal
    )


def _side(
    crown: GapField,
    neighbour: Neighbour,
    wall: NeighbourWall | None,
    field: GapField | None,
    path: SeatingPath,
    settings: SideSettings,
) -> SideResult:
    if wall is None or field is None:
        return SideResult(neighbour, None, None)
    contact = side_contact(crown, field, wall.edge_points, settings)
    return SideResult(neighbour, contact, passage(crown, field, path, settings.tight_mm))


def side_part(
    result: SideResult,
    vertices: Float64Array,
    orientation: CrownOrientation,
    T_upper_crown: RigidTransform,
    settings: SideSettings,
) -> dict[str, Any]:
    """Return one side's part of the results; vertices (V, 3) are the crown's."""
    tooth, contact = result.neighbour.tooth, result.contact
    part: dict[str, Any] = {
        "state": "missing" if result.is_missing else "measured" if result.is_known else "not_known",
        "tooth": None if result.is_missing else str(tooth),
        "reason": _reason(result),
    }
    if result.is_known and contact is not None:
        place = place_on_crown(vertices, contact.point, orientation)
        part |= {
            "tightness": settings.tightness(contact.gap_mm),
            "gap_um": contact.gap_mm * UM,
            "supported_gap_um": contact.supported_gap_mm * UM,
            "near_area_mm2": contact.near_area_mm2,
            "overlap_area_mm2": contact.overlap_area_mm2,
            "overlap_volume_mm3": contact.overlap_volume_mm3,
            "point_mm": numbers(T_upper_crown.apply(contact.point)),
            "location": place.words,
            "below_top_mm": place.below_top_mm,
            "buccal_mm": place.buccal_mm,
            "at_edge_of_scan": contact.is_at_edge,
        }
    if not result.is_missing and result.way is not None:
        part["on_the_way"] = way_part(result.way, vertices, orientation, T_upper_crown)
    return part


def way_part(
    way: Passage,
    vertices: Float64Array,
    orientation: CrownOrientation,
    T_upper_crown: RigidTransform,
) -> dict[str, Any]:
    """Return what a crown meets of one neighbour on its way, for the results."""
    binds = way.greatest_mm > 0
    return {
        "greatest_overlap_um": way.greatest_mm * UM,
        "more_than_in_place_um": way.more_than_in_place_mm * UM,
        "at_height_mm": way.at_height_mm if binds else None,
        "begins_at_mm": way.begins_at_mm if binds else None,
        "take_off_um": way.take_off_mm * UM,
        "held_up_um": way.held_up_mm * UM,
        "point_mm": numbers(T_upper_crown.apply(way.point)) if binds else None,
        "location": place_on_crown(vertices, way.point, orientation).words if binds else None,
    }


def _reason(result: SideResult) -> str | None:
    """Return why a side has no answer, in words; None where it has one."""
    neighbour, contact = result.neighbour, result.contact
    gone = " and ".join(str(tooth) for tooth in neighbour.gone)
    if neighbour.tooth is None:
        if not neighbour.gone:
            return "no tooth comes after a third molar"
        return f"tooth {gone} is missing or not on the scan, and none stands beyond"
    if result.is_missing:
        how_far = "farther than can be told"
        if contact is not None and np.isfinite(contact.gap_mm):
            how_far = f"{contact.gap_mm:.1f} mm away"
        return (
            f"tooth {gone} is missing or not on the scan; the next one, {neighbour.tooth}, stands "
            f"{how_far}"
        )
    if contact is None:
        return (
            f"the scan shows no wall of tooth {neighbour.tooth} towards the crown: scan it from "
            "that side"
        )
    if not contact.is_known:
        return (
            f"nearest to the crown the wall of tooth {neighbour.tooth} was not scanned, or cannot "
            "be told from what stood in the crown's place: scan it without that, from both sides"
        )
    return None


def side_findings(result: SideResult, part: dict[str, Any]) -> list[Finding]:
    """Return what is to be said of one side, in words; `part` is its part of the results."""
    side = result.neighbour.side
    where = f"{side} side"
    if part["state"] == "missing":
        return [_finding("info", "side_missing", f"{where}: {part['reason']}")]
    found = []
    to = f"{where}, to tooth {part['tooth']}"
    if part["state"] == "not_known":
        message = f"{to}: the side contact is not known, as {part['reason']}"
        found.append(_finding("warning", "side_not_known", message))
    elif part["tightness"] == "open":
        found.append(
            _finding(
                "warning",
                "side_open",
                f"{to}: the contact is open by {part['gap_um']:.0f} um ({part['location']}); food "
                "is forced between the teeth there (food impaction): add to the crown",
            )
        )
    elif part["tightness"] == "too_tight":
        found.append(
            _finding(
                "warning",
                "side_too_tight",
                f"{to}: the crown overlaps it by {-part['gap_um']:.0f} um ({part['location']}): "
                "ease this side before the seat is judged",
            )
        )
    if part.get("at_edge_of_scan"):
        found.append(
            _finding(
                "info",
                "side_at_edge",
                f"{to}: the closest place lies where the scanned wall ends, as at the gum: below "
                "it the two may come closer",
            )
        )
    way = part.get("on_the_way")
    if way and way["take_off_um"] > 0 and way["held_up_um"] > 0:
        found.append(
            _finding(
                "warning",
                "side_binds",
                f"{to}: on its way to its place the crown overlaps it by up to "
                f"{way['greatest_overlap_um']:.0f} um, {way['at_height_mm']:.2f} mm above the "
                f"place ({way['location']}); to pass, {way['take_off_um']:.0f} um have to come off "
                f"there. It could hold the crown up by {way['held_up_um']:.0f} um at most: teeth "
                "give way, and rigid ones were reckoned with",
            )
        )
    return found


def _finding(severity: Literal["info", "warning"], code: str, message: str) -> Finding:
    return Finding(severity, code, message, "crown")
