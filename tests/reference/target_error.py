"""Target registration error to first order, in closed form.

Fitzpatrick, West & Maurer 1998 (IEEE Trans Med Imaging 17:694-702) for N points with an isotropic
localisation error FLE: TRE^2 = (FLE^2 / N) (1 + sum over principal axes k of d_k^2 / (3 f_k^2)),
with d_k the target's distance from axis k and f_k the points' root mean square distance from it.
A point of a surface is localised along its normal alone; its error across is without bounds. The
general form then weighs every point by its own covariance (Danilchenko & Fitzpatrick 2011, IEEE
Trans Med Imaging 30:679-693). Both from memory.
"""

import numpy as np


def isotropic_factor(points, weight, target):
    """Return TRE^2 N / FLE^2 at a target (3,) of points (n, 3) of some weight (n,)."""
    middle = weight @ points / weight.sum()
    around = points - middle
    spread, axes = np.linalg.eigh((around * weight[:, None]).T @ around / weight.sum())
    from_axis_sq = spread.sum() - spread
    away = (target - middle) @ axes
    return 1.0 + ((away @ away - away**2) / from_axis_sq).sum() / 3.0


def surface_covariance(points, normals, weight, target):
    """Return the covariance (6, 6), about a target, of the pose of a surface, rotation first.

    `weight` (n,) is one over the variance of a point's distance along its normal (n, 3).
    """
    rows = np.hstack([np.cross(points - target, normals), normals])
    return np.linalg.inv((rows * weight[:, None]).T @ rows)


def chained_covariance(records):
    """Return the covariance of a pose that goes through each of some records, independently.

    A record is the covariances of its links, which add; the records' informations add.
    """
    return np.linalg.inv(sum(np.linalg.inv(sum(links)) for links in records))
