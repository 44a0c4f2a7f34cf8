"""Gaps between surfaces: search on the band, finish on the exact distance.

A gap is a signed distance, negative where the surfaces overlap.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import BoolArray, Float64Array, Int32Array, frozen
from occlusim.contact.clusters import Clusters
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings, SparseSdf, build_sdf


@dataclass(frozen=True)
class GapField:
    """A surface's exact distance and its band, in one frame.

    Parameters
    ----------
    surface, sdf
    longest_edge_mm : (F,)
        Longest edge of each face.
    all_faces : (F,)
        True everywhere: the mask that leaves nothing out.
    """

    surface: Surface
    sdf: SparseSdf
    longest_edge_mm: Float64Array
    all_faces: BoolArray

    @staticmethod
    def build(source: Surface | TriangleMesh, settings: SdfSettings | None = None) -> GapField:
        """Return the field of a surface; see `build_sdf` for what it refuses."""
        surface = Surface.build(source) if isinstance(source, TriangleMesh) else source
        return GapField._of(surface, build_sdf(surface, settings))

    def part(self, faces: Int32Array) -> GapField:
        """Return the field of some faces (k,) alone, with the band of the whole surface.

        A part lies no nearer than the whole, so the band's lower bounds hold for it too; its
        values do not.
        """
        return GapField._of(Surface.build(self.surface.mesh.submesh(faces)[0]), self.sdf)

    def shrunk(self, surface: Surface) -> GapField:
        """Return the field of a surface within this one's, with this one's band as lower bounds."""
        return GapField._of(surface, self.sdf)

    @cached_property
    def clusters(self) -> Clusters:
        """The surface's faces in clusters, laid when a gap between whole surfaces asks first."""
        return Clusters.build(self.surface)

    @property
    def tree(self) -> tuple[Any, ...]:
        """The surface's tree as kernels take it: boxes, links, corners, slot_face."""
        return self.surface.tree[:4]

    @property
    def normals(self) -> tuple[Any, ...]:
        """What tells the side, as kernels take it: see `occlusim.kernels.sign`."""
        return self.surface.tree[4:]

    @property
    def band(self) -> tuple[Any, ...]:
        """The band as `occlusim.kernels.survey.lower_at` takes it."""
        return self.sdf.arrays

    @staticmethod
    def _of(surface: Surface, sdf: SparseSdf) -> GapField:
        corner = surface.mesh.vertices[surface.mesh.faces]
        edges = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)
        return GapField(
            surface,
            sdf,
            frozen(edges.max(axis=1), np.float64),
            frozen(np.ones(len(corner)), np.bool_),
        )

    def exact(
        self,
        points: ArrayLike,
        T_field_points: RigidTransform | None = None,
        max_distance_mm: float = np.inf,
    ) -> Float64Array:
        """Return exact signed gaps (n,), mm; NaN farther than the bound or where unknown."""
        return self.surface.closest(points, max_distance_mm, T_field_points).distance_mm
