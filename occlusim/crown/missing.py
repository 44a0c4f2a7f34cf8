"""A low crown: by how much the contact is missing, and the raise that would give it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, unit_vector
from occlusim.crown.clearance import Opposing, swept_clearance
from occlusim.crown.path import CrownPath, TableSettings, tabulate
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh

CLOSE_MM = 1e-5


@dataclass(frozen=True, slots=True)
class MissingContact:
    """A contact that a crown lacks in closure.

    Attributes
    ----------
    missing_mm : float
        Least of gap minus wanted gap in closure; positive.
    raise_mm : float
        Uniform raise along `direction` that brings the least gap to the wanted one; NaN where no
        raise up to the search limit does.
    place : (3,), mm
        The crown's vertex that would touch first, in the crown's coordinates.
    """

    missing_mm: float
    raise_mm: float
    place: Float64Array


def missing_contact(
    crown: TriangleMesh,
    antagonist: Opposing,
    closure: CrownPath,
    occlusal: Float64Array,
    *,
    tolerance_mm: float = 0.010,
    search_mm: float = 2.0,
) -> MissingContact | None:
    """Return what a crown lacks to reach its wanted gap in closure, None where it does reach it.

    Parameters
    ----------
    crown : TriangleMesh
    antagonist : Surface or GapField
    closure : CrownPath
        One knot.
    occlusal : (3,)
        Direction of the raise, in the crown's coordinates.
    tolerance_mm
        Less is not missing.
    search_mm
        Farther than this nothing is searched for.

    Raises
    ------
    InputError
        If the path has more than one knot, or the crown is farther than `search_mm` away.

    Notes
    -----
    The gap is that of the crown's vertices. Raising by t lowers it by t at most, so steps as long
    as what is missing never overshoot.
    """
    if len(closure.parameter_mm) != 1:
        raise InputError("missing contact: the closure is one pose, so one knot is wanted")
    up = unit_vector(occlusal, "occlusal")
    table = tabulate([closure], crown.vertices, TableSettings())

    def missing(raise_mm: float) -> tuple[float, int]:
        points = crown.vertices + raise_mm * up
        least = swept_clearance(points, antagonist, table, search_mm).least_mm
        at = int(np.argmin(least))
        return float(least[at]), at

    first, at = missing(0.0)
    if first >= search_mm:
        raise InputError(
            f"missing contact: the crown is more than {search_mm:g} mm from its antagonist"
        )
    if first <= tolerance_mm:
        return None
    raised, left = 0.0, first
    while left > CLOSE_MM and raised < search_mm:
        raised += left
        left, at = missing(raised)
    return MissingContact(
        first, raised if left <= CLOSE_MM else float("nan"), crown.vertices[at].copy()
    )
