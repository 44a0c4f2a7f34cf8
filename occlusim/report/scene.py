"""What the page's script needs to draw: the crown with its antagonist, and the bite scans."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from occlusim.geometry.mesh import PaintedMesh
from occlusim.report.colour import QUANTITIES, colour_scale, quantity_of
from occlusim.report.figures import (
    TRACES,
    colour_bar,
    crown_figure,
    field_label,
    movement_choice,
    movement_of,
    ordered_fields,
    shading,
    view,
)
from occlusim.report.meshes import Orientation, ReportMeshes, in_upper_frame, thinned
from occlusim.report.numbers import numbered_spots, with_unit
from occlusim.report.words import WORDS, movement_phrase

MAX_DRAWN_FACES = 60_000
"""Meshes of more faces are thinned for drawing; 60,000 keep the page near 10 MB."""


def crown_scene(
    results: Mapping[str, Any], meshes: ReportMeshes | None, orientation: Orientation
) -> tuple[dict[str, Any] | None, list[str]]:
    """Return the crown in space for the page's script, None without one, and notes for the reader.

    Parameters
    ----------
    results : the content of ``results.json``, plain
    meshes : what to draw
    orientation : directions in the upper scan's coordinates
    """
    from plotly.io.json import to_json_plotly  # noqa: PLC0415

    if meshes is None:
        return None, []
    posed, is_lower = in_upper_frame(results, meshes)
    notes: list[str] = []
    drawn = replace(
        posed,
        crown=_drawn(posed.crown, MAX_DRAWN_FACES, "the_crown", notes),
        adjusted=_drawn(posed.adjusted, MAX_DRAWN_FACES, "the_adjusted", notes),
        antagonist=_drawn(posed.antagonist, MAX_DRAWN_FACES, "the_antagonist", notes),
    )
    fields = ordered_fields(drawn.crown)
    if not fields:
        return None, notes
    crown = results.get("crown") or {}
    numbers = movement_numbers(crown)
    figure = crown_figure(
        drawn, numbered_spots(results), orientation, is_lower=is_lower, field=fields[0]
    )
    to_eye, up = view(orientation, is_lower=is_lower)
    return {
        "figure": json.loads(str(to_json_plotly(figure))),
        "traces": {name: k for k, name in enumerate(TRACES)},
        "crowns": _packed_crowns(drawn, orientation, is_lower=is_lower),
        "antagonist": packed(drawn.antagonist),
        "poses": _poses(drawn, numbers),
        "choices": [
            {
                "field": field,
                "label": field_label(field, numbers),
                "quantity": quantity_of(field).name,
                "movement": movement_of(field),
            }
            for field in fields
        ],
        "view": {"eye": (2.0 * to_eye).tolist(), "up": up.tolist()},
        "spots": _spots(drawn.crown, crown.get("spots") or []),
    }, notes


def movement_numbers(crown: Mapping[str, Any]) -> dict[str, int]:
    """Return the number by which lines and tables know each movement, from 1."""
    movements = crown.get("movements") or []
    return {str(one.get("name")): number for number, one in enumerate(movements, start=1)}


def scales() -> dict[str, Any]:
    """Return every quantity's colours, range and number scale for the page's script."""
    return {
        name: {
            "colorscale": colour_scale(quantity),
            "cmin": quantity.low,
            "cmax": quantity.high,
            "clipped": quantity.is_clipped,
            "unit": "µm" if quantity.unit == "um" else quantity.unit,
            "perStored": quantity.per_stored,
            "digits": quantity.digits,
            "colorbar": colour_bar(quantity),
        }
        for name, quantity in QUANTITIES.items()
    }


def packed(painted: PaintedMesh) -> dict[str, Any]:
    """Return places and faces as little-endian numbers in base64."""
    return {
        "vertices": as_bytes(painted.mesh.vertices, "<f4"),
        "faces": as_bytes(painted.mesh.faces, "<i4"),
    }


def as_json(value: Any) -> str:
    """Return JSON that cannot end the script element that holds it."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _poses(drawn: ReportMeshes, numbers: Mapping[str, int]) -> list[dict[str, Any]]:
    poses = []
    for pose in drawn.poses:
        label = WORDS["antagonist_light"]
        if pose.name != "light":
            label = WORDS["antagonist_at"].format(
                movement=movement_choice(pose.name, numbers), step=with_unit(pose.at_mm, "mm")
            )
        matrix = pose.T_posed_drawn.matrix[:3].ravel().tolist()
        poses.append({"name": pose.name, "label": label, "matrix": matrix})
    return poses


def _drawn(painted: PaintedMesh, max_faces: int, name: str, notes: list[str]) -> PaintedMesh:
    result = thinned(painted, max_faces)
    if result is not painted:
        notes.append(
            WORDS["thinned_note"].format(
                drawn=f"{len(result.mesh.faces):,}",
                given=f"{len(painted.mesh.faces):,}",
                mesh=WORDS[name],
            )
        )
    return result


def _spots(painted: PaintedMesh, spots: Any) -> dict[str, dict[str, Any]]:
    """Return of each spot from where it is best seen (the normal around it, length 2), in words."""
    mesh, found = painted.mesh, {}
    vectors = mesh.face_vectors()
    centres = mesh.vertices[mesh.faces].mean(axis=1)
    for spot in spots:
        if spot.get("centroid_mm") is None:
            continue
        near = (
            np.linalg.norm(centres - np.array(spot["centroid_mm"], dtype=np.float64), axis=1) < 0.5
        )
        normal = vectors[near].sum(axis=0)
        length = float(np.linalg.norm(normal))
        if length > 0:
            found[str(spot.get("id"))] = {
                "eye": (2.0 * normal / length).tolist(),
                "movement": str(spot.get("movement")),
                "words": WORDS["spot_seen"].format(
                    id=spot.get("id"),
                    place=spot.get("location") or WORDS["place_unknown"],
                    depth=with_unit(spot.get("depth_um"), "um"),
                    movement=movement_phrase(str(spot.get("movement"))),
                ),
            }
    return found


def as_bytes(values: Any, dtype: str) -> str:
    """Return numbers of a dtype such as ``<f4`` in base64."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=dtype).tobytes()).decode("ascii")


def _packed_crowns(
    drawn: ReportMeshes, orientation: Orientation, *, is_lower: bool
) -> dict[str, Any]:
    """Return both crowns with shade and fields, NaN kept."""
    crowns: dict[str, Any] = {}
    for name, painted in (("given", drawn.crown), ("adjusted", drawn.adjusted)):
        shade = shading(painted.mesh, *view(orientation, is_lower=is_lower))
        crowns[name] = {
            **packed(painted),
            "shade": as_bytes(shade, "<f4"),
            "fields": {f: as_bytes(painted.fields[f], "<f4") for f in ordered_fields(painted)},
        }
    if crowns["adjusted"]["faces"] == crowns["given"]["faces"]:
        crowns["adjusted"]["faces"] = None
    return crowns
