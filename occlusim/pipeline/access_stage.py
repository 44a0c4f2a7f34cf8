"""The screw access of a case: the channel as given, what falls on it, and the best tilt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array, Int64Array, unit_vector
from occlusim.case import Access
from occlusim.crown.access import (
    RIM_MM,
    NoOpening,
    Opening,
    find_opening,
    least_wall_mm,
    ring_walls,
)
from occlusim.crown.access_contacts import (
    LIMIT_MM,
    Falling,
    Pressed,
    SpotFalling,
    beyond,
    clear_vertices,
    falling,
    least_gaps,
    pressed_in_movements,
    spots_falling,
)
from occlusim.crown.access_tilt import TiltFound, reached, search_tilts
from occlusim.crown.channel import SIDES, Channel, CrownShell
from occlusim.crown.clearance import tabulate
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.access_words import access_findings
from occlusim.pipeline.crown_paths import crown_path
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.units import UM, numbers

BEYOND_SHARE = 0.5
"""Movements count from half the ramp on: before it they hold the closure's own contacts."""


@dataclass(frozen=True, slots=True)
class AccessStage:
    """A crown's screw access.

    Attributes
    ----------
    spec
        What the case says of it.
    opening
        Where the channel opens, or why it does not.
    contacts
        By name of the movement or load, area (mm2) and force (N) in opening and rim, on the crown
        as designed and as adjusted.
    spots
        What of each spot falls there.
    below_mm, wall_mm
        Rings of the wall, see `ring_walls`; least_mm of all.
    grid, best
        The tilts tried and the best of them; none where no tilt is allowed or there is no opening.
    """

    spec: Access
    opening: Opening | NoOpening
    contacts: Mapping[str, Mapping[str, tuple[Falling, Falling]]]
    spots: Sequence[SpotFalling]
    below_mm: Float64Array
    wall_mm: Float64Array
    least_mm: float
    least_wanted_mm: float
    grid: tuple[TiltFound, ...]
    best: TiltFound | None
    implant_angle_deg: float | None
    stage: CrownStage

    def part(self) -> dict[str, Any]:
        """Return the access part of the crown's results."""
        T = self.stage.T_upper_crown
        opening = self.opening if isinstance(self.opening, Opening) else None
        axis = _unit(self.spec.axis)
        return {
            "state": state_of(self.opening),
            "pivot_mm": numbers(T.apply(np.array(self.spec.point_mm))),
            "axis": numbers(T.rotate(axis)),
            "diameter_mm": self.spec.diameter_mm,
            "rim_mm": RIM_MM,
            "implant_angle_deg": self.implant_angle_deg,
            "opening": None
            if opening is None
            else {
                "centroid_mm": numbers(T.apply(opening.centroid)),
                "normal": numbers(T.rotate(opening.normal)),
                "area_mm2": opening.area_mm2,
                "axis_to_normal_deg": angle_deg(axis, opening.normal),
                "covered_share": opening.whole,
                "edge_above_pivot_mm": {"least": opening.low_mm, "most": opening.high_mm},
            },
            "contacts": [
                {
                    "name": name,
                    **{
                        crown: _falling_part("mm2", area) | _falling_part("N", load)
                        for crown, (area, load) in crowns.items()
                    },
                }
                for name, crowns in self.contacts.items()
            ],
            "spots": [
                {
                    "id": spot.id,
                    **_falling_part("mm2", spot.area_mm2),
                    **_falling_part("um", spot.depth_mm, UM),
                }
                for spot in self.spots
            ],
            "wall": None if opening is None else self._wall_part(),
            "tilt": self._tilt_part(),
        }

    def _wall_part(self) -> dict[str, Any]:
        bounds = zip(self.below_mm[:-1], self.below_mm[1:], strict=True)
        first = self.wall_mm[:1]
        return {
            "least_mm": self.least_mm,
            "rim_least_mm": float(np.nanmin(first)) if np.isfinite(first).any() else None,
            "least_wanted_mm": self.least_wanted_mm,
            "rings": [
                {"from_mm": float(low), "to_mm": float(high)}
                | {f"{side}_mm": float(wall) for side, wall in zip(SIDES, row, strict=True)}
                for (low, high), row in zip(bounds, self.wall_mm, strict=True)
            ],
        }

    def _tilt_part(self) -> dict[str, Any] | None:
        if self.best is None:
            return None
        given = self.grid[0]
        return {
            "max_tilt_deg": self.spec.max_tilt_deg,
            "grid": [self._tilt(one) for one in self.grid],
            "best": self._tilt(self.best),
            "gain": {
                "opening_mm2": given.opening_mm2 - self.best.opening_mm2,
                "rim_mm2": given.rim_mm2 - self.best.rim_mm2,
                "wall_mm": self.best.wall_mm - given.wall_mm,
            },
        }

    def _tilt(self, one: TiltFound) -> dict[str, Any]:
        return {
            "tilt_deg": round(float(np.rad2deg(one.tilt_rad)), 6),
            "towards_deg": round(float(np.rad2deg(one.towards_rad)), 6),
            "towards": towards_words(one, self.stage.orientation.inner_side),
            "whole": one.is_whole,
            "opening_mm2": one.opening_mm2,
            "rim_mm2": one.rim_mm2,
            "wall_mm": one.wall_mm,
        }

    def findings(self) -> list[Finding]:
        """Return what is wrong with the access, or doubtful, in words."""
        return access_findings(self.part())


def run_access(inputs: Inputs, jaw: JawStage, crown: CrownStage) -> AccessStage | None:
    """Return a crown's screw access; None where the case names none."""
    spec = inputs.crown_spec.access
    if spec is None:
        return None
    channel = Channel(
        np.array(spec.point_mm, dtype=np.float64),
        np.array(spec.axis, dtype=np.float64),
        spec.diameter_mm / 2,
    )
    mesh = inputs.crown.mesh
    shell = CrownShell.build(mesh, crown.walls.is_outer, crown.orientation)
    opening = find_opening(shell, channel)
    implants = inputs.case.implants_of(inputs.crown_spec)
    away = [np.linalg.norm(np.subtract(spec.point_mm, i.platform_mm)) for i in implants]
    implant = implants[int(np.argmin(away))] if implants else None
    angle = None if implant is None else angle_deg(channel.axis, _unit(implant.axis))
    least_wanted_mm = inputs.crown_spec.min_thickness_mm
    nothing = np.zeros(0), np.zeros((0, len(SIDES))), float("nan")
    max_tilt_rad = float(np.deg2rad(spec.max_tilt_deg))
    near = shell.face[reached(shell, channel, max_tilt_rad)]
    pressed = pressed_on_both(inputs, jaw, crown, near)
    contacts = {
        given.name: {
            "as_designed": _both(opening, given),
            "adjusted": _both(opening, after),
        }
        for given, after in zip(pressed["as_designed"], pressed["adjusted"], strict=True)
    }
    if isinstance(opening, NoOpening):
        return AccessStage(
            spec, opening, contacts if opening.reason == "already_open" else {}, (), *nothing,
            least_wanted_mm, (), None, angle, crown,
        )  # fmt: skip
    plan = crown.plan
    spots = spots_falling(mesh, channel, opening, plan.spots, plan.clearance_mm, plan.depth_mm)
    below_mm, wall_mm = ring_walls(shell, channel, opening.high_mm)
    least_mm = least_wall_mm(shell, channel, opening.high_mm)
    grid, best = (), None
    if max_tilt_rad > 0:
        together = np.max([p.area_mm2 for p in pressed["adjusted"]], axis=0)
        grid, best = search_tilts(shell, channel, max_tilt_rad, together, least_wanted_mm)
    return AccessStage(
        spec, opening, contacts, spots, below_mm, wall_mm, least_mm, least_wanted_mm, grid, best,
        angle, crown,
    )  # fmt: skip


def pressed_on_both(
    inputs: Inputs, jaw: JawStage, crown: CrownStage, face: Int64Array
) -> dict[str, list[Pressed]]:
    """Return what presses on the crown as designed and as adjusted, closures first.

    Movements are looked at on some faces (k,) alone: the jaw is guided by the natural teeth, and
    what counts is where the crown would meet its antagonist. What presses on the adjusted crown is
    told on the faces of the crown as designed.
    """
    plan, vertices = crown.plan, inputs.crown.mesh.vertices
    from_mm = BEYOND_SHARE * inputs.case.targets.ramp_mm
    asked = np.zeros(len(vertices), dtype=np.bool_)
    asked[inputs.crown.mesh.faces[face]] = True
    paths = [path for path in jaw.run.paths if path.name != "centric"]
    if {path.name for path in paths} <= set(plan.table.names):
        table = beyond(plan.table, from_mm)
        asked &= ~clear_vertices(plan.swept, plan.table, from_mm)
    else:
        is_upper = inputs.crown_spec.is_upper
        whole = tabulate([crown_path(path, np.zeros_like, is_upper) for path in paths], vertices)
        table = beyond(whole, from_mm)
    designed, adjusted = inputs.crown.mesh, crown.adjusted.mesh
    found = {"as_designed": [*crown.first.pressed], "adjusted": [*crown.after.pressed]}
    if table is not None:
        opposing = crown.region.field
        least_mm = least_gaps(designed.vertices, opposing, table, asked)
        found["as_designed"] += pressed_in_movements(designed, table.names, least_mm)
        old = np.maximum(plan.vertex_origin, 0)
        asked = asked[old]
        asked[adjusted.faces[np.isin(plan.face_origin, face) & ~plan.face_is_whole]] = True
        is_new = plan.vertex_origin < 0
        moved = asked & (is_new | (adjusted.vertices != designed.vertices[old]).any(axis=1))
        known_mm = np.where(is_new[:, None], LIMIT_MM, least_mm[old])
        least_mm = least_gaps(adjusted.vertices, opposing, table, moved, known_mm)
        found["adjusted"] += pressed_in_movements(adjusted, table.names, least_mm)
    n_faces = len(designed.faces)
    return found | {"adjusted": [p.on(plan.face_origin, n_faces) for p in found["adjusted"]]}


def state_of(opening: Opening | NoOpening) -> str:
    """Return `found`, or the name of what is wrong with an opening."""
    if isinstance(opening, NoOpening):
        return opening.reason
    if opening.is_whole:
        return "found"
    return "partly_outside" if opening.whole < 1.0 else "folded"


def towards_words(tilt: TiltFound, inner_side: str) -> str:
    """Return the direction of a tilt in words, to the nearest of eight; empty without a tilt."""
    if tilt.tilt_rad == 0.0:
        return ""
    names = ("mesial", "mesiobuccal", "buccal", "distobuccal")
    names += ("distal", f"disto{inner_side}", inner_side, f"mesio{inner_side}")
    return names[round(float(np.rad2deg(tilt.towards_rad)) / 45.0) % 8]


def angle_deg(first: Float64Array, second: Float64Array) -> float:
    """Return the angle between two unit vectors (3,), degrees."""
    return float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(first, second)), first @ second)))


def _unit(direction: Sequence[float]) -> Float64Array:
    return unit_vector(np.array(direction, dtype=np.float64))


def _both(opening: Opening | NoOpening, pressed: Pressed) -> tuple[Falling, Falling]:
    """Return area and force in an opening and its rim; without an opening its own is not known."""
    if isinstance(opening, Opening):
        return falling(opening, pressed.area_mm2), falling(opening, pressed.load_N)
    load_N = None if pressed.load_N is None else float(opening.in_rim @ pressed.load_N)
    return Falling(None, float(opening.in_rim @ pressed.area_mm2)), Falling(None, load_N)


def _falling_part(unit: str, found: Falling, scale: float = 1.0) -> dict[str, float | None]:
    parts = {"opening": found.opening, "rim": found.rim}
    return {f"{k}_{unit}": None if v is None else v * scale for k, v in parts.items()}
