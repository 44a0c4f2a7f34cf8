"""Repeats of a registered bite on arches with a closed form: errors beside what was stated.

Every repeat triangulates its parts anew and adds noise of a given size and correlation to each of
them; the truth is known. `bench_registration.py` prints what `scatter` returns.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from reference.target_error import chained_covariance, isotropic_factor, surface_covariance
from registration.arch_phantom import (
    BUCCAL,
    LEFT,
    LOWER,
    MOLARS,
    RIGHT,
    TRUE_BITES,
    TRUE_LOWER,
    UPPER,
    arc_length,
    build_phantom,
    build_shared_phantom,
    molar_error_um,
    patch,
)

from benchmarks.measure import UM
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import RegistrationSettings, register_bite
from occlusim.registration.uncertainty import covariance_about

OUTER = (0.15, 1.8)
"""Only the outer faces of the arches, what bite scans see: smaller scans for many repeats."""

NEAR_START = RegistrationSettings(start_distance_mm=0.6, early_points=500)


@dataclass(frozen=True)
class Setting:
    """What a phantom is made of; `more` are arguments of `build_phantom`."""

    name: str
    edge_mm: float = 0.3
    sigma_mm: float = 0.015
    bite_sigma_mm: float = 0.015
    length_mm: float = 0.3
    sides: tuple = (RIGHT, LEFT)
    more: dict[str, Any] = field(default_factory=lambda: {"arch_theta": OUTER})


SETTINGS = (
    Setting("15 um over 0.3 mm"),
    Setting("one-sided", sides=(RIGHT,)),
    Setting("arches 5 um, bites 8 um", sigma_mm=0.005, bite_sigma_mm=0.008),
    Setting("over 0.6 mm", length_mm=0.6),
    Setting("white noise", length_mm=0.0),
    Setting("edges 0.5 mm", edge_mm=0.5),
    Setting("edges 0.2 mm", edge_mm=0.2),
    Setting("edges 0.2 and 0.4 mm", 0.2, more={"arch_theta": OUTER, "bite_edge_mm": 0.4}),
    Setting("whole arches", more={}),
    Setting("two bites on one place", sides=(RIGHT, (8.0, 23.0))),
)


def teeth_beside(n: int, middle_mm: float = 29.0) -> tuple[float, float]:
    """Return the range of x, mm, that n teeth take on the right, about a place along the arch."""
    x = np.linspace(0.0, 34.0, 4000)
    ends = np.interp([middle_mm - 4.0 * n, middle_mm + 4.0 * n], arc_length(x), x)
    return float(ends[0]), float(ends[1])


def mirrored(side: tuple[float, float]) -> tuple[float, float]:
    """Return the same range of the other side."""
    return -side[1], -side[0]


@dataclass(frozen=True)
class Scatter:
    """Errors (n, 6) of the lower pose as left twists about the upper origin, covariances stated."""

    error: np.ndarray
    stated: np.ndarray
    area_mm2: np.ndarray

    @property
    def n(self) -> int:
        """How many repeats."""
        return len(self.error)

    def normalised(self) -> np.ndarray:
        """Return e^T C^-1 e (n,); 6 wanted in the mean."""
        solved = np.linalg.solve(self.stated, self.error[:, :, None])[:, :, 0]
        return np.einsum("ij,ij->i", self.error, solved)

    def interval(self) -> tuple[float, float]:
        """Return the 95 % interval of the mean normalised square, where what is stated is right."""
        low, high = chi2.ppf([0.025, 0.975], 6 * self.n) / self.n
        return float(low), float(high)

    def bias_chance(self) -> float:
        """Return the chance of a mean error as large as this by noise alone."""
        mean = self.error.mean(axis=0)
        covariance = self.stated.mean(axis=0) / self.n
        return float(chi2.sf(mean @ np.linalg.solve(covariance, mean), 6))

    def shift_mm(self, point: np.ndarray) -> np.ndarray:
        """Return the displacement (n, 3) of a point of the lower jaw."""
        return self.error[:, 3:] + np.cross(self.error[:, :3], point)

    def found_um(self, point: np.ndarray) -> float:
        """Return the root mean square displacement of a point."""
        return UM * float(np.sqrt(np.mean(np.sum(self.shift_mm(point) ** 2, axis=1))))

    def found_interval_um(self, point: np.ndarray) -> tuple[float, float]:
        """Return its 95 % interval, from 2000 redraws of the repeats (bootstrap)."""
        square = np.sum(self.shift_mm(point) ** 2, axis=1)
        draw = np.random.default_rng(0).integers(0, self.n, (2000, self.n))
        low, high = np.quantile(np.sqrt(square[draw].mean(axis=1)), [0.025, 0.975])
        return UM * float(low), UM * float(high)

    def stated_um(self, point: np.ndarray) -> float:
        """Return the root mean square of what the covariances state there."""
        trace = [np.trace(covariance_about(c, point)[3:, 3:]) for c in self.stated]
        return UM * float(np.sqrt(np.mean(trace)))


def one_repeat(setting: Setting, seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the error, the stated covariance and the mean area of an independent residual."""
    p = build_phantom(
        setting.edge_mm, seed, sigma_mm=setting.sigma_mm, bite_sigma_mm=setting.bite_sigma_mm,
        length_mm=setting.length_mm, sides=setting.sides, **setting.more,
    )  # fmt: skip
    arches, bites = [Surface.build(m) for m in (p.upper, p.lower)], map(Surface.build, p.bites)
    found = register_bite(
        *arches, list(bites), T_upper_lower=TRUE_LOWER,
        T_upper_bites=TRUE_BITES[: len(p.bites)], settings=NEAR_START,
    )  # fmt: skip
    error = (found.T_upper_lower @ TRUE_LOWER.inverse()).log()
    return error, found.covariance, float(np.mean([b.correlation_area_mm2 for b in found.bites]))


def scatter(setting: Setting, n: int, first_seed: int, processes: int) -> Scatter:
    """Return the scatter over n seeds; processes share them, and change no number."""
    seeds = range(first_seed, first_seed + n)
    work = partial(one_repeat, setting)
    if processes < 2:
        rows = [work(seed) for seed in seeds]
    else:
        with get_context("spawn").Pool(processes) as pool:
            rows = pool.map(work, seeds, chunksize=4)
    error, stated, area = zip(*rows, strict=True)
    return Scatter(np.array(error), np.array(stated), np.array(area))


def predicted_um(setting: Setting, point: np.ndarray) -> float:
    """Return the first-order error at a point from closed forms alone: shapes and noise.

    One independent residual has the noise of both surfaces and the area 2 pi length^2, the
    integral of its correlation; a vertex carries its share of one.
    """
    one_mm4 = (setting.sigma_mm**2 + setting.bite_sigma_mm**2) * 2 * np.pi * setting.length_mm**2
    records = [
        [surface_covariance(*_faces(row, side), point) * one_mm4 for row in (UPPER, LOWER)]
        for side in setting.sides
    ]
    return UM * float(np.sqrt(np.trace(chained_covariance(records)[3:, 3:])))


def isotropic_um_per_fle(setting: Setting, point: np.ndarray) -> float:
    """Return the error by the formula for points, for a localisation error of 1 um over 1 mm2.

    Principal axes are those of all faces that the bite scans share with an arch; both arches add.
    """
    total = 0.0
    for row in (UPPER, LOWER):
        faces = [_faces(row, side) for side in setting.sides]
        points, weight = (np.concatenate([f[i] for f in faces]) for i in (0, 2))
        total += isotropic_factor(points, weight, point) / weight.sum()
    return float(np.sqrt(total))


def _faces(row, side: Sequence[float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return points, normals and areas of the faces of a row that a bite scan sees."""
    surface = Surface.build(patch(row, tuple(side), BUCCAL, 0.3, np.random.default_rng(0)))
    return surface.mesh.vertices, surface.vertex_normals, np.asarray(surface.vertex_area_mm2)


NEAR, FAR = MOLARS
"""The first molars of the right and of the left: near and far for a record of the right."""


def noise_free_error_um(edge_mm: float, seed: int) -> float:
    """Return the error at the molars of parts that are each triangulated on its own."""
    p = build_phantom(edge_mm, seed, arch_theta=OUTER)
    found = register_bite(
        Surface.build(p.upper), Surface.build(p.lower), [Surface.build(b) for b in p.bites],
        T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES, settings=NEAR_START,
    )  # fmt: skip
    return molar_error_um(found.T_upper_lower, TRUE_LOWER)


def shared_error_um(edge_mm: float, seed: int) -> float:
    """Return the error at the molars of bite scans cut out of the arches."""
    p = build_shared_phantom(edge_mm, seed)
    found = register_bite(
        Surface.build(p.upper), Surface.build(p.lower), [Surface.build(b) for b in p.bites],
        T_upper_lower=RigidTransform.identity(),
    )  # fmt: skip
    return molar_error_um(found.T_upper_lower, TRUE_LOWER)
