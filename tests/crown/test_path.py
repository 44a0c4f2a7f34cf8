"""The table that stands for a continuous path."""

import numpy as np
import pytest
from crown.block_shapes import along, path
from numpy.testing import assert_allclose

from occlusim.crown.path import CrownPath, TableSettings, tabulate
from occlusim.errors import InputError

CUBE = np.array([[0.0, 0, 0], [10, 8, 6]])


def turning(knots) -> CrownPath:
    """A turn about z by s / 40 mm with a kink at s = 0.777."""

    def poses(s):
        a = s / 40.0
        c, i, o, e = np.cos(a), np.sin(a), 0 * a, 0 * a + 1
        rotation = np.stack([c, -i, o, i, c, o, o, o, e], -1).reshape(-1, 3, 3)
        return rotation, np.column_stack([o, np.abs(s - 0.777), s**2 / 30])

    return CrownPath("turn", knots, poses, lambda s: 0.05 * np.minimum(1.0, np.abs(s) / 0.5))


def test_interpolated_poses_stay_within_the_tolerance():
    one = turning(np.linspace(0, 3, 7))
    table = tabulate([one], CUBE)
    s = np.random.default_rng(1).uniform(0, 3, 400)
    row = np.interp(s, table.parameter_mm, np.arange(len(table.parameter_mm)))
    rotations, translations = one.poses(s)
    for k in range(len(s)):
        r, t = table.pose_at(row[k])
        off = (CUBE @ r.T + t) - (CUBE @ rotations[k].T + translations[k])
        assert np.linalg.norm(off, axis=1).max() < 3e-4
    assert_allclose(table.wanted_at(row), one.wanted_gap_mm(s), rtol=0, atol=3e-4)
    steps = np.linalg.norm(np.diff(table.translations, axis=0), axis=1)
    assert steps.max() <= 0.05
    assert_allclose(table.parameter_at(row), s, rtol=0, atol=1e-12)


def test_inverse_table_undoes_the_table():
    table = tabulate([turning([0.0, 1.0])], CUBE)
    back = table.inverse()
    r, t = table.pose_at(3.0)
    q, u = back.pose_at(3.0)
    assert_allclose((CUBE @ r.T + t) @ q.T + u, CUBE, rtol=0, atol=1e-12)


def test_falling_knots_are_a_path_too():
    table = tabulate([path("retrusion", [0.0, -0.5, -1.0], along((0, 1, 0)))], CUBE)
    assert (np.diff(table.parameter_mm) < 0).all()


@pytest.mark.parametrize("knots", [[], [0.0, 0.0], [0.0, 1.0, 0.5], [0.0, np.nan]])
def test_knots_that_are_no_path_are_refused(knots):
    with pytest.raises(InputError, match="knots"):
        path("centric", knots)


def test_two_movements_of_one_name_are_refused():
    with pytest.raises(InputError, match="not all different"):
        tabulate([path("centric", [0.0]), path("centric", [0.0])], CUBE)


def test_pose_that_is_not_finite_is_refused():
    with pytest.raises(InputError, match="not finite"):
        tabulate([path("a", [0.0, 1.0], lambda s: np.full((len(s), 3), np.nan))], CUBE)


def test_chord_setting_is_kept():
    slide = path("protrusion", [0.0, 2.0], along((0, 1, 0)))
    table = tabulate([slide], CUBE, TableSettings(chord_mm=0.3))
    assert len(table.parameter_mm) == 9
