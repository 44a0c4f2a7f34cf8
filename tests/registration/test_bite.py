"""The joint registration against phantoms with a closed form."""

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from registration.arch_phantom import (
    MOLARS,
    TRUE_BITES,
    TRUE_LOWER,
    Phantom,
    build_phantom,
    build_shared_phantom,
    molar_error_um,
)

from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration, RegistrationSettings, register_bite

IDENTITY = RigidTransform.identity()
OUTER = (0.15, 1.8)
"""Only the outer faces of the arches: what bite scans see."""


def _register(
    p: Phantom, start: RigidTransform = IDENTITY, bites: tuple | None = None, **settings: object
) -> BiteRegistration:
    return register_bite(
        Surface.build(p.upper),
        Surface.build(p.lower),
        [Surface.build(b) for b in p.bites],
        T_upper_lower=start,
        T_upper_bites=bites,
        settings=RegistrationSettings(**settings),
    )


@cache
def _clean() -> Phantom:
    return build_phantom(0.5, 1)


@cache
def _noisy() -> Phantom:
    return build_phantom(0.4, 2, sigma_mm=0.015)


@cache
def _noisy_registration() -> BiteRegistration:
    return _register(_noisy())


def test_parts_that_share_triangles_give_the_pose_back():
    p = build_shared_phantom(0.5, 1)
    result = _register(p)
    assert result.converged
    assert molar_error_um(result.T_upper_lower, p.T_upper_lower) < 0.1


@pytest.mark.slow
def test_independent_triangulations_converge_with_order_above_1_8():
    edges = np.array([1.0, 0.7, 0.5])
    curved, flat = np.zeros(3), np.zeros(3)
    for i, edge in enumerate(edges):
        p = build_phantom(edge, 3, arch_theta=OUTER)
        for errors, is_curved in ((curved, True), (flat, False)):
            found = _register(p, TRUE_LOWER, TRUE_BITES, is_curved=is_curved)
            errors[i] = molar_error_um(found.T_upper_lower, TRUE_LOWER)
    assert curved[-1] < 2.0
    assert np.polyfit(np.log(edges), np.log(flat), 1)[0] >= 1.8
    assert np.polyfit(np.log(edges), np.log(curved), 1)[0] >= 1.8
    assert (curved < 0.2 * flat).all(), "the curved patch takes most of the facets' bias away"


@pytest.mark.parametrize(
    "twist",
    [
        [0.03, 0.0, 0.0, 0.8, -0.6, 0.4],
        [0.0, -0.03, 0.01, -0.7, 0.7, -0.3],
        [-0.02, 0.02, 0.0, 0.0, -1.0, 0.6],
        [0.0, 0.02, -0.03, 0.5, 0.9, 0.0],
    ],
)
def test_four_start_errors_end_at_the_same_pose(twist):
    error = RigidTransform.exp(twist)
    bites = tuple(error.inverse() @ T for T in TRUE_BITES)
    found = _register(_noisy(), error @ TRUE_LOWER, bites)
    assert molar_error_um(found.T_upper_lower, _noisy_registration().T_upper_lower) < 0.05


def test_swapping_the_arches_gives_the_inverse():
    p = _noisy()
    swapped = Phantom(p.lower, p.upper, p.bites, p.T_upper_lower.inverse(), ())
    bites = tuple(TRUE_LOWER.inverse() @ T for T in TRUE_BITES)
    back = _register(swapped, TRUE_LOWER.inverse(), bites)
    assert molar_error_um(back.T_upper_lower.inverse(), _noisy_registration().T_upper_lower) < 0.05
    assert_allclose(back.bites[0].area_upper_mm2, _noisy_registration().bites[0].area_lower_mm2,
                    rtol=1e-3, atol=0)  # fmt: skip


def test_moving_all_inputs_moves_the_pose_and_nothing_else():
    p = _noisy()
    T_new_old = RigidTransform.exp([0.5, -0.8, 0.3, 40.0, -70.0, 20.0])
    moved = Phantom(
        p.upper.transformed(T_new_old), p.lower.transformed(T_new_old),
        tuple(b.transformed(T_new_old) for b in p.bites),
        p.T_upper_lower, p.T_upper_bites,
    )  # fmt: skip
    # to where nothing moves any more: starts are searched for on a grid, and differ
    there, here = (_register(each, tolerance_um=1e-6) for each in (moved, p))
    back = T_new_old.inverse() @ there.T_upper_lower @ T_new_old
    assert molar_error_um(back, here.T_upper_lower) < 1e-4
    for a, b in zip(there.bites, here.bites, strict=True):
        assert a.n_points == b.n_points
        for name in ("rms_um", "p95_um", "area_upper_mm2", "area_lower_mm2", "agreement"):
            assert_allclose(getattr(a, name), getattr(b, name), rtol=1e-7, atol=0)
    # a tenth of what scans alone settle to: a vertex between two facets may end on either
    assert_allclose(
        there.side_disagreement_um(T_new_old.apply(MOLARS)), here.side_disagreement_um(MOLARS),
        rtol=0, atol=0.01,
    )  # fmt: skip


def test_mirroring_all_inputs_mirrors_the_pose():
    p, mirror = _noisy(), np.diag([-1.0, 1.0, 1.0])

    def reflect(mesh: TriangleMesh) -> TriangleMesh:
        return TriangleMesh(mesh.vertices @ mirror, mesh.faces[:, ::-1])

    mirrored = Phantom(
        reflect(p.upper), reflect(p.lower), tuple(reflect(b) for b in p.bites),
        p.T_upper_lower, p.T_upper_bites,
    )  # fmt: skip
    found = _register(mirrored).T_upper_lower
    back = RigidTransform(mirror @ found.rotation @ mirror, mirror @ found.translation)
    assert molar_error_um(back, _noisy_registration().T_upper_lower) < 1e-3


def test_density_of_the_triangulation_does_not_count():
    # the same faces with every triangle of one region split in three: same surface, same pose
    p = _noisy()
    b = p.bites[0]
    middle = b.vertices[b.faces].mean(axis=1)
    split = middle[:, 0] > np.median(middle[:, 0])
    new = len(b.vertices) + np.arange(split.sum(), dtype=np.int32)
    f = b.faces[split]
    finer = np.concatenate(
        [b.faces[~split]] + [np.column_stack([f[:, i], f[:, j], new]) for i, j in
                             ((0, 1), (1, 2), (2, 0))]
    )  # fmt: skip
    dense = TriangleMesh(np.concatenate([b.vertices, middle[split]]), finer)
    result = _register(Phantom(p.upper, p.lower, (dense, p.bites[1]), TRUE_LOWER, TRUE_BITES))
    sigma_um = 11.0  # of the pose at the molars, stated for this phantom
    moved = molar_error_um(result.T_upper_lower, _noisy_registration().T_upper_lower)
    assert moved < 0.5 * sigma_um
    assert_allclose(result.bites[0].area_upper_mm2, _noisy_registration().bites[0].area_upper_mm2,
                    rtol=0.01, atol=0)  # fmt: skip


def test_inputs_are_checked_at_the_door():
    p = Surface.build(_clean().bites[0])
    with pytest.raises(InputError, match="no bite scan"):
        register_bite(p, p, [], T_upper_lower=IDENTITY)
    with pytest.raises(InputError, match="2 start poses"):
        register_bite(p, p, [p], T_upper_lower=IDENTITY, T_upper_bites=[IDENTITY, IDENTITY])
    with pytest.raises(InputError, match="end_distance_mm"):
        RegistrationSettings(end_distance_mm=3.0)
    with pytest.raises(InputError, match="normal_angle_deg"):
        RegistrationSettings(normal_angle_deg=100.0)
    with pytest.raises(InputError, match="tolerance_um"):
        RegistrationSettings(tolerance_um=0.0)
