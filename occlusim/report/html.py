"""The page: one file that opens without a network, prints, and escapes whatever it is given."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from numpy.typing import ArrayLike

from occlusim.errors import OutputError
from occlusim.report import tables
from occlusim.report.access_tables import access_tables
from occlusim.report.bite_scenes import bite_scenes
from occlusim.report.chance_words import chance_notes
from occlusim.report.colour import NO_DATA_RGB, css
from occlusim.report.contact_tables import contact_order_table
from occlusim.report.figures import LAYOUT
from occlusim.report.gap_figure import gap_figure
from occlusim.report.guidance_tables import guidance_table
from occlusim.report.kept_tables import kept_intro, kept_tables
from occlusim.report.meshes import Orientation, ReportMeshes
from occlusim.report.motion_figures import motion_figures
from occlusim.report.motion_tables import motion_tables
from occlusim.report.numbers import plain, signed
from occlusim.report.record_tables import record_tables
from occlusim.report.scene import as_json, crown_scene, scales
from occlusim.report.sensitivity_tables import sensitivity_tables
from occlusim.report.several import several_table
from occlusim.report.side_tables import side_tables
from occlusim.report.summary import answer, minor_words, tooth_words
from occlusim.report.words import CAUTIONS, VISIT, WORDS

FOLDED = (
    "spots_minor",
    "sides_path",
    "motion",
    "contact_order",
    "access_spots",
    "access_walls",
    "access_tilts",
    "registration",
    "alone",
    "halves",
    "meeting",
    "spread",
    "mounting",
    "guidance_effect",
    "sensitivity",
    "datum",
    "datum_pairs",
    "noted",
    "settings",
    "versions",
)
"""Tables that are opened by whoever asks for them."""

PRINTED = ("registration", "mounting", "datum", "settings", "versions")
"""Folded tables that paper shows all the same: what a record of the case has to hold."""


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
    environment.filters["signed"] = signed
    crown = results.get("crown") or {}
    name = str(results.get("case_id") or WORDS["unknown"])
    minor_um = [
        float(spot["depth_um"])
        for spot in crown.get("spots") or []
        if spot.get("minor") and spot.get("depth_um") is not None
    ]
    axes = Orientation.of(orientation)
    scene, notes = crown_scene(results, meshes, axes)
    bites = bite_scenes(results, meshes, axes)
    movements = crown.get("movements") or []
    gaps = json.loads(gap_figure(movements).to_json() or "{}") if movements else None
    return environment.get_template("report.html.j2").render(
        w=WORDS,
        cautions=CAUTIONS,
        visit=VISIT,
        title=WORDS["title"].format(case=name),
        tooth=tooth_words(results) or None,
        started=_moment(results.get("started")),
        answer=answer(results),
        scene=scene,
        bites=bites,
        notes=[*(chance_notes(crown) if scene else ()), *notes],
        data_json=as_json(
            {
                "scene": scene,
                "gaps": gaps,
                "bites": bites,
                "scales": scales(),
                "no_data": css(NO_DATA_RGB),
                "layout": LAYOUT,
                "words": {key: WORDS[key] for key in ("unknown", "at_least")},
            }
        ),
        plotly_js=get_plotlyjs() if scene or bites or movements else "",
        motion_figures=motion_figures(results.get("motion")),
        minor=minor_words(minor_um) if minor_um else "",
        tables=_tables(results, crown),
        folded=FOLDED,
        printed=PRINTED,
        kept_intro=kept_intro(results),
    )


def _moment(started: Any) -> str | None:
    """Return a moment as people write it; what is no ISO 8601 moment is shown as it is."""
    try:
        return f"{datetime.fromisoformat(str(started)):%Y-%m-%d, %H:%M %Z}"
    except ValueError:
        return None if started is None else str(started)


def _tables(results: Mapping[str, Any], crown: Mapping[str, Any]) -> dict[str, Any]:
    registration = results.get("registration") or {}
    spots, findings = crown.get("spots") or [], results.get("findings") or []
    return {
        **record_tables(registration),
        **motion_tables(results.get("motion")),
        "several": several_table(results),
        "spots": tables.spot_table([spot for spot in spots if not spot.get("minor")]),
        "spots_minor": tables.spot_table(
            [spot for spot in spots if spot.get("minor")], caption="minor_caption"
        ),
        "movements": tables.movement_table(crown),
        "proof": tables.proof_table(crown),
        "mounting": tables.generic_table(
            "mounting_caption", results.get("mounting"), skip=("axis_effect",)
        ),
        **sensitivity_tables(results),
        **side_tables(results),
        **access_tables(results),
        **kept_tables(results),
        "datum": tables.datum_table(results.get("datum")),
        "datum_pairs": tables.records_table(
            "datum_pairs_caption", (results.get("datum") or {}).get("pairs")
        ),
        "closure": tables.closure_table(results.get("closure")),
        "contact_order": contact_order_table(results.get("closure")),
        "contacts": tables.contact_table(results.get("closure")),
        "guidance": guidance_table(results),
        "findings": tables.finding_table([f for f in findings if f.get("severity") != "info"]),
        "noted": tables.finding_table(
            [f for f in findings if f.get("severity") == "info"], caption="noted_caption"
        ),
        "prediction": tables.generic_table("prediction_caption", results.get("prediction")),
        "settings": tables.settings_table(results.get("settings")),
        "inputs": tables.input_table(results.get("inputs") or []),
        "versions": tables.version_table(results),
    }
