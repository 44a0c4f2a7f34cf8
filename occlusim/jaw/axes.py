"""Right, front and top of a scan, as unit vectors in its own frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array, frozen, unit_vector
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform


@dataclass(frozen=True, slots=True)
class ArchOrientation:
    """Unit vectors to the patient's right, front and top, and a point of the occlusal layer.

    All are in one frame, that of the upper scan where `orient_arches` gives them; use
    `transformed` to carry them to the frame of the lower scan. `origin` is the middle of the
    layer where the arches meet, mm; None where not known.
    """

    right: Float64Array
    anterior: Float64Array
    superior: Float64Array
    origin: Float64Array | None = None
    confidence: float = 1.0

    def __post_init__(self) -> None:
        for name in ("right", "anterior", "superior"):
            object.__setattr__(self, name, frozen(unit_vector(getattr(self, name), name), float))
        axes = self.axes
        if np.max(np.abs(axes @ axes.T - np.eye(3))) > 1e-6 or np.linalg.det(axes) < 0:
            raise InputError(
                "orientation: right, anterior and superior must be perpendicular and right-handed "
                "(right x anterior = superior)"
            )
        if self.origin is not None:
            object.__setattr__(self, "origin", frozen(self.origin, np.float64))

    @property
    def axes(self) -> Float64Array:
        """Rows right, anterior, superior: turns vectors of the scan into patient axes."""
        return np.vstack([self.right, self.anterior, self.superior])

    def to_patient(self, points: Float64Array) -> Float64Array:
        """Return points (n, 3) in right, anterior, superior from the origin, mm."""
        origin = np.zeros(3) if self.origin is None else self.origin
        return (points - origin) @ self.axes.T

    def transformed(self, T_new_old: RigidTransform) -> ArchOrientation:
        """Return the orientation in another frame, such as the lower scan's."""
        return ArchOrientation(
            T_new_old.rotate(self.right),
            T_new_old.rotate(self.anterior),
            T_new_old.rotate(self.superior),
            None if self.origin is None else T_new_old.apply(self.origin),
            self.confidence,
        )


def mesh_of(scan: Any) -> TriangleMesh:
    """Return the mesh of a scan, or the mesh itself."""
    return getattr(scan, "mesh", scan)
