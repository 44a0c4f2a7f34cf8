"""Work side by side: answers in order, the first failure told, kernels entered from two threads."""

import threading
import time

import numpy as np
import pytest

from occlusim.geometry.surface import Surface
from occlusim.pipeline.side_by_side import side_by_side


def test_answers_keep_the_order_of_the_jobs():
    def job(k):
        time.sleep(0.02 * (3 - k))
        return k, threading.current_thread().name

    found = side_by_side([lambda k=k: job(k) for k in range(4)])
    assert [k for k, _ in found] == [0, 1, 2, 3]


def test_the_first_error_is_raised():
    def fails(word):
        raise ValueError(word)

    with pytest.raises(ValueError, match="one"):
        side_by_side([lambda: 1, lambda: fails("one"), lambda: fails("two")])


def test_distances_asked_from_two_threads_are_those_of_one(rng):
    from reference.shapes import sphere

    surface = Surface.build(sphere(3.0, 20))
    points = rng.normal(0, 3, (20_000, 3))
    alone = surface.closest(points).distance_mm
    together = side_by_side([lambda: surface.closest(points).distance_mm for _ in range(6)])
    assert all(np.array_equal(alone, d) for d in together)
