"""Invented crowns, antagonists and jaw paths by the seed, for proofs that must hold for any.

A crown is a superellipsoid with cusps and pits, or a shell with an inner surface that is known by
construction; the antagonist is a sheet of bumps, a cusp, a ridge, a tip, two cusps side by side, or
a cusp at the crown's margin. Paths turn and slide; they are lifted so that the surfaces overlap by
tenths of a millimetre somewhere, and are clear elsewhere. Nothing here stands for anatomy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import trimesh
from scipy.interpolate import CubicSpline
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from occlusim.crown.path import CrownPath
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

KINDS = ("sheet", "cusp", "ridge", "tip", "twins", "margin")
MOVEMENTS = ("centric", "protrusion", "laterotrusion_right", "laterotrusion_left")
UP = np.array([0.0, 0.0, 1.0])
RAMP_MM = 0.5
LEAST_WALL_MM = 0.25


@dataclass(frozen=True, slots=True)
class RandomCase:
    """One invented crown in front of its antagonist.

    Attributes
    ----------
    seed : int
    kind : str
        Of the antagonist, one of `KINDS`.
    crown : TriangleMesh
        Closed, in its own coordinates.
    antagonist : TriangleMesh
    paths : tuple of CrownPath
    occlusal : (3,)
        Where the crown's biting side looks.
    is_inner, is_rim : (F,)
        Faces of the crown's inner surface and of the rim around it, by construction; none of a
        solid crown.
    min_thickness_mm : float
        0 for a solid crown.
    """

    seed: int
    kind: str
    crown: TriangleMesh
    antagonist: TriangleMesh
    paths: tuple[CrownPath, ...]
    occlusal: np.ndarray
    is_inner: np.ndarray
    is_rim: np.ndarray
    min_thickness_mm: float

    @property
    def label(self) -> str:
        """Say what it is: its kind, its body, its triangles."""
        body = "shell" if self.is_inner.any() else "solid"
        return f"{self.kind:6} {body} {len(self.crown.faces):5} faces"


def random_case(seed: int) -> RandomCase:
    """Return the case of a seed; kinds take turns, and every second one is a shell."""
    rng = np.random.default_rng([seed, 2026])
    kind = KINDS[seed % len(KINDS)]
    is_shell = kind == "margin" or rng.random() < 0.5
    n_points = int(rng.choice([550, 1100, 1800, 2900], p=[0.2, 0.3, 0.3, 0.2]))
    radius = _relief(rng)
    if is_shell:
        body, is_inner, is_rim, wall_mm = _shell(rng, radius, n_points)
    else:
        body, wall_mm = _solid(rng, radius, n_points), 0.0
        is_inner = is_rim = np.zeros(len(body.faces), dtype=bool)
    is_outer = np.zeros(len(body.vertices), dtype=bool)
    is_outer[body.faces[~is_inner & ~is_rim]] = True
    is_margin = is_outer & np.isin(np.arange(len(is_outer)), body.faces[is_rim])
    opposing, away = _antagonist(rng, kind, body.vertices[is_outer], body.vertices[is_margin])
    centric_mm, excursion_mm = rng.uniform(-0.03, 0.03), rng.uniform(0.02, 0.06)
    crown_turn, other_turn = _motion(rng), _motion(rng)
    lifts = _Lifts(Surface.build(opposing), Surface.build(body), body.vertices[is_outer], away)
    first_mm = lifts.at(np.eye(3), np.zeros(3), 0.0, centric_mm - rng.uniform(0.005, 0.2))
    paths = []
    for name in MOVEMENTS[: int(rng.integers(2, 5))]:
        move, knots = _move(rng, name, lifts, first_mm)
        poses = partial(_poses, move, crown_turn, other_turn)
        paths.append(CrownPath(name, knots, poses, _wanted(name, centric_mm, excursion_mm)))
    return RandomCase(
        seed,
        kind,
        body.with_vertices(_apply(crown_turn, body.vertices)),
        opposing.with_vertices(_apply(other_turn, opposing.vertices)),
        tuple(paths),
        crown_turn[0] @ UP,
        is_inner,
        is_rim,
        max(LEAST_WALL_MM, wall_mm * rng.uniform(0.6, 1.02)) if is_shell else 0.0,
    )


Motion = tuple[np.ndarray, np.ndarray]


def _motion(rng: np.random.Generator) -> Motion:
    return Rotation.random(random_state=rng).as_matrix(), rng.uniform(-30, 30, 3)


def _apply(motion: Motion, points: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(points @ motion[0].T + motion[1])


def _relief(rng: np.random.Generator) -> Callable[[np.ndarray], np.ndarray]:
    """Return the radius (n,), mm, of a random body in unit directions (n, 3)."""
    half = rng.uniform([3.6, 3.4, 2.8], [5.0, 4.6, 3.8])
    power = rng.uniform(2.2, 3.6)
    bumps = [(0.25, 0.7, 0.22, 0.4)] * int(rng.integers(3, 6))
    bumps += [(-0.5, -0.15, 0.10, 0.2)] * int(rng.integers(1, 5))
    made = []
    for low, high, thin, wide in bumps:
        at = np.array([*rng.normal(size=2), rng.uniform(1.0, 4.0)])
        made.append((at / np.linalg.norm(at), rng.uniform(low, high), rng.uniform(thin, wide)))

    def radius(directions: np.ndarray) -> np.ndarray:
        size = np.sum(np.abs(directions / half) ** power, axis=1) ** (-1.0 / power)
        for at, height, width in made:
            size = size + height * np.exp((directions @ at - 1.0) / width**2)
        return size

    return radius


def _directions(rng: np.random.Generator, n: int) -> np.ndarray:
    """Return about n irregular unit vectors, denser towards +z by a random amount."""
    k = np.arange(n) + 0.5
    z = 1.0 - 2.0 * (k / n) ** rng.uniform(1.0, 1.6)
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - z**2)
    points = np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    points += rng.normal(scale=0.25 / np.sqrt(n), size=points.shape)
    return points / np.linalg.norm(points, axis=1, keepdims=True)


def _hull(directions: np.ndarray) -> np.ndarray:
    """Return the faces (F, 3) of the Delaunay triangulation on the sphere, looking outwards."""
    faces = ConvexHull(directions).simplices
    corners = directions[faces]
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    return np.where(volume[:, None] < 0, faces[:, ::-1], faces).astype(np.int32)


def _solid(
    rng: np.random.Generator, radius: Callable[[np.ndarray], np.ndarray], n: int
) -> TriangleMesh:
    directions = _directions(rng, n)
    return TriangleMesh(directions * radius(directions)[:, None], _hull(directions))


def _shell(
    rng: np.random.Generator, radius: Callable[[np.ndarray], np.ndarray], n: int
) -> tuple[TriangleMesh, np.ndarray, np.ndarray, float]:
    """Return a closed cap over a hollow, its inner faces and its rim's (F,), and its wall, mm."""
    margin_z = rng.uniform(-0.15, 0.15)
    spacing = np.sqrt(4.0 * np.pi / n)
    n_ring = int(np.ceil(2.0 * np.pi * np.sqrt(1 - margin_z**2) / (0.7 * spacing)))
    turn = 2.0 * np.pi * np.arange(n_ring) / n_ring
    flat = np.sqrt(1 - margin_z**2)
    ring = np.stack([flat * np.cos(turn), flat * np.sin(turn), np.full(n_ring, margin_z)], axis=1)
    rest = _directions(rng, n)
    rest = rest[np.abs(rest[:, 2] - margin_z) > 0.6 * spacing]
    directions = np.concatenate([ring, rest])
    faces = _hull(directions)
    faces = faces[(directions[faces][:, :, 2] >= margin_z - 1e-9).all(axis=1)]
    used, compact = np.unique(faces, return_inverse=True)
    directions, faces = directions[used], compact.reshape(-1, 3).astype(np.int32)
    wall_mm = rng.uniform(0.4, 1.3)
    outer = radius(directions)
    waves = 1.0 + 0.15 * np.sin(directions @ rng.uniform(-4, 4, 3) + rng.uniform(0, 6))
    inner = np.minimum(outer - wall_mm * waves, 0.9 * outer)
    m = len(directions)
    around = np.arange(n_ring)
    # The ring comes first and keeps its numbers: only faces above it were kept.
    ahead = (around + 1) % n_ring
    side = np.concatenate(
        [np.stack([ahead, around, around + m], 1), np.stack([ahead, around + m, ahead + m], 1)]
    )
    vertices = np.concatenate([directions * outer[:, None], directions * inner[:, None]])
    every = np.concatenate([faces, faces[:, ::-1] + m, side]).astype(np.int32)
    part = np.repeat([0, 1, 2], [len(faces), len(faces), len(side)])
    return TriangleMesh(vertices, every), part == 1, part == 2, wall_mm


def _antagonist(
    rng: np.random.Generator, kind: str, outer: np.ndarray, margin: np.ndarray
) -> tuple[TriangleMesh, np.ndarray]:
    """Return an antagonist in the crown's frame, and the way (3,) in which the crown evades it."""
    if kind in ("sheet", "twins"):
        return _sheet(rng, kind), -UP
    if kind == "margin":
        return _margin_cusp(rng, rng.choice(margin))
    x, y, z = rng.choice(outer[outer[:, 2] > 1.5])
    if kind == "ridge":
        mesh = trimesh.creation.capsule(height=9.0, radius=rng.uniform(0.4, 1.5), count=[40, 40])
        mesh.apply_translation(-mesh.bounds.mean(axis=0))
        turn = Rotation.from_euler("yz", [np.pi / 2 + rng.normal(0, 0.15), rng.uniform(0, np.pi)])
        points = turn.apply(mesh.vertices)
    elif kind == "tip":
        mesh = trimesh.creation.cone(radius=rng.uniform(0.3, 1.2), height=2.0, sections=24)
        points = mesh.vertices * [1.0, 1.0, -1.0]
    else:
        mesh = trimesh.creation.icosphere(subdivisions=4, radius=1.0)
        waves = np.sin(mesh.vertices @ rng.uniform(-5, 5, (3, 4))).sum(axis=1)
        points = mesh.vertices * (rng.uniform(0.7, 2.5) * (1.0 + 0.03 * waves))[:, None]
    made = TriangleMesh(points + np.array([x, y, 0.0]), np.asarray(mesh.faces, dtype=np.int32))
    if made.volume() < 0:
        made = TriangleMesh(made.vertices, made.faces[:, ::-1])
    lifted = made.vertices + (z + 0.1 - made.vertices[:, 2].min()) * UP
    return made.with_vertices(lifted), -UP


def _margin_cusp(rng: np.random.Generator, at: np.ndarray) -> tuple[TriangleMesh, np.ndarray]:
    """Return a round cusp that stands beside a place of the crown's margin, and the way from it."""
    outward = np.array([at[0], at[1], 0.0]) / np.hypot(at[0], at[1])
    size = rng.uniform(0.8, 2.0)
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=size)
    towards = outward + UP * rng.uniform(0.0, 0.6)
    towards /= np.linalg.norm(towards)
    points = mesh.vertices + at + (size + 0.1) * towards
    return TriangleMesh(points, np.asarray(mesh.faces, dtype=np.int32)), -towards


def _sheet(rng: np.random.Generator, kind: str) -> TriangleMesh:
    """Return an open sheet that looks down, with bumps, or with two cusps side by side."""
    half, n = 8.5, 64
    line = np.linspace(-half, half, n)
    x, y = (a.ravel() for a in np.meshgrid(line, line, indexing="ij"))
    x, y = (a + rng.uniform(-0.2, 0.2, len(a)) * (line[1] - line[0]) for a in (x, y))
    z = np.full(len(x), 6.0)
    if kind == "twins":
        apart, turn = rng.uniform(0.45, 1.4), rng.uniform(0, np.pi)
        middle, size = rng.uniform(-1.5, 1.5, 2), rng.uniform(0.3, 0.7)
        for side in (-0.5, 0.5):
            at = middle + side * apart * np.array([np.cos(turn), np.sin(turn)])
            z -= 2.5 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * size**2))
    else:
        for _ in range(6):
            a, b, phase = rng.uniform(-3, 3, 3)
            z += rng.uniform(0.02, 0.15) * np.sin(a * x + b * y + phase)
        for _ in range(int(rng.integers(2, 6))):
            at, width = rng.uniform(-3.5, 3.5, 2), rng.uniform(0.6, 1.3)
            bump = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * width**2))
            z -= rng.uniform(0.4, 1.4) * bump
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, c, b], 1), np.stack([a, d, c], 1)])
    return TriangleMesh(np.stack([x, y, z], axis=1), faces.astype(np.int32))


@dataclass(frozen=True, slots=True)
class _Lifts:
    """How far a crown has to give way for a gap, by the least gap of both surfaces' vertices."""

    opposing: Surface
    body: Surface
    points: np.ndarray
    away: np.ndarray

    def at(self, turn: np.ndarray, shift: np.ndarray, start_mm: float, gap_mm: float) -> float:
        """Return about the way at which the least gap is the one wanted, from a start."""
        moved = self.points @ turn.T + shift
        way = start_mm
        for _ in range(6):
            here = self.opposing.signed_distance(moved + way * self.away)
            back = (self.opposing.mesh.vertices - shift - way * self.away) @ turn
            there = self.body.signed_distance(np.ascontiguousarray(back))
            least = min(float(np.nanmin(here)), float(np.nanmin(there)))
            way += float(np.clip(gap_mm - least, -0.4, 0.4))
        return way


Move = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]


def _move(
    rng: np.random.Generator, name: str, lifts: _Lifts, first_mm: float
) -> tuple[Move, np.ndarray]:
    """Return poses of the crown over its place at rest, and the knots, mm."""
    if name == "centric":
        rest = first_mm * lifts.away
        return lambda s: (np.tile(np.eye(3), (len(s), 1, 1)), np.tile(rest, (len(s), 1))), rest[:1]
    length = rng.uniform(0.8, 2.5)
    heading = rng.uniform(0, 2 * np.pi)
    ahead = np.array([np.cos(heading), np.sin(heading), 0.0])
    spin = rng.normal(scale=np.radians(1.2), size=3)
    centre = rng.uniform(-15, 15, 3)

    def rigid(s: np.ndarray) -> Motion:
        turn = Rotation.from_rotvec(np.outer(s, spin)).as_matrix()
        return turn, np.outer(s, ahead) + centre - turn @ centre

    stops = np.linspace(0, length, int(rng.integers(4, 8)))
    turns, shifts = rigid(stops)
    ways = [first_mm]
    for turn, shift in zip(turns[1:], shifts[1:], strict=True):
        ways.append(lifts.at(turn, shift, ways[-1], rng.uniform(-0.12, 0.12)))
    if rng.random() < 0.5:
        way = CubicSpline(stops, ways)
    else:
        way = partial(np.interp, xp=stops, fp=np.array(ways))

    def move(s: np.ndarray) -> Motion:
        turn, shift = rigid(np.asarray(s, dtype=float))
        return turn, shift + np.outer(way(s), lifts.away)

    return move, np.linspace(0, length, int(rng.integers(6, 20)))


def _poses(
    move: Move, crown_turn: Motion, other_turn: Motion, s: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return T_antagonist_crown (n, 3, 3), (n, 3) for the bodies' own coordinates."""
    turn, shift = move(np.atleast_1d(s))
    back = crown_turn[0].T
    turn_all = other_turn[0] @ turn @ back
    shift_all = (shift - turn @ back @ crown_turn[1]) @ other_turn[0].T + other_turn[1]
    return turn_all, shift_all


def _wanted(
    name: str, centric_mm: float, excursion_mm: float
) -> Callable[[np.ndarray], np.ndarray]:
    """Return the wanted gap: constant at rest, growing over the ramp elsewhere."""
    if name == "centric":
        return lambda s: np.full(np.shape(s), centric_mm)
    return lambda s: centric_mm + (excursion_mm - centric_mm) * np.minimum(1.0, s / RAMP_MM)
