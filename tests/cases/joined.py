"""Bridges made of the demo's own teeth: surfaces cut from a scan, closed, joined and raised."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import igl.copyleft.cgal as cgal
import numpy as np
from reference.forward import Stage
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from benchmarks.igl_distance import IglDistance
from demo_arches.noise import write_ply
from occlusim.geometry.mesh import TriangleMesh

DEEP_MM = 5.5
"""How far below its highest place a tooth is cut off."""

LOWER_MM = 1.5
"""Connectors run so far below the middle of the teeth, clear of their fossae."""

BUMP_RADIUS_MM = 0.9


@dataclass(frozen=True)
class Bump:
    """A bump on a tooth: its middle (3,), in the scan's frame, and its height."""

    tooth: int
    middle: np.ndarray
    height_mm: float


def tooth_solid(mesh: TriangleMesh, label: np.ndarray, tooth: int, up: np.ndarray) -> TriangleMesh:
    """Return a tooth of a scan as a closed solid: its biting side, closed to a point below."""
    height = mesh.vertices @ up
    own = label == tooth
    top = height[mesh.faces[own]].max()
    face = np.flatnonzero(own & (height[mesh.faces].min(axis=1) > top - DEEP_MM))
    faces = mesh.faces[face]
    while True:
        loops = _loops(faces)
        crowded = [v for v, n in _border_count(faces).items() if n > 1]
        if len(loops) == 1 and not crowded:
            break
        if crowded:
            faces = faces[~np.isin(faces, crowded).any(axis=1)]
            continue
        faces = _largest(faces)
        loops = _loops(faces)
        if len(loops) > 1:
            longest = max(loops, key=len)
            fills = [[(a, b, loop[0]) for a, b in pairwise(loop[1:])] for loop in loops
                     if loop is not longest]  # fmt: skip
            faces = np.concatenate([faces, *[np.array(f)[:, ::-1] for f in fills]])
    loop = loops[0]
    part = mesh.vertices[loop]
    below = part.mean(axis=0)
    below = below + (top - DEEP_MM - 2.0 - below @ up) * up
    n = len(mesh.vertices)
    fan = [(b, a, n) for a, b in pairwise([*loop, loop[0]])]
    whole = TriangleMesh(np.vstack([mesh.vertices, below]), np.concatenate([faces, fan]))
    return whole.submesh(np.arange(len(whole.faces)))[0]


def _border_edges(faces: np.ndarray) -> np.ndarray:
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    known = set(map(tuple, edges.tolist()))
    return np.array([e for e in edges.tolist() if (e[1], e[0]) not in known])


def _border_count(faces: np.ndarray) -> dict[int, int]:
    start, count = np.unique(_border_edges(faces)[:, 0], return_counts=True)
    return dict(zip(start.tolist(), count.tolist(), strict=True))


def _loops(faces: np.ndarray) -> list[list[int]]:
    after = dict(_border_edges(faces).tolist())
    loops = []
    while after:
        first, here = after.popitem()
        loop = [first]
        while here != first and here in after:
            loop.append(here)
            here = after.pop(here)
        loops.append(loop)
    return loops


def _largest(faces: np.ndarray) -> np.ndarray:
    n = int(faces.max()) + 1
    a = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    links = coo_matrix((np.ones(len(a)), a.T), (n, n))
    part = connected_components(links, directed=False)[1]
    names, count = np.unique(part[faces[:, 0]], return_counts=True)
    return faces[part[faces[:, 0]] == names[np.argmax(count)]]


def rod(start: np.ndarray, end: np.ndarray, radius: float, n: int = 24) -> TriangleMesh:
    """Return a closed rod between two points: the connector of two units."""
    along = (end - start) / np.linalg.norm(end - start)
    side = np.cross(along, [0.3, 0.8, 0.5])
    side /= np.linalg.norm(side)
    ring = np.array([np.cos(t) * side + np.sin(t) * np.cross(along, side)
                     for t in np.linspace(0, 2 * np.pi, n, endpoint=False)])  # fmt: skip
    vertices = np.vstack([start + radius * ring, end + radius * ring, start, end])
    faces = []
    for k in range(n):
        m = (k + 1) % n
        faces += [(k, m, n + m), (k, n + m, n + k), (2 * n, m, k), (2 * n + 1, n + k, n + m)]
    return TriangleMesh(vertices, np.array(faces))


def union(*solids: TriangleMesh) -> TriangleMesh:
    """Return closed solids as one, exactly: no place of their outer surfaces moves."""
    whole = solids[0]
    for other in solids[1:]:
        v, f = cgal.mesh_boolean(
            np.array(whole.vertices), np.array(whole.faces, dtype=np.int64),
            np.array(other.vertices), np.array(other.faces, dtype=np.int64), "union",
        )[:2]  # fmt: skip
        whole = TriangleMesh(v, f)
    return whole


def joined_bridge(stage: Stage, crown: TriangleMesh, up: np.ndarray) -> TriangleMesh:
    """Return the demo's crown 46 joined with copies of the teeth in front of it, 45 and 44."""
    scan, label = stage.inputs.lower.mesh, stage.placed.lower_tooth
    middle = crown.vertices.mean(axis=0) - LOWER_MM * up
    second, first = (tooth_solid(scan, label, tooth, up) for tooth in (45, 44))
    ahead = second.vertices.mean(axis=0) - middle
    ahead -= (ahead @ up) * up
    rods = (
        rod(middle + 0.45 * ahead, middle + 0.75 * ahead, 1.2),
        rod(*(s.vertices.mean(axis=0) - LOWER_MM * up for s in (second, first)), 1.2),
    )
    return union(first, rods[1], second, rods[0], crown)


def raised(
    bridge: TriangleMesh, stage: Stage, tooth: int, height_mm: float
) -> tuple[TriangleMesh, Bump]:
    """Return the bridge with a bump where one of its teeth is nearest to the upper teeth.

    At the light closure; along the way from the upper surface, so that the gap falls by the height.
    """
    pose = stage.jaw.run.light.T_upper_lower
    upper = stage.inputs.upper.mesh
    tooth_of = stage.inputs.crown_input.units.tooth_at(bridge.vertices)
    near = np.flatnonzero(tooth_of == tooth)
    points = pose.apply(bridge.vertices[near])
    gap = stage.inputs.upper.closest(points, 1.0).distance_mm
    best = near[np.nanargmin(gap)]
    found = stage.inputs.upper.closest(pose.apply(bridge.vertices[best][None]), 1.0)
    way = pose.inverse().rotate(np.asarray(upper.face_vectors()[found.faces[0]]))
    way /= -np.linalg.norm(way)
    middle = bridge.vertices[best]
    r = np.linalg.norm(bridge.vertices - middle, axis=1) / BUMP_RADIUS_MM
    profile = np.where(r < 1.0, (1.0 - np.minimum(r, 1.0) ** 2) ** 3, 0.0)
    moved = bridge.vertices + (height_mm * profile)[:, None] * way
    return bridge.with_vertices(moved), Bump(tooth, middle, height_mm)


def least_gap_mm(stage: Stage, bridge: TriangleMesh, around: np.ndarray) -> float:
    """Return libigl's least gap within a bump's reach of a place, at the light closure."""
    pose = stage.jaw.run.light.T_upper_lower
    upper = stage.inputs.upper.mesh
    near = np.linalg.norm(bridge.vertices[bridge.faces].mean(axis=1) - around, axis=1) < 1.0
    corners = bridge.vertices[bridge.faces[near]]
    grid = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4
    points = pose.apply(np.einsum("gk,fkd->fgd", grid, corners).reshape(-1, 3))
    low, high = points.min(axis=0) - 2.0, points.max(axis=0) + 2.0
    inside = ((upper.vertices > low) & (upper.vertices < high)).all(axis=1)
    part = upper.submesh(np.flatnonzero(inside[upper.faces].any(axis=1)))[0]
    there = pose.inverse().apply(part.vertices)
    facing = np.linalg.norm(there - around, axis=1) < 1.0
    own = bridge.submesh(np.flatnonzero(near))[0]
    gaps = [IglDistance(part)(points)[0].min()]
    if facing.any():
        gaps.append(IglDistance(own)(there[facing])[0].min())
    return float(min(gaps))


def bridge_case(case: Path, bridge: TriangleMesh, name: str = "bridge", **crown: str) -> Path:
    """Write a case beside another with a bridge 44 to 46 instead of its crown; return its path."""
    folder = case.parent
    write_ply(folder / f"{name}.ply", bridge.vertices, bridge.faces)
    text = case.read_text(encoding="utf-8")
    text = re.sub(r"(?ms)^\[crown\].*?^\[mounting\]", "[mounting]", text)
    lines = {
        "mesh": f'"{name}.ply"', "teeth": '["44", "45", "46"]', "support": '"implant"',
        "guidance": '"shared"', "seating_axis": "[0.1032, -0.1495, -0.9834]",
    } | crown  # fmt: skip
    table = "[crown]\n" + "".join(f"{key} = {value}\n" for key, value in lines.items())
    text = text.replace("[mounting]", f"{table}\n[mounting]").replace('"molar-46"', f'"{name}"')
    text = re.sub(r"(protrusion|laterotrusion)_mm = .*", r"\1_mm = 0.5", text)
    path = folder / f"{name}.toml"
    path.write_text(re.sub(r"centric_um = .*", "centric_um = 0", text), encoding="utf-8")
    return path


def opposing_case(case: Path, stage: Stage, *, upper_first: bool) -> Path:
    """Write a case beside another whose crown 46 meets a new crown 16, a copy of the tooth there.

    Both stand on implants; `upper_first` says which comes first in the file.
    """
    up = -stage.placed.orientation.superior
    scan, label = stage.inputs.upper.mesh, stage.placed.upper_tooth
    solid = tooth_solid(scan, label, 16, up)
    write_ply(case.parent / "copy-16.ply", solid.vertices, solid.faces)
    text = case.read_text(encoding="utf-8")
    text = re.sub(r"(?ms)^\[crown.access\].*?^\[mounting\]", "[mounting]", text)
    text = re.sub(r"(protrusion|laterotrusion)_mm = .*", r"\1_mm = 0.5", text)
    start, end = text.index("[crown]"), text.index("[mounting]")
    lower = text[start:end].replace("[crown]", "[[crown]]")
    axis = np.round(-up, 4).tolist()
    copy = (
        f'[[crown]]\nmesh = "copy-16.ply"\ntooth = "16"\nsupport = "implant"\n'
        f"seating_axis = {axis}\n\n"
    )
    tables = copy + lower if upper_first else lower + copy
    name = "upper-first" if upper_first else "lower-first"
    text = (text[:start] + tables + text[end:]).replace('id = "molar-46"', f'id = "{name}"')
    path = case.parent / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path
