"""Safe steps hold: along a motion no sample of a piece comes as near as the target within one."""

import numpy as np
import pytest
from reference.laws import random_pose
from scipy.spatial import cKDTree

from occlusim.contact.motions import Piece
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.approach import coin_step, triangle_step

IDENTITY = RigidTransform.identity()


def random_coin(rng, size):
    """Return a coin (8,) and points (n, 3) on its rims and in its discs."""
    centre, normal = rng.normal(0, 0.8, 3), rng.normal(size=3)
    normal /= np.linalg.norm(normal)
    half, radius = rng.uniform(0.01, 0.1 * size), rng.uniform(0.3 * size, size)
    u = np.cross(normal, rng.normal(size=3))
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    points = np.concatenate(
        [
            centre + h * normal + r * ring
            for h in (-half, half)
            for r in radius * np.arange(1, 7) / 6
        ]
    )
    return np.array([*centre, *normal, half, radius]), points


def random_piece(rng, middle):
    """Return a motion about a point, at times a body's own middle: spinning, sliding, or both."""
    turn = rng.normal(0, 1.0, 3) * rng.choice([0.0, 0.3, 2.0])
    velocity = rng.normal(0, 2.0, 3) * rng.choice([0.0, 1.0])
    about = middle + rng.normal(0, 3.0, 3) * rng.choice([0.0, 1.0])
    return Piece(0.0, 1.0, 1.0, IDENTITY, turn, about, velocity)


def apart(p, q):
    return cKDTree(q).query(p)[0].min()


@pytest.mark.parametrize("target", [0.15, 0.3])
def test_coins_keep_apart_within_a_step(rng, target):
    n_steps = n_moved = 0
    for _ in range(400):
        a, on_a = random_coin(rng, 0.8)
        b, on_b = random_coin(rng, 0.8)
        piece = random_piece(rng, b[:3])
        step = coin_step(a[None], 0, b, target, piece.motion(0.0))
        if not 0.0 < step < 3.0:
            continue
        n_steps += 1
        for part in np.linspace(0.0, 1.0, 12):
            assert apart(piece.pose(part * step).apply(on_b), on_a) > target
        moved = piece.pose(step).apply(on_b) - on_b
        n_moved += np.linalg.norm(moved, axis=1).max() > 0.5
    assert n_steps > 100
    assert n_moved > 30


@pytest.mark.parametrize("target", [0.0, 0.3])
def test_triangles_keep_apart_within_a_step(rng, target):
    weight = np.array([[i, j, 8 - i - j] for i in range(9) for j in range(9 - i)]) / 8
    work, on_s = np.empty((2, 3)), np.empty(3)
    n_steps = 0
    for _ in range(400):
        s, t = (random_pose(rng, 3.0, 2.0).apply(rng.normal(0, 0.7, (3, 3))) for _ in range(2))
        piece = random_piece(rng, s.mean(axis=0))
        step, distance = triangle_step(s, t, target, np.inf, piece.motion(0.0), work, on_s)
        if not 0.0 < step < 3.0:
            continue
        n_steps += 1
        assert distance <= apart(weight @ s, weight @ t) + 1e-12
        for part in np.linspace(0.0, 1.0, 12):
            assert apart(piece.pose(part * step).apply(weight @ s), weight @ t) > target
    assert n_steps > 100
    rest = Piece(0.0, 1.0, 1.0, IDENTITY, np.zeros(3), np.zeros(3), np.zeros(3))
    assert triangle_step(s, t + 9.0, 0.0, np.inf, rest.motion(0.0), work, on_s)[0] == np.inf
    assert triangle_step(s, s.copy(), 0.0, np.inf, rest.motion(0.0), work, on_s)[0] == 0.0
