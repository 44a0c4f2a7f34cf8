"""The mounting drawn: both arches, the hinge axis, the occlusal plane, from the side and in front.

Imported by the child process that draws (`occlusim.report.drawing`) alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh
from occlusim.report.colour import SURFACE_RGB, srgb_from_oklab
from occlusim.report.figures import INK, PAPER
from occlusim.report.words import WORDS

SIZE = (2200, 900)
POINTS = ("right_condyle_mm", "left_condyle_mm", "incisal_mm", "right_molar_mm", "left_molar_mm")
PLANE_OKLAB = (0.62, -0.05, -0.11)
AXIS_OKLAB = (0.55, 0.11, 0.09)
"""Colours of plane and axis: of like lightness, apart along blue and orange, which stay apart for
colour-blind readers (axes of OKLab, Ottosson 2020)."""

LOWER_SHADE = 0.86
MARGIN_MM = 9.0


def has_mounting(mounting: Mapping[str, Any] | None) -> bool:
    """Return whether all that is drawn of a mounting is known."""
    known = mounting or {}
    return all(known.get(name) is not None for name in (*POINTS, "T_jaw_upper"))


def draw_mounting(
    path: Path, meshes: Mapping[str, PaintedMesh], mounting: Mapping[str, Any]
) -> None:
    """Draw the mounting of both arches into a PNG file, seen from the right and from in front.

    Parameters
    ----------
    path
        The file.
    meshes
        ``upper`` and ``lower``, in the upper scan's coordinates at the recorded bite.
    mounting
        As in ``results.json``; see `has_mounting`.
    """
    import pyvista as pv  # noqa: PLC0415

    T = np.array(mounting["T_jaw_upper"], dtype=np.float64)
    points = {name: _jaw(T, np.array([mounting[name]]))[0] for name in POINTS}
    plotter = pv.Plotter(
        off_screen=True, window_size=list(SIZE), shape=(1, 2), col_weights=[54, 46], border=False,
        lighting="none",
    )  # fmt: skip
    plotter.renderers.set_background(PAPER)
    placed = {name: _jaw(T, meshes[name].mesh.vertices) for name in ("upper", "lower")}
    views = (
        ("picture_mounting_side", np.array([1.0, 0.0, 0.0]), 0.54),
        ("picture_mounting_front", np.array([0.0, 1.0, 0.0]), 0.46),
    )
    for column, (title, to_eye, share) in enumerate(views):
        plotter.subplot(0, column)
        for name, vertices in placed.items():
            shade = 1.0 if name == "upper" else LOWER_SHADE
            _add_arch(plotter, TriangleMesh(vertices, meshes[name].mesh.faces), to_eye, shade)
        _add_plane(plotter, points)
        _add_axis(plotter, points, to_eye)
        _add_names(plotter, points, to_eye, is_side=column == 0)
        everything = np.vstack([*placed.values(), *points.values()])
        _look(plotter, everything, to_eye, aspect=share * SIZE[0] / SIZE[1])
        plotter.add_text(WORDS[title], color=INK, font_size=15, position="upper_left")
    plotter.screenshot(path)
    plotter.close()


def _jaw(T_jaw_upper: Float64Array, points: Float64Array) -> Float64Array:
    return points @ T_jaw_upper[:3, :3].T + T_jaw_upper[:3, 3]


def _colour(oklab: tuple[float, float, float]) -> list[float]:
    return srgb_from_oklab(np.array(oklab)).tolist()


def _add_arch(plotter: Any, mesh: TriangleMesh, to_eye: Float64Array, shade: float) -> None:
    import pyvista as pv  # noqa: PLC0415

    light = to_eye + np.array([0.0, 0.0, 0.5])
    vectors = mesh.face_vectors()
    length = np.maximum(np.linalg.norm(vectors, axis=1), 1e-30)
    facing = np.clip(vectors @ (light / np.linalg.norm(light)) / length, 0.0, 1.0)
    colours = np.outer(shade * (0.55 + 0.45 * facing), SURFACE_RGB)
    surface = pv.PolyData.from_regular_faces(mesh.vertices, mesh.faces)
    surface.cell_data["colour"] = np.round(colours).astype(np.uint8)
    plotter.add_mesh(surface, scalars="colour", rgb=True, lighting=False)


def _add_plane(plotter: Any, points: Mapping[str, Float64Array]) -> None:
    """Draw the occlusal plane as a sheet under the three points, with its outline."""
    import pyvista as pv  # noqa: PLC0415

    incisal, right, left = (points[f"{n}_mm"] for n in ("incisal", "right_molar", "left_molar"))
    normal = np.cross(right - left, incisal - left)
    normal /= np.linalg.norm(normal)

    def on_plane(x: float, y: float) -> Float64Array:
        z = incisal[2] - (normal[0] * (x - incisal[0]) + normal[1] * (y - incisal[1])) / normal[2]
        return np.array([x, y, z])

    half = 1.25 * max(abs(right[0]), abs(left[0]))
    back, front = min(right[1], left[1]) - 12.0, incisal[1] + 8.0
    corners = np.array(
        [on_plane(half, back), on_plane(-half, back), on_plane(-half, front), on_plane(half, front)]
    )
    sheet = pv.PolyData.from_regular_faces(corners, np.array([[0, 1, 2], [0, 2, 3]]))
    colour = _colour(PLANE_OKLAB)
    plotter.add_mesh(sheet, color=colour, opacity=0.3, lighting=False)
    edges = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1).reshape(-1, 3)
    plotter.add_lines(edges, color=colour, width=5)


def _add_axis(plotter: Any, points: Mapping[str, Float64Array], to_eye: Float64Array) -> None:
    colour = _colour(AXIS_OKLAB)
    ends = np.array([points["right_condyle_mm"], points["left_condyle_mm"]])
    beyond = 0.08 * (ends[0] - ends[1])
    plotter.add_lines(np.array([ends[0] + beyond, ends[1] - beyond]), color=colour, width=6)
    forward = 150.0 * to_eye
    for places, own in ((ends, colour), (np.array([points[n] for n in POINTS[2:]]), INK)):
        for tint, size, nearer in ((PAPER, 26, 0.0), (own, 19, 12.0)):
            plotter.add_points(
                places + forward + nearer * to_eye, color=tint, point_size=size,
                render_points_as_spheres=True,
            )  # fmt: skip


def _add_names(
    plotter: Any, points: Mapping[str, Float64Array], to_eye: Float64Array, *, is_side: bool
) -> None:
    """Write the names beside the points, each clear of the teeth and of the others."""
    up = np.array([0.0, 0.0, 1.0])
    across = np.cross(up, to_eye)
    if is_side:
        middle_molar = 0.5 * (points["right_molar_mm"] + points["left_molar_mm"])
        names = [
            ("mounting_condyles", points["right_condyle_mm"], 15.0, 9.0),
            ("mounting_incisal", points["incisal_mm"], 3.0, -22.0),
            ("mounting_molars", middle_molar, -17.0, -17.0),
            ("mounting_plane", middle_molar, -17.0, 9.0),
        ]
    else:
        names = [
            ("mounting_right_condyle", points["right_condyle_mm"], 8.0, 9.0),
            ("mounting_left_condyle", points["left_condyle_mm"], -8.0, 9.0),
            ("mounting_axis", 0.5 * (points["right_condyle_mm"] + points["left_condyle_mm"]),
             0.0, -7.0),
            ("mounting_incisal", points["incisal_mm"], 0.0, -26.0),
            ("mounting_right_molar", points["right_molar_mm"], -18.0, -20.0),
            ("mounting_left_molar", points["left_molar_mm"], 18.0, -20.0),
        ]  # fmt: skip
    for word, place, aside, above in names:
        label = place + aside * across + above * up + 160.0 * to_eye
        plotter.add_lines(
            np.array([place + 155.0 * to_eye, place + 0.8 * (label - place) + 30.0 * to_eye]),
            color=INK,
            width=2,
        )
        plotter.add_point_labels(
            label[None],
            [WORDS[word]],
            font_size=26,
            text_color=INK,
            shape="rounded_rect",
            shape_color=PAPER,
            shape_opacity=0.92,
            margin=5,
            show_points=False,
            always_visible=True,
            justification_horizontal="center",
            justification_vertical="center",
        )


def _look(plotter: Any, points: Float64Array, to_eye: Float64Array, *, aspect: float) -> None:
    up = np.array([0.0, 0.0, 1.0])
    across = np.cross(up, to_eye)
    low, high = points.min(axis=0), points.max(axis=0)
    middle = 0.5 * (low + high)
    half_up = 0.5 * (high[2] - low[2]) + 2.0 * MARGIN_MM
    half_across = float(np.abs((points - middle) @ across).max()) + 2.0 * MARGIN_MM
    plotter.enable_parallel_projection()
    plotter.camera.focal_point = middle
    plotter.camera.position = middle + 400.0 * to_eye
    plotter.camera.up = up
    plotter.camera.parallel_scale = max(half_up, half_across / aspect)
    plotter.camera.clipping_range = (1.0, 900.0)
