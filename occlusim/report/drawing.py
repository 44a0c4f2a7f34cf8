"""The child process that draws: ``python -m occlusim.report.drawing FOLDER``.

Reads ``scene.json`` and ``meshes.npz`` as `occlusim.report.pictures` hands them over and writes PNG
files beside them. It may be ended by the drawing library at any time; nobody imports it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.report.colour import (
    GAP,
    N_STEPS,
    NO_DATA_RGB,
    REDUCTION,
    SURFACE_RGB,
    Quantity,
    paint,
)
from occlusim.report.figures import INK, PAPER, shading, view
from occlusim.report.labels import label_points
from occlusim.report.meshes import Orientation
from occlusim.report.mounting_picture import draw_mounting, has_mounting
from occlusim.report.words import WORDS

SIZE = (1600, 1200)
WIDE = (2200, 1000)
WIDE_ASPECT = WIDE[0] / 2.28 / WIDE[1]


def draw_trial(folder: Path) -> None:
    """Draw one sphere, to learn whether drawing works at all."""
    import pyvista as pv  # noqa: PLC0415

    plotter = pv.Plotter(off_screen=True, window_size=[64, 64])
    plotter.add_mesh(pv.Sphere())
    plotter.screenshot(folder / "trial.png")
    plotter.close()


def draw_case(folder: Path, scene: dict[str, Any]) -> None:
    """Draw the crown before and after, what to take off, both arches and the mounting."""
    meshes = _read_meshes(folder / "meshes.npz")
    orientation = Orientation.of(scene["orientation"])
    is_lower, spots = bool(scene["is_lower"]), scene["spots"]
    crowns = (
        ("crown_before", "crown", "gap_um", GAP, spots, "picture_before"),
        ("crown_after", "adjusted", "gap_um", GAP, [], "picture_after"),
        ("crown_reduction", "crown", "reduction_um", REDUCTION, spots, "picture_reduction"),
    )
    for name, mesh, field, quantity, numbers, title in crowns:
        if field not in meshes[mesh].fields:
            continue
        plotter = _plotter(SIZE)
        _add(plotter, meshes[mesh], field, quantity, orientation, is_lower=is_lower)
        vertices = meshes[mesh].mesh.vertices
        _add_numbers(plotter, numbers, vertices, orientation, is_lower=is_lower)
        _look(plotter, vertices, orientation, is_lower=is_lower, aspect=SIZE[0] / SIZE[1])
        _finish(plotter, WORDS[title], quantity, folder / f"{name}.png")
    _draw_arches(folder / "arches.png", meshes, scene["contacts"], orientation, is_lower=is_lower)
    if has_mounting(scene["mounting"]):
        draw_mounting(folder / "mounting.png", meshes, scene["mounting"])


def _draw_arches(
    path: Path,
    meshes: dict[str, PaintedMesh],
    contacts: list[list[float]],
    orientation: Orientation,
    *,
    is_lower: bool,
) -> None:
    """Draw both arches, the crown in its own (`is_lower`: the lower), contacts as rings."""
    plotter = _plotter(WIDE, column_shares=[25, 25, 7])
    points = np.array(contacts, dtype=np.float64).reshape(-1, 3)
    for column, name in enumerate(("upper", "lower")):
        plotter.subplot(0, column)
        from_above = name == "lower"
        shown = (name, "crown") if from_above == is_lower else (name,)
        for mesh, nothing in zip(shown, (SURFACE_RGB, NO_DATA_RGB), strict=False):
            _add(
                plotter,
                meshes[mesh],
                "gap_um",
                GAP,
                orientation,
                is_lower=from_above,
                nothing=nothing,
            )
        if len(points):
            to_eye, _ = view(orientation, is_lower=from_above)
            for colour, size, nearer_mm in ((INK, 14, 15.0), (PAPER, 6, 20.0)):
                plotter.add_points(
                    points + nearer_mm * to_eye,
                    color=colour,
                    point_size=size,
                    render_points_as_spheres=True,
                )
        vertices = meshes[name].mesh.vertices
        _look(plotter, vertices, orientation, is_lower=from_above, aspect=WIDE_ASPECT)
        plotter.add_text(WORDS[f"picture_{name}"], color=INK, font_size=15, position="upper_left")
    plotter.subplot(0, 2)
    _add_scale(plotter, GAP, left=0.35, width=0.25)
    plotter.screenshot(path)
    plotter.close()


def _read_meshes(path: Path) -> dict[str, PaintedMesh]:
    with np.load(path, allow_pickle=False) as stored:
        arrays = {key: stored[key] for key in stored.files}
    meshes = {}
    for name in sorted({key.split(".")[0] for key in arrays}):
        own = {k.split(".", 1)[1]: v for k, v in arrays.items() if k.split(".")[0] == name}
        mesh = TriangleMesh(own.pop("vertices"), own.pop("faces"))
        meshes[name] = PaintedMesh(mesh, own)
    return meshes


def _plotter(size: tuple[int, int], column_shares: list[int] | None = None) -> Any:
    import pyvista as pv  # noqa: PLC0415

    plotter = pv.Plotter(
        off_screen=True,
        window_size=list(size),
        shape=(1, len(column_shares or [1])),
        col_weights=column_shares,
        border=False,
        lighting="none",
    )
    plotter.renderers.set_background(PAPER)
    return plotter


def _add(
    plotter: Any,
    painted: PaintedMesh,
    field: str,
    quantity: Quantity,
    orientation: Orientation,
    *,
    is_lower: bool,
    nothing: tuple[int, int, int] = NO_DATA_RGB,
) -> None:
    import pyvista as pv  # noqa: PLC0415

    mesh = painted.mesh
    values = painted.fields.get(field, np.full(len(mesh.vertices), np.nan))
    shade = shading(mesh, *view(orientation, is_lower=is_lower))
    colours = np.round(paint(values, quantity, nothing) * shade[:, None]).astype(np.uint8)
    surface = pv.PolyData.from_regular_faces(mesh.vertices, mesh.faces)
    surface.point_data["colour"] = colours
    plotter.add_mesh(surface, scalars="colour", rgb=True, lighting=False)


def _add_numbers(
    plotter: Any,
    spots: list[dict[str, Any]],
    vertices: Float64Array,
    orientation: Orientation,
    *,
    is_lower: bool,
) -> None:
    """Write each spot's number beside it, with a line to its middle."""
    if not spots:
        return
    to_eye, _ = view(orientation, is_lower=is_lower)
    places = np.array([spot["centroid_mm"] for spot in spots], dtype=np.float64)
    labels = label_points(places, vertices, to_eye) + 6.0 * to_eye
    lines = np.stack([places + 6.0 * to_eye, labels], axis=1).reshape(-1, 3)
    for colour, width, dot, nearer_mm in ((PAPER, 7, 18, 0.0), (INK, 3, 12, 0.5)):
        towards_eye = nearer_mm * to_eye
        plotter.add_lines(lines + towards_eye, color=colour, width=width)
        plotter.add_points(
            lines[::2] + towards_eye, color=colour, point_size=dot, render_points_as_spheres=True
        )
    plotter.add_point_labels(
        labels,
        [str(spot["id"]) for spot in spots],
        font_size=34,
        bold=True,
        text_color=PAPER,
        shape="rounded_rect",
        shape_color=INK,
        shape_opacity=1.0,
        margin=8,
        show_points=False,
        always_visible=True,
    )


def _look(
    plotter: Any,
    vertices: Float64Array,
    orientation: Orientation,
    *,
    is_lower: bool,
    aspect: float,
) -> None:
    """Look at the biting surface in parallel projection; `aspect` is width by height."""
    to_eye, up = view(orientation, is_lower=is_lower)
    middle = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
    half_mm = [
        float(np.abs((vertices - middle) @ axis).max()) for axis in (up, np.cross(up, to_eye))
    ]
    plotter.enable_parallel_projection()
    plotter.camera.focal_point = middle
    plotter.camera.position = middle + 200.0 * to_eye
    plotter.camera.up = up
    plotter.camera.parallel_scale = 1.18 * max(half_mm[0], half_mm[1] / aspect)
    plotter.camera.clipping_range = (1.0, 400.0)


def _add_scale(
    plotter: Any, quantity: Quantity, *, left: float = 0.86, width: float = 0.06
) -> None:
    import pyvista as pv  # noqa: PLC0415

    table = pv.LookupTable(
        values=np.column_stack([quantity.colours(), np.full(N_STEPS, 255, dtype=np.uint8)]),
        scalar_range=(quantity.low, quantity.high),
    )
    table.annotations = dict(zip(quantity.ticks, quantity.tick_words(), strict=True))
    carrier = pv.PolyData(np.zeros((1, 3)))
    carrier.point_data["number"] = np.array([quantity.low])
    mapper = pv.DataSetMapper(carrier)
    mapper.lookup_table = table
    plotter.add_scalar_bar(
        title=WORDS[f"scale_{quantity.name}"] + "\n",
        mapper=mapper,
        vertical=True,
        n_labels=0,
        color=INK,
        title_font_size=26,
        label_font_size=24,
        position_x=left,
        position_y=0.2,
        width=width,
        height=0.6,
    )


def _finish(plotter: Any, title: str, quantity: Quantity, path: Path) -> None:
    plotter.add_text(title, color=INK, font_size=15, position="upper_left")
    _add_scale(plotter, quantity)
    plotter.screenshot(path)
    plotter.close()


def main(folder: Path) -> None:
    """Draw what the folder's ``scene.json`` asks for."""
    scene = json.loads((folder / "scene.json").read_text(encoding="utf-8"))
    if scene.get("trial"):
        draw_trial(folder)
    else:
        draw_case(folder, scene)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
