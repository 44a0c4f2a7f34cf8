"""The fast distance: a sparse band of voxel blocks around a surface, read by interpolation.

Node values are exact to nanometres; between nodes the trilinear value of a distance differs from
the distance by up to half a voxel across a groove and by the square of the voxel where the
surface is smooth. Search on the band, finish on `Surface.closest`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import (
    Float32Array,
    Float64Array,
    Int16Array,
    Int32Array,
    frozen,
    points_array,
)
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels import band

MOST_LEVELS = 4


@dataclass(frozen=True, slots=True)
class SdfSettings:
    """How fine and how wide the band is, and how much memory it may take.

    Parameters
    ----------
    voxel_mm, band_mm
        Size of a cell, and farthest known distance on either side.
    memory_limit_mb
        A field that would need more is refused.
    fine_levels
        How often cells are halved where surfaces can meet; 0 leaves all as they are.
    fine_reach_mm
        Cells are halved within this distance of the surface and, where the places are given at
        which another surface may come, of these.
    """

    voxel_mm: float = 0.1
    band_mm: float = 1.0
    memory_limit_mb: float = 2000.0
    fine_levels: int = 0
    fine_reach_mm: float = 0.3

    def __post_init__(self) -> None:
        for name in ("voxel_mm", "band_mm", "memory_limit_mb", "fine_reach_mm"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"distance field: {name} = {value} given, above 0 wanted")
        if self.band_mm < 2 * self.voxel_mm:
            raise InputError(
                f"distance field: band_mm = {self.band_mm} given, "
                f"at least two voxels ({2 * self.voxel_mm} mm) wanted"
            )
        if self.fine_levels not in range(MOST_LEVELS + 1):
            raise InputError(
                f"distance field: fine_levels = {self.fine_levels} given, a whole number from 0 to "
                f"{MOST_LEVELS} wanted"
            )


@dataclass(frozen=True, slots=True)
class SparseSdf:
    """Signed distances on the nodes of voxel blocks; what is not known is NaN.

    Parameters
    ----------
    lattice : (5,)
        First node of the first block (3), in the surface's frame, mm; voxel size, mm, and one over
        it.
    band_mm
    block_index : (X, Y, Z), octants : (O, 8)
        Which row of `nodes` holds each place of 8 cells a side, see `occlusim.kernels.band`.
    nodes : (B, 729), plane : (B, 5), mm
        9 x 9 x 9 nodes, the last axis (z) fastest, in steps above a plane.

    Notes
    -----
    Unknown are nodes beyond the band, nodes whose nearest feature lies on an open edge, and
    neighbours between which the sign changes without a crossing. A value is known where all eight
    nodes around it are, so surely within `band_mm` less the diagonal of a voxel.
    """

    lattice: Float64Array
    band_mm: float
    block_index: Int32Array
    octants: Int32Array
    nodes: Int16Array
    plane: Float32Array

    @property
    def voxel_mm(self) -> float:
        """Size of a cell of the coarsest level."""
        return float(self.lattice[3])

    @property
    def n_blocks(self) -> int:
        """Blocks held."""
        return len(self.nodes)

    @property
    def memory_bytes(self) -> int:
        """Bytes held by blocks and index."""
        return sum(array.nbytes for array in self.arrays)

    @property
    def rounding_mm(self) -> float:
        """Largest difference of a stored node from the exact distance, mm."""
        return 0.51 * float(self.plane[:, 4].max(initial=0.0)) + band.ROUNDING_MM

    @property
    def arrays(
        self,
    ) -> tuple[Float64Array, Int32Array, Int32Array, Int16Array, Float32Array]:
        """The arrays in the order that kernels take."""
        return (self.lattice, self.block_index, self.octants, self.nodes, self.plane)

    def sample(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> Float64Array:
        """Return interpolated signed distances (n,), mm, NaN where unknown.

        Parameters
        ----------
        points : (n, 3), mm
        T_field_points
            Carries the points into the field's frame; none leaves them where they are.
        """
        queries = points_array(points)
        out = np.empty(len(queries))
        self.sample_into(out, queries, T_field_points or RigidTransform.identity())
        return out

    def sample_into(
        self, out: Float64Array, points: Float64Array | Float32Array, T_field_points: RigidTransform
    ) -> None:
        """Write interpolated signed distances into `out` (n,), mm, without any check or copy.

        For loops over poses: `points` (n, 3) float32 or float64, C-contiguous.
        """
        T = T_field_points
        band.sample_values(
            frozen(points, points.dtype), T.rotation, T.translation, *self.arrays, out
        )

    def lower_bounds(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> Float64Array:
        """Return lower bounds (n,), mm, of the exact distances; NaN where no node around is known.

        A distance changes no faster than its point, so each of the eight nodes gives a bound. At a
        flat surface the best of them lies some 0.2 voxels below the distance, at most 0.9. For
        searches that must not lose a place, also beside the unknown.

        Parameters
        ----------
        points : (n, 3), mm
        T_field_points
            Carries the points into the field's frame; none leaves them where they are.
        """
        queries = frozen(points_array(points), np.float64)
        T = T_field_points or RigidTransform.identity()
        out = np.empty(len(queries))
        band.sample_lower(queries, T.rotation, T.translation, *self.arrays, out)
        return out

    def sample_with_gradient(
        self, points: ArrayLike, T_field_points: RigidTransform | None = None
    ) -> tuple[Float64Array, Float64Array]:
        """Return distances (n,), mm, and their gradients (n, 3) in the field's frame.

        The gradient is that of the trilinear value: exact for it, not quite of unit length.
        """
        queries = frozen(points_array(points), np.float64)
        T = T_field_points or RigidTransform.identity()
        gradient = np.empty((len(queries), 3))
        band.sample_gradients(queries, T.rotation, T.translation, *self.arrays, gradient)
        return self.sample(queries, T), gradient
