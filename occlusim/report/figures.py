"""Plotly figure of the crown in space, and how a crown is seen and shaded anywhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.report.colour import (
    SURFACE_RGB,
    Quantity,
    colour_scale,
    css,
    quantity_of,
)
from occlusim.report.labels import label_points
from occlusim.report.meshes import Orientation, ReportMeshes
from occlusim.report.words import WORDS, movement_label

INK = "#1d2733"
PAPER = "#ffffff"
TRACES = ("crown", "scale", "antagonist")
"""Order of the traces of `crown_figure`; the page's script relies on it."""

LAYOUT: Mapping[str, Any] = {
    "margin": {"l": 0, "r": 0, "t": 0, "b": 0},
    "paper_bgcolor": PAPER,
    "showlegend": False,
    "font": {"color": INK, "size": 13},
    "hoverlabel": {"bgcolor": INK, "font": {"color": PAPER, "size": 16}},
}
"""What every plot in space has in common."""

MARGIN_MM = 2.5
SPAN = 1.9
"""Longest side of a scene in the drawing library's units; a plot is 2.1 high."""

PLOT_HEIGHT_PX = 544.0
"""Of the crown's plot on the page; where it is lower, numbers stand a little further out."""

LEAST_SHADE = 0.66
"""Colours carry numbers, so shading may only hint at the form: never darker than this."""


FIELDS = (
    "clearance_um",
    "gap_um",
    "reduction_um",
    "raise_um",
    "raise_uniform_um",
    "thickness_um",
    "probability_high",
    "side_gap_um",
)
"""What a crown is coloured by, in order; each movement's clearance follows the first."""


def field_label(field: str, numbers: Mapping[str, int]) -> str:
    """Return the name of a vertex field for the list of choices; `numbers` are the movements'."""
    if field in FIELDS:
        return WORDS[f"show_{field.removesuffix('_um')}"]
    return WORDS["show_movement"].format(movement=movement_choice(movement_of(field), numbers))


def movement_choice(movement: str, numbers: Mapping[str, int]) -> str:
    """Return a movement with its number, as lines and tables name it."""
    label = movement_label(movement)
    return f"{numbers[movement]} {label}" if movement in numbers else label


def movement_of(field: str) -> str:
    """Return the movement of a field such as ``clearance_protrusion_um``; "" where it has none."""
    if field in FIELDS or not field.startswith("clearance_"):
        return ""
    return field.removeprefix("clearance_").removesuffix("_um")


def ordered_fields(painted: PaintedMesh) -> list[str]:
    """Return the fields to choose from: `FIELDS`, each movement's after that of all of them."""
    of_movements = [name for name in painted.fields if movement_of(name)]
    ordered = [FIELDS[0], *of_movements, *FIELDS[1:]]
    return [name for name in ordered if name in painted.fields]


def colour_bar(quantity: Quantity) -> dict[str, Any]:
    """Return a number scale for a quantity as plotly's colour bar."""
    return {
        "title": {"text": WORDS[f"scale_{quantity.name}"] + "<br>&nbsp;", "side": "top"},
        "tickvals": list(quantity.ticks),
        "ticktext": quantity.tick_words(),
        "len": 0.8,
        "thickness": 18,
        "outlinewidth": 1,
        "outlinecolor": INK,
        "ticks": "outside",
    }


def crown_figure(
    meshes: ReportMeshes,
    spots: Sequence[Mapping[str, Any]],
    orientation: Orientation,
    *,
    is_lower: bool,
    field: str,
) -> dict[str, Any]:
    """Return the crown in space, coloured by one of its fields, as a figure's plain description.

    Plain, because the drawing library's own objects check every number one by one.

    Parameters
    ----------
    meshes : all in the upper scan's coordinates, mm
    spots : as in ``results.json``; a spot without ``centroid_mm`` gets no number
    orientation : directions in the upper scan's coordinates
    is_lower : whether the crown is seen from above (lower jaw) or from below (upper jaw)
    field : a vertex field of the crown
    """
    crown, quantity = meshes.crown, quantity_of(field)
    to_eye, up = view(orientation, is_lower=is_lower)
    # The page's script fills both meshes' places, colours and hover from the packed numbers.
    traces = [
        {
            "type": "mesh3d",
            "hovertemplate": "%{text}<extra></extra>",
            "lighting": {"ambient": 1.0, "diffuse": 0.0, "specular": 0.0, "fresnel": 0.0},
            "name": "crown",
        },
        _scale(crown.mesh.vertices.mean(axis=0), quantity),
        {
            "type": "mesh3d",
            "color": css(SURFACE_RGB),
            "opacity": 0.4,
            "hoverinfo": "skip",
            "visible": False,
            "name": "antagonist",
        },
    ]
    scene = still_scene(crown.mesh.vertices, to_eye - 0.35 * up, up)
    # Words in a scene's own letters take the drawing library longer than the crown itself.
    scene["annotations"] = [
        *_spot_numbers(spots, crown.mesh.vertices, to_eye, up),
        *_direction_words(crown.mesh.vertices, orientation, is_lower=is_lower),
    ]
    return {"data": traces, "layout": {**LAYOUT, "scene": scene, "uirevision": "kept"}}


def shading(mesh: TriangleMesh, to_eye: Float64Array, up: Float64Array) -> Float64Array:
    """Return a factor (V,) from `LEAST_SHADE` to 1 that hints at the form of a surface.

    Seen from `to_eye` (3,) with `up` (3,) up on the picture, unit vectors. Baked into the vertex
    colours, lit from the eye and a little from the upper left of the picture: the drawing library's
    own light turns against the surface when the view turns.
    """
    left = np.cross(to_eye, up)
    light = to_eye + 0.45 * up + 0.45 * left
    vectors = mesh.face_vectors()
    normals = np.stack(
        [
            sum(np.bincount(mesh.faces[:, c], vectors[:, k], len(mesh.vertices)) for c in range(3))
            for k in range(3)
        ],
        axis=1,
    )
    length = np.maximum(np.linalg.norm(normals, axis=1), 1e-30)
    cosine = normals @ (light / np.linalg.norm(light)) / length
    return LEAST_SHADE + (1.0 - LEAST_SHADE) * np.clip(cosine, 0.0, 1.0)


def view(orientation: Orientation, *, is_lower: bool) -> tuple[Float64Array, Float64Array]:
    """Return unit directions (3,): from the crown to the eye, and up on the picture.

    The biting surface is seen as the clinician sees it who faces the patient: patient's right on
    the left, the front away from the other arch.
    """
    if is_lower:
        return orientation.superior, -orientation.anterior
    return -orientation.superior, orientation.anterior


def _xyz(vector: Float64Array) -> dict[str, float]:
    return {axis: float(vector[k]) for k, axis in enumerate("xyz")}


def still_scene(
    vertices: Float64Array, to_eye: Float64Array, up: Float64Array, span: float = SPAN
) -> dict[str, Any]:
    """Return plotly's scene around vertices (n, 3), in parallel projection, without axes.

    `span` is as `SPAN` says. The axes are there, with nothing of them drawn: those that are
    hidden have their letters cut into triangles all the same.
    """
    low, high = vertices.min(axis=0) - MARGIN_MM, vertices.max(axis=0) + MARGIN_MM
    extent = high - low
    hidden = {
        "title": {"text": ""},
        "tickmode": "array",
        "tickvals": [],
        **dict.fromkeys(
            (
                "showticklabels",
                "showgrid",
                "zeroline",
                "showline",
                "showbackground",
                "showspikes",
            ),
            False,
        ),
    }
    scene: dict[str, Any] = {
        f"{axis}axis": hidden | {"range": [float(low[k]), float(high[k])]}
        for k, axis in enumerate("xyz")
    }
    scene["aspectmode"] = "manual"
    scene["aspectratio"] = _xyz(span * extent / extent.max())
    scene["camera"] = {
        "eye": _xyz(2.0 * to_eye / np.linalg.norm(to_eye)),
        "up": _xyz(up),
        "center": _xyz(np.zeros(3)),
        "projection": {"type": "orthographic"},
    }
    scene["dragmode"] = "orbit"
    return scene


def _scale(middle: Float64Array, quantity: Quantity) -> Any:
    """Return a trace that draws nothing but the number scale: a triangle without extent."""
    return {
        "type": "mesh3d",
        **{axis: [float(middle[k])] * 3 for k, axis in enumerate("xyz")},
        "i": [0],
        "j": [1],
        "k": [2],
        "intensity": [0.0, 0.0, 0.0],
        "colorscale": colour_scale(quantity),
        "cmin": quantity.low,
        "cmax": quantity.high,
        "colorbar": colour_bar(quantity),
        "showscale": True,
        "opacity": 0.0,
        "hoverinfo": "skip",
        "name": "scale",
    }


def _spot_numbers(
    spots: Sequence[Mapping[str, Any]],
    vertices: Float64Array,
    to_eye: Float64Array,
    up: Float64Array,
) -> list[dict[str, Any]]:
    """Return a number for each spot with a place, beside it and tied to it by a line."""
    placed = [spot for spot in spots if spot.get("centroid_mm") is not None]
    places = np.array([spot["centroid_mm"] for spot in placed], dtype=np.float64).reshape(-1, 3)
    beside_mm = label_points(places, vertices, to_eye) - places
    px_per_mm = PLOT_HEIGHT_PX / 2.1 * SPAN / (np.ptp(vertices, axis=0).max() + 2.0 * MARGIN_MM)
    to_right = beside_mm @ np.cross(up, to_eye) * px_per_mm
    to_top = beside_mm @ up * px_per_mm
    return [
        {
            **_xyz(places[k] + 0.15 * to_eye),
            "name": str(spot.get("id")),
            "text": f"<b>{spot.get('id')}</b>",
            "ax": float(to_right[k]),
            "ay": -float(to_top[k]),
            "font": {"color": PAPER, "size": 13},
            "bgcolor": INK,
            "bordercolor": PAPER,
            "borderwidth": 1,
            "borderpad": 3,
            "width": 16,
            "arrowhead": 6,
            "arrowsize": 1,
            "arrowwidth": 2,
            "arrowcolor": INK,
        }
        for k, spot in enumerate(placed)
    ]


def _direction_words(
    vertices: Float64Array, orientation: Orientation, *, is_lower: bool
) -> list[dict[str, Any]]:
    """Return the words around a crown that say where its patient's sides are."""
    to_eye, up = view(orientation, is_lower=is_lower)
    middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
    height = float(((vertices - middle) @ to_eye).mean())
    annotations = []
    for direction, plus, minus in (
        (orientation.right, "direction_right", "direction_left"),
        (orientation.anterior, "direction_front", "direction_back"),
    ):
        along = (vertices - middle) @ direction
        for sign, word, reach in ((1.0, plus, along.max()), (-1.0, minus, -along.min())):
            # Seen a little from below, the crown's wall stands out under its outline.
            beside_mm = 2.3 if sign * direction @ up < -0.5 else 1.3
            place = middle + sign * (reach + beside_mm) * direction + height * to_eye
            annotations.append(
                {
                    **_xyz(place),
                    "text": WORDS[word],
                    "showarrow": False,
                    "font": {"color": "#5a6572", "size": 13},
                }
            )
    return annotations
