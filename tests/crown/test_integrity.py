"""Faces that turn, pinch or cross are seen; sound ones are not."""

import numpy as np
from crown.block_shapes import ball, block
from numpy.testing import assert_array_equal

from occlusim.crown.integrity import crossing_faces, damaged_faces, is_watertight
from occlusim.geometry.mesh import TriangleMesh


def test_closed_and_open_meshes_are_told_apart():
    crown = block(7, 4.0, 2.0)
    assert is_watertight(crown)
    assert not is_watertight(TriangleMesh(crown.vertices, crown.faces[1:]))
    assert not is_watertight(TriangleMesh(crown.vertices, crown.faces[:, [0, 2, 1]][:1]))


def test_balls_apart_do_not_cross_and_balls_that_overlap_do():
    a = ball(1.0, (0, 0, 0), 3)
    for shift, crosses in ((2.1, False), (1.5, True)):
        b = ball(1.0, (shift, 0.01, 0.02), 3)
        both = TriangleMesh(
            np.concatenate([a.vertices, b.vertices]),
            np.concatenate([a.faces, b.faces + len(a.vertices)]).astype(np.int32),
        )
        partner = crossing_faces(both, np.arange(len(both.faces)))
        assert (partner >= 0).any() == crosses
        n = len(a.faces)
        own = partner[:n]
        assert (own[own >= 0] >= n).all()


def test_top_pushed_through_the_bottom_is_damage():
    crown = block(9, 4.0, 0.5)
    moved = np.zeros(len(crown.vertices), dtype=bool)
    moved[40] = True
    for depth, is_bad in ((0.3, False), (0.8, True)):
        vertices = crown.vertices.copy()
        vertices[40, 2] -= depth
        assert (len(damaged_faces(crown, vertices, moved)) > 0) == is_bad


def test_nothing_moved_is_no_damage():
    crown = block(5, 4.0, 2.0)
    none = np.zeros(len(crown.vertices), dtype=bool)
    assert_array_equal(damaged_faces(crown, crown.vertices, none), [])
