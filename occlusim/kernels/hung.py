"""The pose of a jaw that hangs on its condyles; serial, called some thousand times a run."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel


@inner_kernel
def _turn(x, y, z, versine, rotation, translation):
    """Turn a pose about an axis through the origin, of which x, y, z are sine times direction.

    `versine` is (1 - cos) / sin^2. Rodrigues' formula.
    """
    t = np.empty((3, 3))
    t[0, 0] = 1.0 - versine * (y * y + z * z)
    t[1, 1] = 1.0 - versine * (x * x + z * z)
    t[2, 2] = 1.0 - versine * (x * x + y * y)
    t[0, 1], t[1, 0] = versine * x * y - z, versine * x * y + z
    t[0, 2], t[2, 0] = versine * x * z + y, versine * x * z - y
    t[1, 2], t[2, 1] = versine * y * z - x, versine * y * z + x
    column = np.empty(3)
    for k in range(3):
        for i in range(3):
            column[i] = rotation[i, k]
        for i in range(3):
            rotation[i, k] = t[i, 0] * column[0] + t[i, 1] * column[1] + t[i, 2] * column[2]
    for i in range(3):
        column[i] = translation[i]
    for i in range(3):
        translation[i] = t[i, 0] * column[0] + t[i, 1] * column[1] + t[i, 2] * column[2]


@kernel
def hang(start, old, point, right, opening_rad, rotation, translation):
    """Carry a pose, rotation (3, 3) and translation (3,), from one axis of the jaw to another.

    The unit vector `old` through `start` turns, the shortest way, into `right` through `point`;
    then the jaw opens about it. All (3,), in the upper frame, mm.
    """
    cosine = old[0] * right[0] + old[1] * right[1] + old[2] * right[2]
    for i in range(3):
        translation[i] -= start[i]
    _turn(
        old[1] * right[2] - old[2] * right[1],
        old[2] * right[0] - old[0] * right[2],
        old[0] * right[1] - old[1] * right[0],
        1.0 / (1.0 + cosine),
        rotation,
        translation,
    )
    sine = math.sin(-opening_rad)
    # (1 - cos) / sin^2 = 1 / (1 + cos)
    versine = 1.0 / (1.0 + math.cos(opening_rad))
    _turn(sine * right[0], sine * right[1], sine * right[2], versine, rotation, translation)
    for i in range(3):
        translation[i] += point[i]
