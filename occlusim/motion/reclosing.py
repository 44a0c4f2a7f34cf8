"""The jaw closed anew at many places that lie a little beside a known one.

Where the record puts the lower jaw elsewhere, the natural teeth still decide how far it closes. The
gaps of what is near contact are taken once and change linearly from there, teeth and condyles are
rigid, so the opening alone is unknown; which places press is found anew at every place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, frozen
from occlusim.contact.foundation import Footprint, FoundationSettings, NearContact
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.openings import find_openings
from occlusim.motion.closure import Opposition
from occlusim.motion.excursion import nearby
from occlusim.motion.suspension import Freedom, Suspension

MOST_REACH_MM = 0.2
"""Places farther apart than this at the known pose are not looked at."""
LEAST_LEVER_MM = 1.0
"""A place that opens more slowly, in mm/rad, does not stop the jaw from closing."""
FIRST_STEP_MM = 0.01
"""So far beyond first contact the search for a jaw that is too closed begins."""
STILL_MM, LEVER_MM = 1e-5, 50.0
"""An opening is found when it moves by less, at a molar's lever."""


@dataclass(frozen=True, slots=True)
class Reclosed:
    """Jaws closed anew.

    Attributes
    ----------
    twist : (n, 6)
        How each closed jaw lies off the one that is closed where it is known: rotation (rad) before
        translation (mm), upper scan's frame, about its origin.
    tightness_mm : (n,)
        How much the median over some pairs of teeth of their mean gap has changed.
    """

    twist: Float64Array
    tightness_mm: Float64Array


def close_anew(
    natural: Opposition,
    suspension: Suspension,
    freedom: Freedom,
    twist: Float64Array,
    load_N: float,
    foundation: FoundationSettings,
    pairs: Sequence[tuple[int, int]] = (),
) -> Reclosed:
    """Return where jaws rest whose place is off by twists, closed until the teeth carry the load.

    Parameters
    ----------
    natural
        The lower teeth (body) against the upper ones (field).
    suspension, freedom
        The jaw at rest where it is known.
    twist : (n, 6)
        Rotation (rad) before translation (mm), upper scan's frame, about its origin: so far the
        lower jaw lies off before it is closed.
    load_N, foundation
        The load, and the stiffness.
    pairs : (upper, lower tooth) each
        Those whose tightness is asked for; none: it does not change.

    Raises
    ------
    InputError
        If the twists are not (n, 6), or the lower teeth are the field.

    Notes
    -----
    A first-order model: a gap changes by the way of its place along the direction in which it
    grows. A way of d along a surface of radius r is left out, d^2 / 2r: 5 um for 70 um over a
    cusp of 0.5 mm.
    """
    twist = np.atleast_2d(np.asarray(twist, dtype=np.float64))
    if twist.shape[1:] != (6,) or not natural.field_is_upper:
        raise InputError(
            f"closing anew: twists {twist.shape} given, (n, 6) and lower teeth against upper ones "
            "are wanted"
        )
    pose = suspension.pose(freedom)
    near = nearby(natural, pose, min(MOST_REACH_MM, natural.field.sdf.band_mm))
    swing_mm = _most_mm(twist, pose.apply(near.body.corners))
    reach_mm = min(foundation.reach_mm + 2.0 * swing_mm, MOST_REACH_MM)
    print_ = NearContact(near.field, near.body).footprint(pose, reach_mm)
    opening, every = opening_twist(suspension, freedom), np.vstack([np.zeros(6), twist])
    places = _Places.of(print_, near, suspension.superior, foundation).near_enough(
        every, opening, load_N
    )
    if len(places.point) == 0:
        return Reclosed(twist, np.zeros(len(twist)))
    turn = _openings(places, opening, every, load_N)
    tight_mm = places.tightness_mm(every + turn[:, None] * opening, pairs)
    return Reclosed(twist + (turn[1:] - turn[0])[:, None] * opening, tight_mm[1:] - tight_mm[0])


def opening_twist(suspension: Suspension, freedom: Freedom) -> Float64Array:
    """Return the motion (6,) of the lower jaw per radian of opening, upper scan's frame."""
    point, right = suspension.axis(freedom)
    return np.concatenate([-right, np.cross(right, point)])


def gap_ways(point: Float64Array, direction: Float64Array) -> Float64Array:
    """Return how gaps change with a motion of what is moved, (k, 6), rotation before translation.

    point, direction (k, 3): where, and in which direction the gap grows, in the motion's frame.
    """
    found = np.empty((len(point), 6))
    found[:, :3] = np.cross(point, direction)
    found[:, 3:] = direction
    return found


def carried(twist: Float64Array, T: RigidTransform) -> Float64Array:
    """Return twists (n, 6) of the upper frame, carried along as T moves what is twisted."""
    turn = twist[:, :3] @ T.rotation.T
    return np.hstack([turn, twist[:, 3:] @ T.rotation.T + np.cross(T.translation, turn)])


def largest_changes(way: Float64Array, twist: Float64Array) -> Float64Array:
    """Return a bound (k,), mm, of what any of n twists (n, 6) changes at places with a way (k, 6).

    |a.t| <= |R^T a| |R^+ t|, R a root of the twists' second moment.
    """
    value, vector = np.linalg.eigh(twist.T @ twist / max(len(twist), 1))
    kept = value > 1e-15 * max(float(value.max()), 1e-300)
    root = vector[:, kept] * np.sqrt(value[kept])
    far = np.linalg.norm(twist @ (vector[:, kept] / np.sqrt(value[kept])), axis=1)
    return np.linalg.norm(way @ root, axis=1) * float(far.max(initial=0.0))


@dataclass(frozen=True, slots=True)
class _Places:
    """Places (k,) near contact: where, which way the gap grows, how stiff, of which teeth."""

    point: Float64Array
    direction: Float64Array
    gap_mm: Float64Array
    area_mm2: Float64Array
    weight: Float64Array
    teeth: Float64Array

    @property
    def way(self) -> Float64Array:
        """Change of the gaps (k, 6) with a motion of the lower jaw, upper scan's frame."""
        return gap_ways(self.point, self.direction)

    def near_enough(self, twist: Float64Array, opening: Float64Array, load_N: float) -> _Places:
        """Return those that may be pressed in any draw (n, 6), and hold the jaw as it closes.

        What is pressed where the jaw is known, taken alone, lets it close farther than all places
        together do.
        """
        lever = self.way @ opening
        holds = lever > LEAST_LEVER_MM
        pressed = holds & (self.gap_mm < 0.0)
        if not pressed.any():
            return self._of(holds)
        turn = _openings(self._of(pressed), opening, twist, load_N)
        least_mm = self.gap_mm - largest_changes(self.way, twist) + lever * min(turn.min(), 0.0)
        return self._of(holds & (least_mm < 0.0))

    def _of(self, which: BoolArray) -> _Places:
        return _Places(
            self.point[which],
            self.direction[which],
            self.gap_mm[which],
            self.area_mm2[which],
            self.weight[which],
            self.teeth[which],
        )

    @staticmethod
    def of(
        print_: Footprint, near: Opposition, superior: Float64Array, foundation: FoundationSettings
    ) -> _Places:
        """Return the corners of a footprint; each stands for a third of every face around it."""
        n = len(print_.points)
        corner = print_.faces.ravel()
        area = np.zeros(n)
        np.add.at(area, corner, np.repeat(print_.counted_mm2 / 3.0, 3))
        steep = np.maximum(-(print_.direction @ superior), 0.0)
        weight = (foundation.stiffness_MPa_per_mm * area * steep).astype(np.float64)
        lower = np.zeros(n)
        lower[corner] = np.repeat(near.body.tooth[print_.face], 3)
        upper = near.field_tooth[print_.field_face].astype(np.float64)
        return _Places(
            print_.points,
            print_.direction,
            print_.gap_mm,
            area,
            weight,
            np.column_stack([upper, lower]),
        )

    def tightness_mm(self, closed: Float64Array, pairs: Sequence[tuple[int, int]]) -> Float64Array:
        """Return the median (n,) over the pairs of the mean gap over each one's overlap.

        closed (n, 6): the jaws. Pairs that do not touch are left out; where none does it is 0.
        """
        means = []
        for pair in pairs:
            own = (self.teeth == pair).all(axis=1)
            if own.any():
                gap_mm = self.gap_mm[own] + closed @ self.way[own].T
                area = (gap_mm < 0.0) * self.area_mm2[own]
                total = area.sum(axis=1)
                depth = (area * gap_mm).sum(axis=1)
                means.append(
                    np.divide(depth, total, out=np.full(len(total), np.nan), where=total > 0)
                )
        if not means:
            return np.zeros(len(closed))
        table = np.array(means)
        touches = np.isfinite(table).any(axis=0)
        found = np.zeros(len(closed))
        found[touches] = np.nanmedian(table[:, touches], axis=0)
        return found


def _most_mm(twist: Float64Array, corners: Float64Array) -> float:
    """Return the most that a corner (8, 3), upper frame, is moved by any twist."""
    turn = np.cross(twist[:, None, :3], corners)
    return float(np.linalg.norm(turn + twist[:, None, 3:], axis=2).max(initial=0.0))


def _openings(
    places: _Places, opening: Float64Array, twist: Float64Array, load_N: float
) -> Float64Array:
    """Return the openings (n,), rad, at which places carry the load in draws (n, 6)."""
    lever = places.way @ opening
    found = np.empty(len(twist))
    find_openings(
        len(twist), frozen(twist, np.float64), frozen(places.way, np.float64), places.gap_mm,
        lever, places.weight, float(load_N), FIRST_STEP_MM / LEVER_MM, STILL_MM / LEVER_MM, found,
    )  # fmt: skip
    return found
