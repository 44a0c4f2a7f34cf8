"""The teeth of a crown in one piece: which part of a bridge stands for which tooth.

A bridge is laid out along its own middle line, a parabola seen from the biting side. Its teeth
follow each other from the patient's right to left, first by their handbook widths, scaled to the
bridge's length; then every border between two of them is moved to the narrowest section nearby,
where the connector is. Cuts are square to the middle line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.jaw.axes import ArchOrientation
from occlusim.jaw.numbering import (
    arch_index,
    distal_neighbour,
    is_upper,
    mesial_neighbour,
    position_of,
    side_of,
    tooth_step,
)
from occlusim.jaw.row_fit import MESIODISTAL_MM

SAMPLE_MM = 0.05
SLAB_MM = 0.1
SMOOTH_MM = 0.3
"""The girth along a bridge is taken in slabs, and evened out over some three of them."""

SEARCH_SHARE = 0.35
"""A border is looked for within this share of the narrower unit beside it; teeth's own widths
scatter by 8.5 % (`occlusim.jaw.row_fit.WIDTH_SPREAD`), and borders add up over a bridge."""

LENGTH_REFUSED = (0.76, 1.36)
LENGTH_DOUBTED = (0.82, 1.20)
"""A bridge's length over the sum of its teeth's handbook widths. People's teeth are 0.8 to 1.18
times those (`occlusim.jaw.row_fit.SCALES`), most within 7 %; a unit more or less of three changes
the sum by a third."""


@dataclass(frozen=True, slots=True)
class Units:
    """How a crown of several teeth is divided, in its own coordinates.

    Attributes
    ----------
    teeth : tuple of int
        ISO 3950, from the patient's right to left.
    axes : (2, 3), unit length
        Along the bridge from right to left, and across it, both in the occlusal plane.
    line : (k, 2), mm
        The middle line on those axes; arc_mm (k,) its length from the right end on.
    cuts_mm : (n - 1,)
        Lengths along the line where one tooth ends and the next begins.
    length_share : float
        The bridge's length over the sum of its teeth's handbook widths.
    """

    teeth: tuple[int, ...]
    axes: Float64Array
    line: Float64Array
    arc_mm: Float64Array
    cuts_mm: Float64Array
    length_share: float

    def __post_init__(self) -> None:
        for name in ("axes", "line", "arc_mm", "cuts_mm"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.float64))

    def tooth_at(self, points: Float64Array) -> Int32Array:
        """Return the tooth (n,) that points (n, 3) belong to."""
        along = _along(points @ self.axes.T, self.line, self.arc_mm)
        return np.array(self.teeth, dtype=np.int32)[np.searchsorted(self.cuts_mm, along)]

    def tooth_of_faces(self, mesh: TriangleMesh) -> Int32Array:
        """Return the tooth (F,) of the faces of the bridge, by their middles."""
        return self.tooth_at(mesh.vertices[mesh.faces].mean(axis=1))

    def centres(self, mesh: TriangleMesh) -> dict[int, Float64Array]:
        """Return the middle (3,) of the vertices of each tooth."""
        tooth = self.tooth_at(mesh.vertices)
        return {t: mesh.vertices[tooth == t].mean(axis=0) for t in self.teeth}

    @property
    def is_doubtful(self) -> bool:
        """Whether the length speaks for another number of teeth."""
        return not LENGTH_DOUBTED[0] <= self.length_share <= LENGTH_DOUBTED[1]


def divide_units(
    mesh: TriangleMesh, teeth: Sequence[int], orientation: ArchOrientation, arch: TriangleMesh
) -> Units:
    """Return how a bridge is divided into its teeth.

    Parameters
    ----------
    mesh
        The bridge, in its arch scan's frame.
    teeth
        ISO 3950, two or more that stand next to each other, from the patient's right to left.
    orientation
        Right and anterior in that frame.
    arch
        The scan that it stands on: seen from behind its middle, a bridge's right end is on the
        right.

    Raises
    ------
    InputError
        If the mesh is too short or too long for these teeth.
    """
    flat = np.vstack([orientation.right, orientation.anterior])
    centre = mesh.vertices[mesh.faces].mean(axis=1) @ flat.T
    area = mesh.face_areas()
    middle = area @ centre / area.sum()
    spread = (centre - middle).T @ (area[:, None] * (centre - middle))
    long = np.linalg.eigh(spread)[1][:, -1]
    places = arch.vertices @ flat.T
    behind = np.array([0.5 * (places[:, 0].min() + places[:, 0].max()), places[:, 1].min()])
    reach = (centre - middle) @ long
    ends = [middle + long * reach.min() - behind, middle + long * reach.max() - behind]
    angles = [np.arctan2(end[1], end[0]) for end in ends]
    if angles[0] > angles[1]:
        long = -long
    axes = np.vstack([long, [-long[1], long[0]]]) @ flat
    at = mesh.vertices[mesh.faces].mean(axis=1) @ axes.T
    curve = np.polynomial.Polynomial.fit(at[:, 0], at[:, 1], 2, w=np.sqrt(area))
    u = np.arange(at[:, 0].min() - 3.0, at[:, 0].max() + 3.0, SAMPLE_MM)
    line = np.column_stack([u, curve(u)])
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    arc_mm = np.concatenate([[0.0], np.cumsum(steps)])
    tips = _along(mesh.vertices @ axes.T, line, arc_mm)
    low, high = float(tips.min()), float(tips.max())
    widths = np.array([MESIODISTAL_MM[is_upper(t)][position_of(t) - 1] for t in teeth])
    share = (high - low) / float(widths.sum())
    if not LENGTH_REFUSED[0] <= share <= LENGTH_REFUSED[1]:
        raise InputError(
            f"the mesh is {high - low:.1f} mm long, and teeth {', '.join(map(str, teeth))} are "
            f"{widths.sum():.1f} mm wide together (handbook): name in teeth the teeth that the "
            "mesh stands for, each one and no other, or give a mesh that holds them all"
        )
    cuts = low + (high - low) * np.cumsum(widths)[:-1] / widths.sum()
    found = _along(at, line, arc_mm)
    slab, girth = _girth(mesh, found, line, arc_mm, axes)
    refined = [
        _narrowest(cut, SEARCH_SHARE * share * min(widths[k : k + 2]), slab, girth)
        for k, cut in enumerate(cuts)
    ]
    return Units(tuple(teeth), axes, line, arc_mm, np.array(refined), share)


def _along(places: Float64Array, line: Float64Array, arc_mm: Float64Array) -> Float64Array:
    """Return how far along the line (n,), mm, its point nearest to places (n, 2) lies."""
    return arc_mm[KDTree(line).query(places)[1]]


def _girth(
    mesh: TriangleMesh,
    along_mm: Float64Array,
    line: Float64Array,
    arc_mm: Float64Array,
    axes: Float64Array,
) -> tuple[Float64Array, Float64Array]:
    """Return places along the line (m,) and the surface's length around it there, mm.

    The area of a slab's faces, seen from across the line, over its thickness.
    """
    tangent = np.gradient(line, arc_mm, axis=0)
    ahead = tangent[np.searchsorted(arc_mm, along_mm)] @ axes
    normal = mesh.face_vectors()
    length = np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    area = mesh.face_areas()
    end_on = np.einsum("ij,ij->i", normal / length[:, None], ahead)
    side_on = area * np.sqrt(np.maximum(1.0 - end_on**2, 0.0))
    edges = np.arange(along_mm.min(), along_mm.max() + SLAB_MM, SLAB_MM)
    girth = np.histogram(along_mm, edges, weights=side_on)[0] / SLAB_MM
    return 0.5 * (edges[:-1] + edges[1:]), gaussian_filter1d(girth, SMOOTH_MM / SLAB_MM)


def _narrowest(cut: float, reach_mm: float, slab: Float64Array, girth: Float64Array) -> float:
    """Return the narrowest place within reach of a cut; the cut where none is narrower inside."""
    near = np.flatnonzero(np.abs(slab - cut) <= reach_mm)
    best = near[np.argmin(girth[near])]
    return float(slab[best]) if near[0] < best < near[-1] else cut


def outer_neighbours(teeth: Sequence[int]) -> tuple[tuple[int, int | None], ...]:
    """Return (end, next tooth beyond it) at the mesial and the distal end of a crown's teeth.

    teeth run from the patient's right to left. Where they cross the midline, neither end is
    mesial: the left one takes that place, as seen from the first tooth. The next tooth is None
    behind a third molar.
    """
    first, last = teeth[0], teeth[-1]
    if side_of(first) != side_of(last):
        return (last, distal_neighbour(last)), (first, distal_neighbour(first))
    mesial, distal = (last, first) if side_of(first) == "right" else (first, last)
    return (mesial, mesial_neighbour(mesial)), (distal, distal_neighbour(distal))


def gaps_in(teeth: Sequence[int], missing: Sequence[int]) -> list[int]:
    """Return the teeth that stand between those of one crown without belonging to it.

    teeth run from the patient's right to left; missing ones, whose gap has closed, are passed.
    """
    between = (
        tooth_step(teeth[0], k) for k in range(1, arch_index(teeth[-1]) - arch_index(teeth[0]))
    )
    return [t for t in between if t is not None and t not in teeth and t not in missing]
