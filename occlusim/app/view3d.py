"""The 3D view of a file: what it is, where it ends, and the points that were set on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from occlusim.app.english import LABELS, WORDS
from occlusim.app.previews import Preview
from occlusim.app.store import ROLES
from occlusim.arrays import Float64Array
from occlusim.geometry.mesh import TriangleMesh
from occlusim.report.colour import SURFACE_RGB, css
from occlusim.report.figures import shading

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

SURFACE, BORDER = "surface", "border"
INK, POINT = "#1d2733", "#731f85"


def scan_figure(
    place: str,
    preview: Preview,
    points: Mapping[str, Sequence[float]] | None = None,
    arch: Preview | None = None,
    *,
    is_lower: bool = False,
) -> Figure:
    """Return the figure of a file.

    Parameters
    ----------
    place
        The file's place, such as ``upper``; the view is kept while it stays the same.
    preview
    points
        Points to show by setting, (3,) each, mm, in the file's coordinates.
    arch
        The arch in whose coordinates the file is: it is looked at as that is.
    is_lower
        Draw it with the front below, as in the report.
    """
    import plotly.graph_objects as go  # noqa: PLC0415

    x, y, z = preview.vertices.T
    i, j, k = preview.faces.T
    shape = arch or preview
    eye, up = facing(TriangleMesh(shape.vertices, shape.faces))
    up = -up if is_lower else up
    shade = shading(TriangleMesh(preview.vertices, preview.faces), eye, up)
    # A scene of its own for every place: a scene that is drawn anew keeps its old camera.
    number = ROLES.index(place) + 1
    scene = "scene" if number == 1 else f"scene{number}"
    figure = go.Figure(
        [
            go.Mesh3d(
                x=x,
                y=y,
                z=z,
                i=i,
                j=j,
                k=k,
                scene=scene,
                name=SURFACE,
                intensity=shade,
                cmin=0.0,
                cmax=1.0,
                colorscale=[[0.0, "#000000"], [1.0, css(SURFACE_RGB)]],
                showscale=False,
                lighting={"ambient": 1.0, "diffuse": 0.0, "specular": 0.0, "fresnel": 0.0},
                hoverlabel={"bgcolor": "#ffffff", "font": {"color": INK}},
                hovertemplate="%{x:.2f}, %{y:.2f}, %{z:.2f} mm<extra></extra>",
            ),
            go.Scatter3d(
                **dict(zip("xyz", preview.borders.T, strict=True)),
                scene=scene,
                mode="lines",
                name=WORDS["view_borders"],
                line={"color": INK, "width": 3},
                hoverinfo="skip",
            ),
        ]
    )
    for key, place_mm in (points or {}).items():
        figure.add_scatter3d(
            **{axis: [value] for axis, value in zip("xyz", place_mm, strict=True)},
            scene=scene,
            mode="markers+text",
            text=[LABELS[key][0].removesuffix(" (mm)")],
            textposition="top center",
            marker={"color": POINT, "size": 6, "symbol": "diamond"},
            hoverinfo="skip",
        )
    hidden = {"visible": False, "showspikes": False}
    looked_at = {
        scene: {
            "xaxis": hidden,
            "yaxis": hidden,
            "zaxis": hidden,
            "aspectmode": "data",
            "camera": {
                "eye": dict(zip("xyz", (1.6 * eye).tolist(), strict=True)),
                "up": dict(zip("xyz", up.tolist(), strict=True)),
                "projection": {"type": "orthographic"},
            },
        }
    }
    figure.update_layout(
        looked_at,
        margin={"l": 0, "r": 0, "t": 0, "b": 0},
        paper_bgcolor="#ffffff",
        showlegend=False,
        uirevision=place,
        clickmode="event",
    )
    return figure


def facing(mesh: TriangleMesh) -> tuple[Float64Array, Float64Array]:
    """Return from where a scan is looked at, and what is up: unit directions (3,).

    The area vectors of an open surface sum to the direction that its opening is covered from: for
    an arch, from the biting side. Up is towards the front teeth: the end of the arch that lies in
    the middle, where the other end lies at both sides. A closed surface has no such sum and is
    looked at along z.
    """
    total = mesh.face_vectors().sum(axis=0)
    length = float(np.linalg.norm(total))
    if length < 0.05 * 2.0 * float(mesh.face_areas().sum()):
        return np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    eye = total / length
    flat = mesh.vertices - mesh.vertices.mean(axis=0)
    flat = flat - np.outer(flat @ eye, eye)
    _, _, axes = np.linalg.svd(flat[:: max(1, len(flat) // 5000)], full_matrices=False)
    ways = [_to_the_middle(flat @ axes[k], flat @ axes[1 - k]) for k in (0, 1)]
    best = int(np.argmax(np.abs(ways)))
    up = axes[best] * (1.0 if ways[best] >= 0 else -1.0)
    up -= (up @ eye) * eye
    return eye, up / np.linalg.norm(up)


def _to_the_middle(along: Float64Array, across: Float64Array) -> float:
    """Return how much nearer to the middle (mm) the far end of a direction lies than the other."""
    low, high = np.quantile(along, [0.1, 0.9])
    middle = 0.5 * (across.min() + across.max())
    aside = np.abs(across - middle)
    return float(aside[along <= low].mean() - aside[along >= high].mean())


def clicked_point(click: Mapping[str, Any] | None) -> list[float] | None:
    """Return the place (3,) of a click on the surface, mm, or None for a click elsewhere."""
    points = (click or {}).get("points") or []
    if not points or points[0].get("curveNumber") != 0:
        return None
    try:
        return [round(float(points[0][axis]), 4) for axis in "xyz"]
    except (KeyError, TypeError, ValueError):
        return None
