"""The page: one file that opens without a network, prints, and escapes whatever it is given."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from occlusim.errors import OutputError
from occlusim.geometry.mesh import PaintedMesh
from occlusim.report import tables
from occlusim.report.access_tables import access_tables
from occlusim.report.colour import NO_DATA_RGB, QUANTITIES, colour_scale, css, quantity_of
from occlusim.report.figures import (
    TRACES,
    colour_bar,
    crown_figure,
    field_label,
    ordered_fields,
    shading,
    view,
)
from occlusim.report.gap_figure import gap_figure
from occlusim.report.guidance_tables import guidance_table
from occlusim.report.meshes import Orientation, ReportMeshes, in_upper_frame, thinned
from occlusim.report.motion_figures import motion_figures
from occlusim.report.motion_tables import motion_tables
from occlusim.report.numbers import numbered_spots, plain
from occlusim.report.record_tables import record_tables
from occlusim.report.sensitivity_tables import sensitivity_tables
from occlusim.report.several import several_table
from occlusim.report.side_tables import side_tables
from occlusim.report.side_texts import VISIT
from occlusim.report.summary import answer, tooth_words
from occlusim.report.words import CAUTIONS, WORDS

MAX_DRAWN_FACES = 60_000
"""Crowns of more faces are thinned for drawing; 60,000 keep the page near 10 MB."""

MAX_ANTAGONIST_FACES = 30_000


def write_report(
    path: str | Path,
    results: Mapping[str, Any],
    meshes: ReportMeshes | None,
    orientation: ArrayLike | Orientation,
) -> None:
    """Write the report of a case as one HTML file.

    Parameters
    ----------
    path : file to write; written beside and moved into place
    results : the content of ``results.json``; absent or null keys are named as not known
    meshes : what to draw, or None where there is nothing (a refused case)
    orientation : (3, 3), unit length, upper scan's coordinates
        Rows: patient's right, anterior, superior.

    Raises
    ------
    OutputError
        If the file cannot be written.
    InputError
        If the orientation is not three directions at right angles.
    """
    target = Path(path)
    page = render_report(results, meshes, orientation)
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.write_text(page, encoding="utf-8")
        beside.replace(target)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise OutputError(
            f"{target}: the report cannot be written ({error.strerror}); "
            "give a folder that exists and may be written"
        ) from error


def render_report(
    results: Mapping[str, Any],
    meshes: ReportMeshes | None,
    orientation: ArrayLike | Orientation,
) -> str:
    """Return the report of a case as the text of one HTML file; see `write_report`."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415
    from plotly.offline import get_plotlyjs  # noqa: PLC0415

    results = plain(results)
    environment = Environment(
        loader=PackageLoader("occlusim.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["signed"] = _signed
    crown = results.get("crown") or {}
    name = str(results.get("case_id") or WORDS["unknown"])
    scene, notes = _scene(results, meshes, Orientation.of(orientation))
    movements = crown.get("movements") or []
    return environment.get_template("report.html.j2").render(
        w=WORDS,
        cautions=CAUTIONS,
        visit=VISIT,
        title=WORDS["title"].format(case=name),
        tooth=tooth_words(results) or None,
        started=results.get("started"),
        answer=answer(results),
        scene=scene,
        notes=notes,
        scene_json=_json(scene),
        gaps_json=_json(json.loads(gap_figure(movements).to_json() or "{}") if movements else None),
        words_json=_json({"unknown": WORDS["unknown"]}),
        plotly_js=get_plotlyjs() if meshes is not None or movements else "",
        motion_figures=motion_figures(results.get("motion")),
        tables=_tables(results, crown),
    )


def _signed(sentence: str) -> str:
    """Return a sentence with true minus signs before its numbers."""
    return re.sub(r"(?<!\w)-(?=\d)", "\N{MINUS SIGN}", sentence)


def _tables(results: Mapping[str, Any], crown: Mapping[str, Any]) -> dict[str, Any]:
    registration = results.get("registration") or {}
    return {
        **record_tables(registration),
        **motion_tables(results.get("motion")),
        "several": several_table(results),
        "spots": tables.spot_table(crown.get("spots") or []),
        "movements": tables.movement_table(crown),
        "proof": tables.proof_table(crown),
        "mounting": tables.generic_table(
            "mounting_caption", results.get("mounting"), skip=("axis_effect",)
        ),
        **sensitivity_tables(results),
        **side_tables(results),
        **access_tables(results),
        "datum": tables.datum_table(results.get("datum")),
        "datum_pairs": tables.records_table(
            "datum_pairs_caption", (results.get("datum") or {}).get("pairs")
        ),
        "closure": tables.closure_table(results.get("closure")),
        "contacts": tables.contact_table(results.get("closure")),
        "guidance": guidance_table(results),
        "findings": tables.finding_table(results.get("findings") or []),
        "settings": tables.settings_table(results.get("settings")),
        "inputs": tables.input_table(results.get("inputs") or []),
        "versions": tables.version_table(results),
    }


def _scene(
    results: Mapping[str, Any], meshes: ReportMeshes | None, orientation: Orientation
) -> tuple[dict[str, Any] | None, list[str]]:
    """Return what the page's script needs for the crown in space, and notes for the reader."""
    from plotly.io.json import to_json_plotly  # noqa: PLC0415

    if meshes is None:
        return None, []
    posed, is_lower = in_upper_frame(results, meshes)
    notes: list[str] = []
    drawn = ReportMeshes(
        _drawn(posed.crown, MAX_DRAWN_FACES, "the_crown", notes),
        _drawn(posed.adjusted, MAX_DRAWN_FACES, "the_adjusted", notes),
        _drawn(posed.antagonist, MAX_ANTAGONIST_FACES, "the_antagonist", notes),
        posed.upper,
        posed.lower,
    )
    fields = ordered_fields(drawn.crown)
    if not fields:
        return None, notes
    spots = (results.get("crown") or {}).get("spots") or []
    numbered = numbered_spots(results)
    figure = crown_figure(drawn, numbered, orientation, is_lower=is_lower, field=fields[0])
    to_eye, up = view(orientation, is_lower=is_lower)
    return {
        "figure": json.loads(str(to_json_plotly(figure))),
        "traces": {name: k for k, name in enumerate(TRACES)},
        "crowns": _packed_crowns(drawn, orientation, is_lower=is_lower),
        "no_data": css(NO_DATA_RGB),
        "choices": [
            {"field": field, "label": field_label(field), "quantity": quantity_of(field).name}
            for field in fields
        ],
        "scales": {
            name: {
                "colorscale": colour_scale(quantity),
                "cmin": quantity.low_um,
                "cmax": quantity.high_um,
                "colorbar": colour_bar(quantity),
            }
            for name, quantity in QUANTITIES.items()
        },
        "view": {"eye": (2.0 * to_eye).tolist(), "up": up.tolist()},
        "spot_eyes": _spot_eyes(drawn.crown, spots),
    }, notes


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


def _spot_eyes(painted: PaintedMesh, spots: Any) -> dict[str, list[float]]:
    """Return from where each spot is best seen: the surface normal around it, length 2."""
    mesh, eyes = painted.mesh, {}
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
            eyes[str(spot.get("id"))] = (2.0 * normal / length).tolist()
    return eyes


def _bytes(values: Any, dtype: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=dtype).tobytes()).decode("ascii")


def _packed_crowns(
    drawn: ReportMeshes, orientation: Orientation, *, is_lower: bool
) -> dict[str, Any]:
    """Return both crowns as little-endian numbers in base64, NaN kept."""
    packed: dict[str, Any] = {}
    for name, painted in (("given", drawn.crown), ("adjusted", drawn.adjusted)):
        shade = shading(painted.mesh, orientation, is_lower=is_lower)
        packed[name] = {
            "vertices": _bytes(painted.mesh.vertices, "<f4"),
            "faces": _bytes(painted.mesh.faces, "<i4"),
            "shade": _bytes(shade, "<f4"),
            "fields": {f: _bytes(painted.fields[f], "<f4") for f in ordered_fields(painted)},
        }
    if packed["adjusted"]["faces"] == packed["given"]["faces"]:
        packed["adjusted"]["faces"] = None
    return packed


def _json(value: Any) -> str:
    """Return JSON that cannot end the script element that holds it."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
