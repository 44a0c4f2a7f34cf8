"""Triangles that a cut has pinched or turned over, put right by collapses and flips of edges.

Only faces that touch a vertex which may move are changed, such vertices alone are taken away, and
no vertex is moved: what is left keeps the place that the cut gave it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array
from occlusim.crown.integrity import FACING, SLIVER, facing, slimness
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

MOST_PASSES = 12
STOUT = 2.0 * SLIVER
# A chord that leaves the input crown by less adds no material worth the name.
ADDED_MM = 1e-4


@dataclass(frozen=True, slots=True)
class Mended:
    """A mesh with some triangles exchanged.

    Attributes
    ----------
    mesh : TriangleMesh
        V' vertices, in the old order; F' faces, the old ones in their order first.
    vertex_origin : (V',)
        Old index.
    face_origin : (F',)
        Old index of a face that is the same, -1 for a new one.
    """

    mesh: TriangleMesh
    vertex_origin: Int64Array
    face_origin: Int64Array


@dataclass(frozen=True, slots=True)
class _Change:
    """Faces that go, and the corners (n, 3) of those that come in their place."""

    gone: tuple[int, ...]
    new: Int64Array
    score: float


def mend(
    mesh: TriangleMesh,
    bad: Int64Array,
    directions: Float64Array,
    free: BoolArray,
    outside: Surface,
    most_off_mm: float,
) -> Mended | None:
    """Return the mesh with its bad faces exchanged for sound ones, or None where it cannot be done.

    Parameters
    ----------
    mesh : TriangleMesh
        After the cut.
    bad : (n,)
        Faces that are slivers or look away from the cutter.
    directions : (V, 3), unit length
        Into the material; a sound face looks against them.
    free : (V,)
        Vertices that may be taken away.
    outside : Surface
        The input crown, which new faces must not leave.
    most_off_mm
        A vertex taken away, or an edge turned, lies no further from the new faces.
    """
    patch = _Patch(mesh, directions, free, outside, most_off_mm)
    left = [int(f) for f in bad]
    for _ in range(MOST_PASSES):
        waiting = []
        for face in left:
            if not patch.is_bad(face):
                continue
            best = max(patch.changes(face), key=lambda change: change.score, default=None)
            if best is None:
                waiting.append(face)
            else:
                waiting += patch.make(best)
        if not waiting:
            return patch.result()
        if waiting == left:
            return None
        left = waiting
    return None


class _Patch:
    """A mesh whose faces are exchanged a few at a time."""

    def __init__(
        self,
        mesh: TriangleMesh,
        directions: Float64Array,
        free: BoolArray,
        outside: Surface,
        most_off_mm: float,
    ) -> None:
        self.mesh = mesh
        self.place = mesh.vertices
        self.directions = directions
        self.free = free
        self.outside = outside
        self.most_off_mm = most_off_mm
        self.faces: dict[int, tuple[int, int, int]] = {}
        self.star: dict[int, set[int]] = {}
        self.next_face = len(mesh.faces)
        near = np.flatnonzero(free[mesh.faces].any(axis=1))
        is_corner = np.zeros(len(free), dtype=np.bool_)
        is_corner[mesh.faces[near]] = True
        for face in np.flatnonzero(is_corner[mesh.faces].any(axis=1)):
            self._add(int(face), mesh.faces[face])

    def _add(self, face: int, corners: Int64Array | Int32Array) -> None:
        a, b, c = (int(v) for v in corners)
        self.faces[face] = (a, b, c)
        for v in (a, b, c):
            self.star.setdefault(v, set()).add(face)

    def is_bad(self, face: int) -> bool:
        """Return whether a face is there and is a sliver or looks away from the cutter."""
        return face in self.faces and self._score(np.array([self.faces[face]])) < SLIVER

    def _score(self, faces: Int64Array) -> float:
        """Return the worst slimness of faces (n, 3); below 0 where one looks the wrong way."""
        corners = self.place[faces]
        worst = float(slimness(corners).min())
        least = float(facing(corners, self.directions[faces]).min())
        return worst if least > FACING else min(least - FACING, 0.0)

    def changes(self, face: int) -> Iterator[_Change]:
        """Yield the collapses and flips around a face that leave it better and hurt nothing."""
        a, b, c = self.faces[face]
        for u, v in ((a, b), (b, c), (c, a)):
            for gone, kept in ((u, v), (v, u)):
                if self.free[gone]:
                    yield from self._collapse(gone, kept)
            yield from self._flip(u, v)

    def _ring(self, vertex: int) -> set[int]:
        return {v for f in self.star[vertex] for v in self.faces[f]} - {vertex}

    def _collapse(self, gone: int, kept: int) -> Iterator[_Change]:
        fan = self.star[gone]
        dying = fan & self.star[kept]
        shared = self._ring(gone) & self._ring(kept)
        closed = len(self._ring(gone)) == len(fan)
        if len(dying) != 2 or len(shared) != 2 or not closed or len(fan) < 4:
            return
        new = np.array(
            [[kept if v == gone else v for v in self.faces[f]] for f in sorted(fan - dying)]
        )
        yield from self._checked(tuple(sorted(fan)), new, self.place[gone])

    def _flip(self, u: int, v: int) -> Iterator[_Change]:
        both = sorted(self.star[u] & self.star[v])
        if len(both) != 2 or not all(self.free[list(self.faces[f])].any() for f in both):
            return
        far = [next(w for w in self.faces[f] if w not in (u, v)) for f in both]
        if far[0] == far[1] or self.star[far[0]] & self.star[far[1]]:
            return
        # The face that runs along u to v has its far corner on the left of that edge.
        first = self.faces[both[0]]
        runs_along = (u, v) in zip(first, first[1:] + first[:1], strict=True)
        left, right = far if runs_along else far[::-1]
        new = np.array([[u, right, left], [right, v, left]])
        ends = self.place[[u, v]]
        middles = ends[0] + np.linspace(0.25, 0.75, 3)[:, None] * (ends[1] - ends[0])
        yield from self._checked(tuple(both), new, middles)

    def _checked(
        self, gone: tuple[int, ...], new: Int64Array, old_places: Float64Array
    ) -> Iterator[_Change]:
        before = self._score(np.array([self.faces[f] for f in gone]))
        score = self._score(new)
        if score <= before or score < 0 or not self.free[new].any(axis=1).all():
            return
        corners = self.place[new]
        for place in np.atleast_2d(old_places):
            if _distance(corners, place) > self.most_off_mm:
                return
        middles = 0.5 * (corners + np.roll(corners, 1, axis=1)).reshape(-1, 3)
        inside = np.concatenate([middles, corners.mean(axis=1)])
        if np.nanmax(self.outside.signed_distance(inside)) > ADDED_MM:
            return
        yield _Change(gone, new, min(score, STOUT) + 1e-6 * score)

    def make(self, change: _Change) -> list[int]:
        """Exchange the faces and return the new ones that are still bad."""
        for face in change.gone:
            for v in self.faces.pop(face):
                self.star[v].discard(face)
        bad = []
        for corners in change.new:
            self._add(self.next_face, corners)
            if self.is_bad(self.next_face):
                bad.append(self.next_face)
            self.next_face += 1
        return bad

    def result(self) -> Mended:
        """Return the mesh without what is gone."""
        n_old = len(self.mesh.faces)
        stays = np.ones(n_old, dtype=np.bool_)
        looked_at = np.flatnonzero(self.free[self.mesh.faces].any(axis=1))
        stays[[f for f in looked_at if int(f) not in self.faces]] = False
        new = np.array([c for f, c in sorted(self.faces.items()) if f >= n_old]).reshape(-1, 3)
        faces = np.concatenate([self.mesh.faces[stays], new.astype(np.int32)])
        origin = np.concatenate([np.flatnonzero(stays), np.full(len(new), -1)])
        was_used = np.zeros(len(self.place), dtype=np.bool_)
        was_used[self.mesh.faces] = True
        used = ~was_used
        used[faces] = True
        number = np.cumsum(used) - 1
        mesh = TriangleMesh(self.place[used], number[faces].astype(np.int32))
        return Mended(mesh, np.flatnonzero(used), origin)


def _distance(corners: Float64Array, place: Float64Array) -> float:
    """Return the distance of a place (3,) to the nearest of some triangles (n, 3, 3), mm."""
    best = np.inf
    for a, b, c in corners:
        u, v, w = b - a, c - a, place - a
        normal = np.cross(u, v)
        area_sq = normal @ normal
        if area_sq > 0:
            s, t = np.cross(w, v) @ normal / area_sq, np.cross(u, w) @ normal / area_sq
            if s >= 0 and t >= 0 and s + t <= 1:
                best = min(best, abs(w @ normal) / np.sqrt(area_sq))
        for p, q in ((a, b), (b, c), (c, a)):
            edge = q - p
            along = np.clip((place - p) @ edge / max(edge @ edge, 1e-30), 0.0, 1.0)
            best = min(best, float(np.linalg.norm(place - p - along * edge)))
    return float(best)
