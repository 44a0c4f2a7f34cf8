"""Openings under load: the kernel and its slow twin, on one thread and on more."""

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from reference.naive import opening_under_load

from occlusim.kernels.jit import set_threads, thread_count
from occlusim.kernels.openings import find_openings


def openings(twist, way, gap, lever, weight, load_N):
    found = np.empty(len(twist))
    find_openings(
        len(twist), twist, way, gap, lever, weight, load_N, 2e-4, 2e-7, found
    )  # fmt: skip
    return found


def test_kernel_is_its_twin(rng):
    twist = 1e-3 * rng.standard_normal((40, 6))
    twist[0] = 0.0
    way = rng.standard_normal((60, 6)) * [30, 30, 30, 1, 1, 1]
    gap = rng.uniform(-0.01, 0.1, 60)
    lever, weight = rng.uniform(20.0, 60.0, 60), rng.uniform(0.0, 30.0, 60)
    for load_N in (0.01, 1.0, 50.0):
        found = openings(twist, way, gap, lever, weight, load_N)
        for k in range(len(twist)):
            slow = opening_under_load(gap + way @ twist[k], lever, weight, load_N)
            assert_allclose(found[k], slow, rtol=0, atol=2e-9)


def test_any_number_of_threads_gives_the_same_bits(rng):
    usual = thread_count()
    twist = 1e-3 * rng.standard_normal((200, 6))
    args = (twist, rng.standard_normal((50, 6)), rng.uniform(0, 0.1, 50), np.full(50, 40.0))
    try:
        set_threads(1)
        one = openings(*args, np.ones(50), 1.0)
        set_threads(max(usual, 2))
        two = openings(*args, np.ones(50), 1.0)
    finally:
        set_threads(usual)
    assert_array_equal(one, two)
