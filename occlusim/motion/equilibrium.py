"""The jaw at rest under a muscle force: teeth that give way, surfaces that press, loaded joints.

Unknown are the jaw's three freedoms, how far every tooth has given way, and the muscle force that
makes the vertical forces on the teeth sum to the wanted load. The energy of foundation, sockets and
joints is convex where the gaps change linearly; every round takes exact gaps, solves that problem
by Newton's method, moves, and ends when nothing moves any more. So forces and moments balance, and
what presses one jaw presses the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.foundation import BodyLoad, Footprint, NearContact, Ways, pressed_load
from occlusim.errors import DegenerateProblem, NotConverged
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.footprint import (
    lay_faces,
    lay_points,
    mark_teeth,
    pressed_faces,
)
from occlusim.motion.bracket import Bracket
from occlusim.motion.closure import ClosureSettings, Opposition, close_to_load
from occlusim.motion.linear_jaw import (
    BALANCE,
    LEVER_MM,
    Elements,
    LinearJaw,
    Mixing,
    Statics,
    joined,
)
from occlusim.motion.mobility import Sockets
from occlusim.motion.pair_loads import N_TEETH, add_pair_loads
from occlusim.motion.suspension import Freedom, Suspension

REACH_SHARE = 0.7
"""A step, as a share of the reach: nothing farther off comes into contact unseen."""
MOST_REACH_MM = 0.12
"""Reach where the search begins without an equilibrium nearby: teeth give way by as much."""
NEAR_REACH_MM, LEAST_REACH_MM = 0.012, 0.002
"""Reach where it begins beside an equilibrium, and the least."""
GROWS = 4.0
"""A step that the reach has cut short is followed by a reach so many times as long."""
NEAR_LOAD = 0.05
"""Change of the load, as a share of it, up to which an equilibrium counts as nearby."""
YIELDING_STEP_MM = 1e-4
"""A last step of teeth that give way: below it, which vertices touch decides, one by one."""
ROUGHLY_MM, ROUGH_BALANCE = 2e-3, 1e-3
"""After a step longer than this the next problem is solved roughly: to this share of the load."""
PATIENCE = 20
HALVED_EVERY = 5
SWINGING = 0.1
"""After `PATIENCE` rounds steps are halved, every so many rounds: a contact on an edge between
facets is pushed back from either side for ever. Where less than this share of a step is left, teeth
stay, and the jaw alone is balanced."""
TIPPED_MM = 0.6
"""A condyle that would leave its fossa by more: the muscle force cannot be balanced there."""


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """The jaw at rest under a load.

    Attributes
    ----------
    freedom : (3,)
        Of the suspension given.
    T_upper_lower
        The pose.
    load_N, support_N
        Vertical force on the teeth wanted, and carried.
    muscle_N
        The muscles' resultant.
    joint_N : (2,)
        Force that presses the right and the left condyle into its fossa; negative only where the
        condyles are held and would be pulled.
    residual : (3,)
        What is left over on the jaw: vertical force (N), and the moments about the intercondylar
        axis and about the forward axis (N mm).
    tooth_residual_N
        The largest force that is left over on a tooth; 0 but where a contact lies on an edge
        between facets.
    n_rounds
        Rounds of exact gaps.
    yielded
        By tooth: how far it has given way, (3,) mm, upper frame.
    pair_N
        By pair (upper, lower tooth): the vertical force that it carries.
    is_on_edge
        Whether a tooth is about to slip past another, so that no pose balances the load: the pose
        is within 0.2 um of where the force jumps, and what is carried is not the load wanted.
    prints, loads
        Per opposition, the pressed faces of the displaced surfaces at this pose; left out where a
        search was asked to be brief.
    """

    freedom: Freedom
    T_upper_lower: RigidTransform
    load_N: float
    support_N: float
    muscle_N: float
    joint_N: Float64Array
    residual: Float64Array
    tooth_residual_N: float
    n_rounds: int
    yielded: dict[int, Float64Array]
    pair_N: dict[tuple[int, int], float]
    is_on_edge: bool
    prints: tuple[Footprint, ...]
    loads: tuple[BodyLoad, ...]

    @property
    def opening_rad(self) -> float:
        """Rotation about the intercondylar axis; opening is positive."""
        return float(self.freedom[0])

    @property
    def is_joint_unloaded(self) -> bool:
        """Whether a condyle is not pressed into its fossa."""
        return bool((self.joint_N <= 1e-6 * self.load_N).any())


@dataclass(slots=True)
class Side:
    """An opposition while the jaw settles, and what is known of it from the poses before.

    Tooth of every body vertex, and the one that it last met.
    """

    opposition: Opposition
    near: NearContact = field(init=False)
    body_tooth: Int32Array = field(init=False)
    field_tooth: Int32Array = field(init=False)
    used: Ways = field(init=False)

    def __post_init__(self) -> None:
        body = self.opposition.body
        self.near = NearContact(self.opposition.field, body)
        self.body_tooth = np.zeros(len(body.points), dtype=np.int32)
        self.body_tooth[body.faces.ravel()] = np.repeat(body.tooth, 3)
        self.field_tooth = np.zeros(len(body.points), dtype=np.int32)
        self.used = Ways(np.zeros((N_TEETH, 3)), self.body_tooth, self.field_tooth)

    def copy(self) -> Side:
        """Return another one that knows what this one does: for a search beside others."""
        made = copy(self)
        made.near = self.near.copy()
        made.field_tooth = self.field_tooth.copy()
        return made

    def footprint(self, pose: RigidTransform, reach_mm: float, yielded: Float64Array) -> Footprint:
        """Return the footprint of the displaced surfaces; `yielded` (N_TEETH, 3), upper frame."""
        o = self.opposition
        table = yielded if o.field_is_upper else pose.inverse().rotate(yielded)
        self.used = Ways(table, self.body_tooth, self.field_tooth.copy())
        print_ = self.near.footprint(o.T_field_body(pose), reach_mm, self.used)
        self.field_tooth[print_.vertex] = o.field_tooth[print_.field_face]
        return print_


def balance(
    suspension: Suspension,
    oppositions: Sequence[Opposition | Side],
    load_N: float,
    statics: Statics,
    settings: ClosureSettings,
    *,
    start: Equilibrium | None = None,
    start_rad: float = 0.0,
    is_brief: bool = False,
) -> Equilibrium:
    """Return the equilibrium at which the teeth carry `load_N`.

    Parameters
    ----------
    suspension
        The jaw's freedoms.
    oppositions
        What may touch what; a `Side` keeps what is known of its gaps from one search to the next.
    load_N
        Wanted sum of the vertical forces on the teeth; the limit of no load is first contact.
    statics, settings
        Springs and muscles; tolerances.
    start
        An equilibrium nearby, whose freedom and yielding begin the search. Without one the jaw is
        first closed on its hinge with rigid teeth, from the opening `start_rad`.
    is_brief
        Leave out footprints and their loads.

    Raises
    ------
    DegenerateProblem
        If the arches do not meet, if the muscles do not close the jaw, or if the jaw would tip out
        of a fossa.
    NotConverged
        If the rounds run out.
    """
    sides = [o if isinstance(o, Side) else Side(o) for o in oppositions]
    if start is None:
        hinge = suspension.hinge
        closed = close_to_load(
            hinge, [side.opposition for side in sides], suspension.superior, load_N,
            statics.foundation, settings, start_rad=start_rad,
        )  # fmt: skip
        freedom, known, muscle = np.array([closed.opening_rad, 0.0, 0.0]), {}, load_N
    else:
        freedom, known, muscle = start.freedom.copy(), start.yielded, start.muscle_N
        if statics.holds_joints:
            freedom[1:] = 0.0
    is_far = start is None or abs(start.load_N - load_N) > NEAR_LOAD * load_N
    settling = _Settling(suspension, sides, load_N, statics, settings)
    return settling.run(freedom, known, muscle, is_far=is_far, is_brief=is_brief)


class _Around(NamedTuple):
    """What is within reach at a pose, and the problem that it makes."""

    pose: RigidTransform
    prints: list[Footprint]
    elements: list[Elements]
    system: LinearJaw


class _Settling:
    """The search for one equilibrium."""

    def __init__(
        self,
        suspension: Suspension,
        sides: Sequence[Side],
        load_N: float,
        statics: Statics,
        settings: ClosureSettings,
    ) -> None:
        self.suspension, self.sides, self.load_N = suspension, sides, load_N
        self.statics, self.settings = statics, settings

    def run(
        self,
        freedom: Freedom,
        known: dict[int, Float64Array],
        muscle_N: float,
        *,
        is_far: bool,
        is_brief: bool,
    ) -> Equilibrium:
        """Return the equilibrium, from a guess of freedom, yielding and muscle force.

        `is_far` says that teeth may still give way by much more than the foundation's reach.
        """
        settings = self.settings
        yielded = self._known_ways(known)
        reach_mm = MOST_REACH_MM if is_far and not self.statics.is_rigid else NEAR_REACH_MM
        travelled, size_mm, mixing = 0.0, np.inf, Mixing()
        yielding_mm = 0.0 if self.statics.is_rigid else YIELDING_STEP_MM
        enough_mm = max(settings.tolerance_mm, settings.trusted_step_mm, yielding_mm)
        calm, stride, bracket = 0, 1.0, Bracket()
        is_alone = self.statics.is_rigid and self.statics.holds_joints
        for round_ in range(1, settings.max_rounds + 1):
            share = 0.5 ** max(0, 1 + (calm - PATIENCE) // HALVED_EVERY)
            calm += 1
            around = self._look(freedom, yielded, reach_mm, are_teeth_free=share > SWINGING)
            now = np.concatenate([freedom, yielded[list(around.system.sockets.tooth)].ravel()])
            is_rough = size_mm > ROUGHLY_MM
            balanced = around.system.solve(
                now, muscle_N, self.load_N, ROUGH_BALANCE if is_rough else BALANCE
            )
            if balanced is not None and is_rough:
                step_mm = self._size_mm(around.pose, freedom, balanced[0] - now)
                if step_mm < enough_mm:
                    balanced = around.system.solve(balanced[0], balanced[1], self.load_N)
            if balanced is not None:
                step, muscle_N = balanced[0] - now, balanced[1]
                size_mm = self._size_mm(around.pose, freedom, step)
                if size_mm < enough_mm:
                    return self._at_rest(around, balanced[0], muscle_N, round_, is_brief)
                step = mixing.step(now, step) if share == 1.0 else share * step
                if is_alone:
                    step[0] = bracket.step(float(freedom[0]), float(step[0]))
                if bracket.is_edge:
                    return self._at_rest(around, now, muscle_N, round_, is_brief, is_on_edge=True)
            elif reach_mm < MOST_REACH_MM:
                reach_mm = MOST_REACH_MM
                continue
            else:
                far_rad = self._far_mm(around.pose, yielded) / settings.lever_mm
                step = around.system.towards_contact(far_rad)
            size_mm = self._size_mm(around.pose, freedom, step)
            bound_mm = REACH_SHARE * reach_mm * stride
            stride = 1.0
            if size_mm > bound_mm:
                # Deep overlap: open in growing steps. Closing never grows, it could pass through.
                stride = 2.0 * bound_mm / (REACH_SHARE * reach_mm) if _opens(step) else 1.0
                step *= bound_mm / size_mm
                mixing.forget()
                calm = 0
                reach_mm = min(GROWS * reach_mm, MOST_REACH_MM)
            else:
                reach_mm = min(max(2.0 * size_mm, LEAST_REACH_MM), MOST_REACH_MM)
            travelled += min(size_mm, bound_mm)
            freedom = freedom + step[:3]
            self._check(freedom, travelled)
            yielded = np.zeros((N_TEETH, 3))
            yielded[list(around.system.sockets.tooth)] = (now + step)[3:].reshape(-1, 3)
        raise NotConverged(
            f"closure: still moving by {size_mm * 1000:.3g} um after {settings.max_rounds} rounds; "
            "a spike or fold in a scan can do this: see the findings"
        )

    def _known_ways(self, known: dict[int, Float64Array]) -> Float64Array:
        """Return how far every tooth has given way to begin with, (N_TEETH, 3) mm."""
        mobility, axis = self.statics.mobility, self.suspension.superior
        yielded = np.zeros((N_TEETH, 3))
        for tooth, way in known.items():
            if mobility.yields(tooth):
                yielded[tooth] = way if mobility.has_lateral else (way @ axis) * axis
        return yielded

    def _look(
        self, freedom: Freedom, yielded: Float64Array, reach_mm: float, *, are_teeth_free: bool
    ) -> _Around:
        """Return what presses around a freedom, all gaps exact there."""
        pose = self.suspension.pose(freedom)
        prints = [side.footprint(pose, reach_mm, yielded) for side in self.sides]
        sockets = self._sockets(prints, yielded)
        elements = [
            self._elements(side, print_, freedom, pose, sockets)
            for side, print_ in zip(self.sides, prints, strict=True)
        ]
        system = LinearJaw(
            joined(elements), sockets, self.statics, self._arm(freedom, pose), freedom,
            are_teeth_free=are_teeth_free,
        )  # fmt: skip
        return _Around(pose, prints, elements, system)

    def _check(self, freedom: Freedom, travelled_mm: float) -> None:
        """Raise where the search has gone too far."""
        if travelled_mm > self.settings.search_mm:
            raise DegenerateProblem(
                f"closure: the arches do not meet within {self.settings.search_mm:g} mm; look at "
                "the bite record, the hinge axis and that both scans belong to one patient"
            )
        if freedom[1:].min() < -TIPPED_MM:
            side = "right" if freedom[1] < freedom[2] else "left"
            raise DegenerateProblem(
                f"closure: the jaw would tip about its teeth and the {side} condyle leave its "
                f"fossa by more than {TIPPED_MM:g} mm: the muscle force is not balanced by the "
                "teeth that meet here; look at its point, and at what meets on each side"
            )

    def _sockets(self, prints: Sequence[Footprint], yielded: Float64Array) -> Sockets:
        """Return the sockets of the teeth that are near contact or have given way."""
        is_met = yielded.any(axis=1)
        for side, print_ in zip(self.sides, prints, strict=True):
            o = side.opposition
            mark_teeth(print_.face, o.body.tooth, print_.field_face, o.field_tooth, is_met)
        teeth = tuple(np.flatnonzero(is_met).tolist())
        return Sockets.of(teeth, self.suspension.superior, self.statics.mobility)

    def _elements(
        self,
        side: Side,
        print_: Footprint,
        freedom: Freedom,
        pose: RigidTransform,
        sockets: Sockets,
    ) -> Elements:
        """Return an opposition's faces near contact; gaps as if no tooth had given way."""
        o, s, k, f = side.opposition, self.suspension, len(print_.points), len(print_.faces)
        gap, direction, slope = np.empty(k), np.empty((k, 3)), np.empty((k, 3))
        centre, right, roll = s.velocity_terms(freedom)
        lay_points(
            print_.points, print_.gap_mm, print_.direction, print_.vertex, *side.used,
            pose.rotation, pose.translation, not o.field_is_upper,
            centre, right, s.superior, roll, gap, direction, slope,
        )  # fmt: skip
        slot = np.full(N_TEETH, -1, dtype=np.int32)
        slot[list(sockets.tooth)] = np.arange(len(sockets.tooth), dtype=np.int32)
        body, met, weight = np.empty(f, np.int32), np.empty(f, np.int32), np.empty(f)
        lay_faces(
            print_.faces, print_.face, print_.gap_mm, print_.direction, print_.normal,
            print_.area_mm2, print_.field_face, o.body.tooth, o.field_tooth, slot,
            self.statics.foundation.stiffness_MPa_per_mm, body, met, weight,
        )  # fmt: skip
        lower, upper = (body, met) if o.field_is_upper else (met, body)
        return Elements(print_.faces, gap, direction, slope, lower, upper, weight)

    def _arm(self, freedom: Freedom, pose: RigidTransform) -> Float64Array:
        """Return the work of a unit muscle force along each freedom, (3,)."""
        muscle = self.statics.muscle
        point = pose.apply(muscle.point)
        arm = muscle.direction @ self.suspension.velocities(freedom, point[None])[0]
        if not arm[0] < 0.0:
            raise DegenerateProblem(
                "closure: the muscle force does not close the jaw; its point must lie in front of "
                "the hinge axis and its direction towards the skull"
            )
        return arm

    def _far_mm(self, pose: RigidTransform, yielded: Float64Array) -> float:
        """Return how far, mm at the lever, the jaw may close without passing through contact."""
        most = float(np.sqrt((yielded**2).sum(axis=1)).max()) * 2.0
        leasts = [
            side.near.least_mm(side.opposition.T_field_body(pose)) - most for side in self.sides
        ]
        known = [least for least in leasts if np.isfinite(least)]
        if known:
            return max(0.5 * min(known), self.settings.max_step_mm)
        return 0.5 * min(side.opposition.field.sdf.band_mm for side in self.sides)

    def _size_mm(self, pose: RigidTransform, freedom: Freedom, step: Float64Array) -> float:
        """Return the most that a point moves in a step."""
        after = self.suspension.pose(freedom + step[:3])
        most = 0.0
        for side in self.sides:
            o = side.opposition
            corners = o.body.corners
            apart = o.T_field_body(after).apply(corners) - o.T_field_body(pose).apply(corners)
            most = max(most, float(np.sqrt((apart**2).sum(axis=1).max())))
        ways = step[3:].reshape(-1, 3)
        return most + 2.0 * float(np.sqrt((ways**2).sum(axis=1).max(initial=0.0)))

    def _at_rest(
        self,
        around: _Around,
        state: Float64Array,
        muscle_N: float,
        n_rounds: int,
        is_brief: bool,
        *,
        is_on_edge: bool = False,
    ) -> Equilibrium:
        """Return the equilibrium a last small step beyond where the gaps were found."""
        system = around.system
        teeth, freedom = system.sockets.tooth, state[:3]
        loads, moved = [], []
        pair_N: dict[tuple[int, int], float] = {}
        ways = np.vstack([state[3:].reshape(-1, 3), np.zeros((1, 3))])
        for side, print_, e in zip(self.sides, around.prints, around.elements, strict=True):
            # A corner between faces of different pairs has a gap for each.
            n = len(e.faces)
            which, corner_gap, given = np.empty(n, np.int32), np.empty((n, 3)), np.empty((n, 3))
            n = pressed_faces(
                e.faces, e.gap, e.slope, e.direction, e.lower_slot, e.upper_slot,
                freedom - system.origin, ways, which, corner_gap, given,
            )  # fmt: skip
            pressed = print_.of(which[:n])
            loads.append(
                pressed_load(
                    pressed, corner_gap[:n], given[:n], e.direction, -self.suspension.superior,
                    e.weight[which[:n]],
                )
            )  # fmt: skip
            add_pair_loads(pair_N, side.opposition, pressed, loads[-1])
            shown = print_.gap_mm.copy()
            shown[pressed.faces.ravel()] = corner_gap[:n].ravel()
            moved.append(replace(pressed, gap_mm=shown))
        support, joints, residual, on_a_tooth = system.forces(
            state, muscle_N, self.suspension.half_width_mm
        )
        return Equilibrium(
            freedom,
            self.suspension.pose(freedom),
            self.load_N,
            support,
            muscle_N,
            joints,
            residual,
            on_a_tooth,
            n_rounds,
            {t: ways[k] for k, t in enumerate(teeth) if ways[k].any()},
            pair_N,
            is_on_edge,
            () if is_brief else tuple(moved),
            () if is_brief else tuple(loads),
        )


def _opens(step: Float64Array) -> bool:
    """Return whether a step opens the jaw and raises no condyle by much."""
    return bool(step[0] > 0.0 and np.abs(step[1:3]).max() < 0.1 * step[0] * LEVER_MM)
