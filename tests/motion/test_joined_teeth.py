"""Teeth under one bridge give way as one body on all its sockets; a pontic has none."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.motion.mobility import MobilitySettings, Sockets

AXIS = np.array([0.0, 0.0, 1.0])
BRIDGE = MobilitySettings(joined=((46, 45, 44),), hanging=frozenset({45}))


def pull_N(sockets, way_mm):
    """Return the force of all sockets together once every free body has gone a way (3,)."""
    n = len(sockets.tooth)
    gradient, hessian = np.zeros(3 * n), np.zeros((3 * n, 3 * n))
    basis = sockets.basis()
    shift = np.tile(way_mm, sockets.n_bodies) @ basis
    sockets.add(shift.reshape(n, 3), gradient, hessian)
    return (basis @ gradient).reshape(sockets.n_bodies, 3)


def test_a_bridge_comes_whole_once_one_of_its_teeth_is_met():
    sockets = Sockets.of((45, 36), AXIS, BRIDGE)
    assert sockets.tooth == (36, 44, 45, 46)
    assert sockets.n_bodies == 2
    assert Sockets.of((36,), AXIS, BRIDGE).tooth == (36,)


@pytest.mark.parametrize("way_um", [5.0, 17.5, 40.0])
def test_two_sockets_bear_a_bridge_of_three_and_the_pontic_bears_nothing(way_um):
    way = np.array([0.0, 0.0, way_um * 1e-3])
    one = pull_N(Sockets.of((36,), AXIS, MobilitySettings()), way)[0]
    bridge = pull_N(Sockets.of((45,), AXIS, BRIDGE), way)[0]
    assert_allclose(bridge, 2.0 * one, rtol=0, atol=1e-9)


def test_alone_every_tooth_keeps_its_own_freedoms():
    sockets = Sockets.of((44, 45, 46), AXIS, MobilitySettings())
    assert_allclose(sockets.basis(), np.eye(9), rtol=0, atol=0)
    along = Sockets.of((44, 46), AXIS, MobilitySettings(has_lateral=False))
    assert_allclose(along.basis(), [[0, 0, 1, 0, 0, 0], [0, 0, 0, 0, 0, 1]], rtol=0, atol=0)


def test_joined_along_the_axis_alone_there_is_one_freedom():
    settings = MobilitySettings(joined=((45, 44),), has_lateral=False)
    sockets = Sockets.of((44, 36), AXIS, settings)
    assert_allclose(
        sockets.basis(), [[0, 0, 1, 0, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0, 1, 0, 0, 1]], rtol=0, atol=0
    )
