"""Rigid transforms, named `T_destination_source` so that neighbours cancel.

Twists are ordered rotation (rad) then translation (mm) and act on the left:
``T_new = RigidTransform.exp(twist) @ T_old``. Source of the formulas: Murray, Li & Sastry,
A Mathematical Introduction to Robotic Manipulation, 1994, chapter 2 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array, frozen, unit_vector
from occlusim.errors import InputError


def skew(v: Float64Array) -> Float64Array:
    """Return the (3, 3) matrix of the cross product with `v`."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


@dataclass(frozen=True, slots=True)
class RigidTransform:
    """A proper rotation (3, 3) and a translation (3,) in mm: ``p_dest = R p_source + t``.

    Raises
    ------
    InputError
        If the rotation is not orthonormal within 1e-6 or is a reflection.
    """

    rotation: Float64Array
    translation: Float64Array

    def __post_init__(self) -> None:
        rotation = frozen(self.rotation, np.float64)
        translation = frozen(self.translation, np.float64)
        if rotation.shape != (3, 3) or translation.shape != (3,):
            raise InputError(
                f"transform: rotation {rotation.shape}, translation {translation.shape} given, "
                "(3, 3) and (3,) wanted"
            )
        error = float(np.max(np.abs(rotation @ rotation.T - np.eye(3))))
        if not error < 1e-6 or np.linalg.det(rotation) < 0:
            raise InputError(
                f"transform: rotation is not a proper rotation (orthonormal within {error:.2g}, "
                f"determinant {np.linalg.det(rotation):.3g}; 1e-6 and +1 wanted)"
            )
        object.__setattr__(self, "rotation", rotation)
        object.__setattr__(self, "translation", translation)

    @staticmethod
    def identity() -> RigidTransform:
        """Return the transform that moves nothing."""
        return RigidTransform.trusted(np.eye(3), np.zeros(3))

    @staticmethod
    def trusted(rotation: Float64Array, translation: Float64Array) -> RigidTransform:
        """Return a transform made of checked ones, without checking again."""
        made = object.__new__(RigidTransform)
        object.__setattr__(made, "rotation", frozen(rotation, np.float64))
        object.__setattr__(made, "translation", frozen(translation, np.float64))
        return made

    @staticmethod
    def from_matrix(matrix: ArrayLike) -> RigidTransform:
        """Return the transform of a homogeneous (4, 4) matrix."""
        m = np.asarray(matrix, dtype=np.float64)
        if m.shape != (4, 4) or not np.allclose(m[3], [0, 0, 0, 1], rtol=0, atol=1e-9):
            raise InputError("transform: a 4x4 matrix with last row 0 0 0 1 is wanted")
        return RigidTransform(m[:3, :3], m[:3, 3])

    @staticmethod
    def rotation_about(point: ArrayLike, axis: ArrayLike, angle_rad: float) -> RigidTransform:
        """Return the rotation by `angle_rad` (right hand) about the line through `point`."""
        p = np.asarray(point, dtype=np.float64)
        u = unit_vector(axis, "axis")
        k = skew(u)
        rotation = np.eye(3) + np.sin(angle_rad) * k + (1 - np.cos(angle_rad)) * (k @ k)
        return RigidTransform.trusted(rotation, p - rotation @ p)

    @staticmethod
    def exp(twist: ArrayLike) -> RigidTransform:
        """Return the transform of a (6,) twist: rotation vector (rad), translation part (mm)."""
        xi = np.asarray(twist, dtype=np.float64)
        w, v = xi[:3], xi[3:]
        angle = float(np.linalg.norm(w))
        k = skew(w)
        if angle < 1e-6:
            a, b, c = 1 - angle**2 / 6, 0.5 - angle**2 / 24, 1 / 6 - angle**2 / 120
        else:
            a = np.sin(angle) / angle
            b = (1 - np.cos(angle)) / angle**2
            c = (1 - a) / angle**2
        rotation = np.eye(3) + a * k + b * (k @ k)
        return RigidTransform(rotation, (np.eye(3) + b * k + c * (k @ k)) @ v)

    def log(self) -> Float64Array:
        """Return the (6,) twist whose exponential this is; rotations below 180 degrees only."""
        r = self.rotation
        axis2 = np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]])
        s = 0.5 * float(np.linalg.norm(axis2))
        angle = float(np.arctan2(s, 0.5 * (np.trace(r) - 1)))
        w = 0.5 * axis2 * (1 + angle**2 / 6 if angle < 1e-6 else angle / s)
        k = skew(w)
        half = 0.5 * angle
        d = 1 / 12 if angle < 1e-4 else (1 - half / np.tan(half)) / angle**2
        return np.concatenate([w, (np.eye(3) - 0.5 * k + d * (k @ k)) @ self.translation])

    @property
    def matrix(self) -> Float64Array:
        """The homogeneous (4, 4) matrix."""
        m = np.eye(4)
        m[:3, :3] = self.rotation
        m[:3, 3] = self.translation
        return m

    def inverse(self) -> RigidTransform:
        """Return the transform back from destination to source."""
        return RigidTransform.trusted(self.rotation.T, -self.rotation.T @ self.translation)

    def apply(self, points: ArrayLike) -> Float64Array:
        """Return points (n, 3) or (3,), mm, carried into the destination frame."""
        return np.asarray(points, dtype=np.float64) @ self.rotation.T + self.translation

    def rotate(self, vectors: ArrayLike) -> Float64Array:
        """Return directions (n, 3) or (3,) turned into the destination frame."""
        return np.asarray(vectors, dtype=np.float64) @ self.rotation.T

    def __matmul__(self, other: RigidTransform) -> RigidTransform:
        rotation = self.rotation @ other.rotation
        return RigidTransform.trusted(
            rotation, self.rotation @ other.translation + self.translation
        )
