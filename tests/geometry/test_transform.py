"""Laws of the group of rigid motions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform

number = st.floats(-1.5, 1.5, allow_nan=False)
twists = st.tuples(number, number, number, number, number, number).map(np.array)


@given(twists)
def test_log_undoes_exp(twist):
    assert_allclose(RigidTransform.exp(twist).log(), twist, rtol=1e-9, atol=1e-9)


@given(twists, twists, twists)
def test_composition_is_associative_and_inverse_undoes(a, b, c):
    A, B, C = (RigidTransform.exp(t) for t in (a, b, c))  # noqa: N806
    assert_allclose(((A @ B) @ C).matrix, (A @ (B @ C)).matrix, rtol=0, atol=1e-12)
    assert_allclose((A @ A.inverse()).matrix, np.eye(4), rtol=0, atol=1e-12)


@given(twists)
def test_apply_is_the_matrix(twist):
    transform = RigidTransform.exp(twist)
    points = np.array([[1.0, 2.0, 3.0], [-4.0, 0.5, 9.0]])
    expected = (transform.matrix @ np.column_stack([points, np.ones(2)]).T).T[:, :3]
    assert_allclose(transform.apply(points), expected, rtol=0, atol=1e-12)


def test_rotation_about_a_line_keeps_the_line_and_turns_by_the_right_hand():
    turn = RigidTransform.rotation_about([1.0, 2.0, 0.0], [0.0, 0.0, 2.0], np.pi / 2)
    assert_allclose(turn.apply([1.0, 2.0, 5.0]), [1.0, 2.0, 5.0], rtol=0, atol=1e-12)
    assert_allclose(turn.apply([2.0, 2.0, 0.0]), [1.0, 3.0, 0.0], rtol=0, atol=1e-12)


def test_a_reflection_is_refused():
    with pytest.raises(InputError, match="proper rotation"):
        RigidTransform(np.diag([1.0, 1.0, -1.0]), np.zeros(3))
