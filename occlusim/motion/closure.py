"""Closing the jaw on its hinge with rigid teeth: to first contact, and until they carry a load.

The jaw has one freedom here, the rotation about the hinge axis; the condyles take what the teeth do
not; so the closure is the rotation at which the vertical tooth forces sum to the wanted load. The
force grows with closing, so there is one answer. It is where an equilibrium begins.
Search on the band, finish on the exact distance: every round takes exact gaps within reach,
lets them change linearly with the rotation, solves, and ends when the jaw moves no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import (
    ContactBody,
    Footprint,
    FoundationSettings,
    NearContact,
    support_N,
)
from occlusim.errors import DegenerateProblem, NotConverged
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.hinge import Hinge

REACH_SHARE = 0.7
"""A step at the lever, as a share of the reach: points up to 1.4 times as far move no farther."""
LEAST_REACH_MM = 0.002


@dataclass(frozen=True, slots=True)
class Opposition:
    """A body of one jaw against the field of the other.

    field_is_upper says to which jaw the field belongs; T_scan_body carries the body into its own
    arch scan's frame (identity for the arch itself and for a crown in its scan's coordinates).
    """

    field: GapField
    body: ContactBody
    field_is_upper: bool
    field_tooth: Int32Array

    def T_field_body(self, T_upper_lower: RigidTransform) -> RigidTransform:
        """Return the pose of the body in the field's frame."""
        return T_upper_lower if self.field_is_upper else T_upper_lower.inverse()

    def up(self, superior: Float64Array, T_upper_lower: RigidTransform) -> Float64Array:
        """Return the unit direction from body to field, in the field's frame.

        `superior` is the unit vector towards the skull in the upper scan's frame.
        """
        if self.field_is_upper:
            return superior
        return -T_upper_lower.inverse().rotate(superior)


@dataclass(frozen=True, slots=True)
class ClosureSettings:
    """When a closure counts as found, and how far it is searched; lengths at the lever.

    A last step of `trusted_step_mm` or less is taken without asking for the gaps again. Over it
    they change linearly but for step^2 / (2 r), r the radius of curvature: 0.01 um for a step of
    1 um over an edge of 0.05 mm.
    """

    tolerance_mm: float = 2e-5
    trusted_step_mm: float = 0.0
    lever_mm: float = 80.0
    max_rounds: int = 60
    max_step_mm: float = 0.03
    search_mm: float = 12.0


@dataclass(frozen=True, slots=True)
class HingeClosure:
    """The jaw closed on a hinge until rigid teeth carry a load.

    opening_rad about the hinge given; T_upper_lower; support_N carried against load_N wanted
    (their difference is the residual).
    """

    opening_rad: float
    T_upper_lower: RigidTransform
    load_N: float
    support_N: float
    n_rounds: int


def close_to_load(
    hinge: Hinge,
    oppositions: Sequence[Opposition],
    superior: Float64Array,
    load_N: float,
    foundation: FoundationSettings,
    settings: ClosureSettings,
    *,
    start_rad: float = 0.0,
) -> HingeClosure:
    """Return the closure at which the teeth carry `load_N` along `superior`.

    Parameters
    ----------
    hinge
        The freedom.
    oppositions
        What may touch what.
    superior : (3,), unit length
        In the upper scan's frame.
    load_N
        Wanted sum of vertical tooth forces; the limit of no load is the first contact.
    foundation, settings
        Stiffness, tolerances.
    start_rad
        Opening to start the search from.

    Raises
    ------
    DegenerateProblem
        If the arches do not meet within the search.
    NotConverged
        If the rounds run out.
    """
    opening = start_rad
    near = [NearContact(o.field, o.body) for o in oppositions]
    step, travelled, stride_mm = 0.0, 0.0, settings.max_step_mm
    reach_mm = foundation.reach_mm
    for round_ in range(1, settings.max_rounds + 1):
        pose = hinge.pose(opening)
        places = [o.T_field_body(pose) for o in oppositions]
        prints = [n.footprint(T, reach_mm) for n, T in zip(near, places, strict=True)]
        slopes = [
            _gap_slope(print_, o, hinge, pose)
            for print_, o in zip(prints, oppositions, strict=True)
        ]
        ups = [o.up(superior, pose) for o in oppositions]
        # No point moves farther than the reach, so none comes into contact unseen.
        bound_mm = min(settings.max_step_mm, REACH_SHARE * reach_mm)
        step = _linear_step(prints, slopes, ups, load_N, foundation, settings, bound_mm)
        reach_next_mm = foundation.reach_mm
        if step is None:
            leasts = [n.least_mm(T) for n, T in zip(near, places, strict=True)]
            step = -_approach(leasts, oppositions, settings) / settings.lever_mm
        elif step * settings.lever_mm >= bound_mm and reach_mm == foundation.reach_mm:
            # Deep overlap: open in growing steps. Closing never grows, it could pass through.
            step = stride_mm / settings.lever_mm
            stride_mm *= 2.0
        elif abs(step) * settings.lever_mm < bound_mm:
            left_mm = 0.5 * abs(step) * settings.lever_mm
            reach_next_mm = min(max(left_mm, LEAST_REACH_MM), foundation.reach_mm)
        travelled += abs(step) * settings.lever_mm
        if travelled > settings.search_mm:
            raise DegenerateProblem(
                f"closure: the arches do not meet within {settings.search_mm:g} mm of closing on "
                "the hinge; look at the bite record, the hinge axis and that both scans belong "
                "to one patient"
            )
        if abs(step) * settings.lever_mm < settings.tolerance_mm:
            support = _support(prints, slopes, ups, 0.0, foundation)
            return HingeClosure(opening, pose, load_N, support, round_)
        opening += step
        if abs(step) * settings.lever_mm <= settings.trusted_step_mm:
            pose = hinge.pose(opening)
            support = _support(prints, slopes, ups, step, foundation)
            return HingeClosure(opening, pose, load_N, support, round_)
        reach_mm = reach_next_mm
    raise NotConverged(
        f"closure: still moving by {abs(step) * settings.lever_mm * 1000:.3g} um after "
        f"{settings.max_rounds} rounds; a spike or fold in a scan can do this: see the findings"
    )


def _gap_slope(
    print_: Footprint, opposition: Opposition, hinge: Hinge, pose: RigidTransform
) -> Float64Array:
    """Return the change of gap with opening, (k,) mm/rad."""
    if opposition.field_is_upper:
        return np.einsum("ij,ij->i", print_.direction, hinge.opening_velocity(print_.points))
    velocity = hinge.opening_velocity(pose.apply(print_.points))
    return -np.einsum("ij,ij->i", pose.rotate(print_.direction), velocity)


def _support(
    prints: Sequence[Footprint],
    slopes: Sequence[Float64Array],
    ups: Sequence[Float64Array],
    step: float,
    foundation: FoundationSettings,
) -> float:
    """Return the vertical force, N, of all bodies after a linear change of opening."""
    parts = zip(prints, slopes, ups, strict=True)
    return sum(support_N(p, slope, step, up, foundation) for p, slope, up in parts)


def _linear_step(
    prints: Sequence[Footprint],
    slopes: Sequence[Float64Array],
    ups: Sequence[Float64Array],
    load_N: float,
    foundation: FoundationSettings,
    settings: ClosureSettings,
    bound_mm: float,
) -> float | None:
    """Return the change of opening, rad, that carries the load, within one step; None: too far."""

    def excess_N(step: float) -> float:
        return _support(prints, slopes, ups, step, foundation) - load_N

    bound = bound_mm / settings.lever_mm
    at_rest = excess_N(0.0)
    low, high = (0.0, bound) if at_rest > 0 else (-bound, 0.0)
    far = excess_N(high if at_rest > 0 else low)
    if at_rest > 0 and far > 0:
        return bound
    if at_rest <= 0 and far < 0:
        return None if far <= -load_N else -bound
    f_low, f_high = (at_rest, far) if at_rest > 0 else (far, at_rest)
    return _falling_root(excess_N, low, high, f_low, f_high, settings)


def _falling_root(excess_N, low, high, f_low, f_high, settings: ClosureSettings) -> float:
    """Return the root of a falling function on [low, high] by regula falsi (Illinois)."""
    tolerance = 0.1 * settings.tolerance_mm / settings.lever_mm
    side = 0
    middle = low
    for _ in range(60):
        middle = (low * f_high - high * f_low) / (f_high - f_low) if f_high != f_low else low
        if high - low < tolerance:
            break
        value = excess_N(middle)
        if abs(value) < 1e-9 * max(abs(f_low), abs(f_high), 1e-300):
            break
        if value > 0:
            low, f_low = middle, value
            if side == 1:
                f_high *= 0.5
            side = 1
        else:
            high, f_high = middle, value
            if side == -1:
                f_low *= 0.5
            side = -1
    return middle


def _approach(
    leasts: Sequence[float], oppositions: Sequence[Opposition], settings: ClosureSettings
) -> float:
    """Return how far, in mm at the lever, the jaw may close without passing through contact."""
    known = [least for least in leasts if np.isfinite(least)]
    if known:
        return max(0.5 * min(known), settings.max_step_mm)
    return 0.5 * min(o.field.sdf.band_mm for o in oppositions)
