"""The convex problem of one round of an equilibrium, and how rounds learn from each other.

Gaps change linearly with the jaw's freedoms and with the teeth that give way. The energy of
foundation, sockets and joints is convex then, and Newton's method finds where it balances the
muscles, whose force is unknown too: the vertical forces on the teeth must sum to the load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.foundation import FoundationSettings
from occlusim.kernels.pressure import press
from occlusim.motion.joints import JointSettings, Muscle
from occlusim.motion.mobility import MobilitySettings, Sockets
from occlusim.motion.suspension import Freedom

NEWTON_ROUNDS = 60
HALVINGS = 8
BALANCE = 1e-10
"""Share of the load that may be left over."""
FIRST_TOUCH_MM = 1e-3
LEVER_MM = 80.0
"""Turns moments about the axis into forces, and openings into ways, where they are compared."""
MIXED = 4


@dataclass(frozen=True, slots=True)
class Statics:
    """What gives way and what pulls: foundation, teeth, joints, muscles.

    tether (3, 3): stiffness that ties the jaw's freedoms to zero in place of the joints (N mm/rad,
    N and N/mm), or None.
    """

    foundation: FoundationSettings
    mobility: MobilitySettings
    joints: JointSettings
    muscle: Muscle
    tether: Float64Array | None = None

    @property
    def holds_joints(self) -> bool:
        """Whether the condyles stay where they are guided."""
        is_held = self.joints.is_held or self.mobility.pace == "quick"
        return is_held and self.tether is None

    @property
    def is_rigid(self) -> bool:
        """Whether neither teeth nor condyles give way."""
        return self.mobility.pace == "quick"


class Elements(NamedTuple):
    """Faces that may press, of all oppositions: as `kernels.pressure.press` takes them."""

    faces: Int32Array
    gap: Float64Array
    direction: Float64Array
    slope: Float64Array
    lower_slot: Int32Array
    upper_slot: Int32Array
    weight: Float64Array


def joined(parts: Sequence[Elements]) -> Elements:
    """Return the elements of all oppositions in one."""
    if len(parts) == 1:
        return parts[0]
    offset = np.cumsum([0] + [len(p.gap) for p in parts[:-1]])
    faces = [(p.faces + k).astype(np.int32) for p, k in zip(parts, offset, strict=True)]
    return Elements(
        np.concatenate(faces),
        np.concatenate([p.gap for p in parts]),
        np.concatenate([p.direction for p in parts]),
        np.concatenate([p.slope for p in parts]),
        np.concatenate([p.lower_slot for p in parts]),
        np.concatenate([p.upper_slot for p in parts]),
        np.concatenate([p.weight for p in parts]),
    )


class Derivatives(NamedTuple):
    """Gradients (n,) and Hessians (n, n) of the foundation alone and of all springs, at a state."""

    contact: Float64Array
    stiffness: Float64Array
    whole: Float64Array
    total: Float64Array


class LinearJaw:
    """The convex problem of one round: gaps change linearly from where they were found.

    Its state is freedom (3,) and the yielding of the sockets' teeth (m, 3) in one row.
    """

    def __init__(
        self,
        elements: Elements,
        sockets: Sockets,
        statics: Statics,
        arm: Float64Array,
        origin: Freedom,
        *,
        are_teeth_free: bool = True,
    ) -> None:
        self.elements, self.sockets, self.statics = elements, sockets, statics
        self.arm, self.origin = arm, origin
        n = 3 + 3 * len(sockets.tooth)
        free = np.ones(3, dtype=bool)
        if statics.holds_joints:
            free[1:] = False
        springs = sockets.basis() if are_teeth_free else np.zeros((0, n - 3))
        self.basis = np.zeros((free.sum() + len(springs), n))
        self.basis[: free.sum(), :3] = np.eye(3)[free]
        self.basis[free.sum() :, 3:] = springs
        self.muscle = np.zeros(n)
        self.muscle[:3] = arm
        self._scale = np.ones(len(self.basis) + 1)
        self._scale[0] = 1.0 / LEVER_MM
        self._known: tuple[Float64Array, Derivatives] | None = None

    def derivatives(self, state: Float64Array) -> Derivatives:
        """Return what pulls at a state (n,), and how stiffly."""
        if self._known is not None and np.array_equal(self._known[0], state):
            return self._known[1]
        n = len(state)
        contact, stiffness = np.zeros(n), np.zeros((n, n))
        e = self.elements
        press(
            e.faces, e.gap, e.direction, e.slope, e.lower_slot, e.upper_slot, e.weight,
            state[:3] - self.origin, state[3:].reshape(-1, 3), contact, stiffness,
        )  # fmt: skip
        whole, total = contact.copy(), stiffness.copy()
        if n > 3:
            block = np.zeros((n - 3, n - 3))
            self.sockets.add(state[3:].reshape(-1, 3), whole[3:], block)
            total[3:, 3:] += block
        if self.statics.tether is not None:
            whole[:3] += self.statics.tether @ state[:3]
            total[:3, :3] += self.statics.tether
        elif not self.statics.holds_joints:
            k = self.statics.joints.stiffness_N_per_mm
            for d in (1, 2):
                if state[d] > 0.0:
                    whole[d] += k * state[d]
                    total[d, d] += k
        found = Derivatives(contact, stiffness, whole, total)
        self._known = (state, found)
        return found

    def solve(
        self, state: Float64Array, muscle_N: float, load_N: float, balance: float = BALANCE
    ) -> tuple[Float64Array, float] | None:
        """Return the state and muscle force in balance; None where nothing touches.

        `balance` is the share of the load that may be left over.
        """
        at = self.derivatives(state)
        left = self._left_over(at, muscle_N, load_N)
        for _ in range(NEWTON_ROUNDS):
            if self._size_N(left) <= balance * load_N:
                break
            step = self._newton_step(at, left)
            if step is None:
                return None
            old, size, share = (state, muscle_N), self._size_N(left), 1.0
            for _ in range(HALVINGS):
                state = old[0] + share * (step[:-1] @ self.basis)
                muscle_N = old[1] + share * float(step[-1])
                at = self.derivatives(state)
                left = self._left_over(at, muscle_N, load_N)
                if self._size_N(left) < size:
                    break
                share *= 0.5
        return state, muscle_N

    def _newton_step(self, at: Derivatives, left: Float64Array) -> Float64Array | None:
        """Return the change (m + 1,) of free directions and muscle force; None without contact."""
        carried = at.stiffness[1] + at.stiffness[2]
        if not carried.any():
            return None
        m = len(self.basis)
        matrix = np.zeros((m + 1, m + 1))
        matrix[:m, :m] = self.basis @ at.total @ self.basis.T
        matrix[:m, m] = -self.basis @ self.muscle
        matrix[m, :m] = self.basis @ carried
        # A condyle that is not pressed, and a tooth that meets nothing, would have no stiffness.
        matrix[np.arange(1, m), np.arange(1, m)] += 1e-10 * np.trace(matrix[:m, :m]) / m
        try:
            found: Float64Array = np.linalg.solve(matrix, -left).astype(np.float64, copy=False)
        except np.linalg.LinAlgError:
            return None
        return found

    def _left_over(self, at: Derivatives, muscle_N: float, load_N: float) -> Float64Array:
        """Return what is not in balance (m + 1,): along the free directions, and of the load."""
        pulled = self.basis @ (at.whole - muscle_N * self.muscle)
        return np.append(pulled, at.contact[1] + at.contact[2] - load_N)

    def _size_N(self, left: Float64Array) -> float:
        return float(np.abs(left * self._scale).max())

    def towards_contact(self, far_rad: float) -> Float64Array:
        """Return the step that closes until the first face within sight is pressed a little.

        far_rad is how far the jaw may close where nothing is in sight.
        """
        step = np.zeros(3 + 3 * len(self.sockets.tooth))
        slope, gap = self.elements.slope[:, 0], self.elements.gap
        closing = slope > 1.0
        step[0] = -far_rad
        if closing.any():
            step[0] = -float(((gap[closing] + FIRST_TOUCH_MM) / slope[closing]).min())
        return step

    def forces(
        self, state: Float64Array, muscle_N: float, half_width_mm: float
    ) -> tuple[float, Float64Array, Float64Array, float]:
        """Return the vertical force on the teeth, the joint forces (2,), what is left over.

        Of what is left over, that on the jaw (3,), and the largest force on a tooth.
        """
        contact, _, whole, _ = self.derivatives(state)
        pressed = muscle_N * self.arm[1:] - contact[1:3]
        rest = contact[:3] - muscle_N * self.arm
        if self.statics.tether is not None:
            pressed = (self.statics.tether @ state[:3])[1:]
            rest[0] += (self.statics.tether @ state[:3])[0]
        elif not self.statics.holds_joints:
            pressed = self.statics.joints.stiffness_N_per_mm * np.maximum(state[1:3], 0.0)
        rest[1:] += pressed
        left_over = np.array([rest[1] + rest[2], rest[0], (rest[1] - rest[2]) * half_width_mm])
        on_a_tooth = 0.0
        if len(state) > 3:
            left = (self.sockets.basis() @ whole[3:]).reshape(self.sockets.n_bodies, -1)
            on_a_tooth = float(np.sqrt((left**2).sum(axis=1)).max())
        return float(contact[1] + contact[2]), pressed, left_over, on_a_tooth


class Mixing:
    """Steps that learn from the ones before (Anderson 1965, J ACM 12:547-560).

    Where surfaces bend, linear gaps lead too far or not far enough, time and again by the same
    share; the step is taken at which the last ones, mixed, leave nothing to do.
    """

    def __init__(self) -> None:
        self._states: list[Float64Array] = []
        self._steps: list[Float64Array] = []

    def forget(self) -> None:
        """Begin anew."""
        self._states, self._steps = [], []

    def step(self, state: Float64Array, step: Float64Array) -> Float64Array:
        """Return the step (n,) to take from a state (n,) whose own step is given."""
        if self._states and len(self._states[-1]) != len(state):
            self.forget()
        self._states = [*self._states[-MIXED:], state]
        self._steps = [*self._steps[-MIXED:], step]
        if len(self._steps) == 1:
            return step
        scale = np.ones(len(state))
        scale[0] = LEVER_MM
        moved = np.diff(np.array(self._states), axis=0).T
        changed = np.diff(np.array(self._steps), axis=0).T
        share = np.linalg.lstsq(changed * scale[:, None], step * scale, rcond=1e-6)[0]
        return step - (moved + changed) @ share
