"""Checks that any part can reuse."""

import numpy as np

from occlusim.geometry.transform import RigidTransform


def fitted_order(sizes, errors):
    """Return the slope of log(error) over log(size): the observed order of convergence."""
    return float(np.polyfit(np.log(sizes), np.log(errors), 1)[0])


def random_pose(rng, turn_rad=3.0, shift_mm=20.0):
    """Return a pose with a rotation of up to `turn_rad` about a random axis."""
    axis = rng.normal(size=3)
    axis *= rng.uniform(0, turn_rad) / np.linalg.norm(axis)
    turned = RigidTransform.exp(np.concatenate([axis, np.zeros(3)]))
    return RigidTransform(turned.rotation, rng.uniform(-shift_mm, shift_mm, 3))


def assert_reaches_all_sides(values, near):
    """Fail unless a sample of distances has points inside, outside and near the surface."""
    values = np.asarray(values)
    assert (values < -near).any(), "no sample inside"
    assert (values > near).any(), "no sample outside"
    assert (np.abs(values) <= near).any(), "no sample near the surface"
