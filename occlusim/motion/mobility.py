"""How teeth give way in their sockets: bilinear springs along the tooth and across it.

A cheek tooth yields easily up to some 3 to 4 N and stiffly above (40 teeth of 10 people, Picton
1963, Arch Oral Biol 8:109-118); across its axis it is about ten times softer (Boldt et al. 2012,
Ann Anat). Implants give so little that they count as rigid (0.75 um at 200 N: Winter, Klein & Karl
2013, J Med Eng 265412; 3 to 5 um: Schulte 1995).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

from occlusim.arrays import Float64Array, frozen
from occlusim.errors import InputError

Pace = Literal["sustained", "quick"]

NO_SOCKET = 1e12
"""A pontic is so many times softer than a tooth: it pulls with less than a nanonewton."""


@dataclass(frozen=True, slots=True)
class MobilitySettings:
    """Springs of the teeth.

    Attributes
    ----------
    pace
        ``sustained``: a bite that is held, in which ligaments and joints give way. ``quick``: at
        the speed of chewing, 50 to 100 ms, in which their fluid has no time to move: under axial
        loads implants and teeth deflect alike (Boldt et al. 2012). Teeth and condyles are rigid
        then. Sources disagree on which of the two a test with foil is: 25-100 um for teeth against
        3-5 um for implants is published too (Schulte 1995).
    knee_N, soft_N_per_mm, stiff_N_per_mm
        The axial law: u(F) = F / soft up to the knee, with slope 1 / stiff above. 3.5 N, 200 and
        2000 N/mm lie within the published curves (17.5 um at the knee, 25.8 at 20 N, 65.8 at 100 N)
        and are derived, not published.
    lateral_softness
        How many times softer a tooth is across its axis.
    has_lateral
        False leaves lateral springs out, a simplification: teeth yield along their axes alone.
    factor
        By tooth (ISO 3950): how many times more than usual it yields.
    rigid
        Teeth that do not yield: implants.
    joined
        Groups of teeth under one bridge, which give way as one, all by the same shift. A bridge
        does not turn in its sockets here.
    hanging
        Teeth of such groups without a socket of their own: pontics.
    """

    pace: Pace = "sustained"
    knee_N: float = 3.5
    soft_N_per_mm: float = 200.0
    stiff_N_per_mm: float = 2000.0
    lateral_softness: float = 10.0
    has_lateral: bool = True
    factor: Mapping[int, float] = field(default_factory=dict)
    rigid: frozenset[int] = frozenset()
    joined: tuple[tuple[int, ...], ...] = ()
    hanging: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        if self.pace not in get_args(Pace):
            raise InputError(f"pace: {self.pace!r} given, {' or '.join(get_args(Pace))} is wanted")
        if not (0 < self.soft_N_per_mm <= self.stiff_N_per_mm and self.knee_N > 0):
            raise InputError(
                f"mobility: knee {self.knee_N} N, soft {self.soft_N_per_mm} and stiff "
                f"{self.stiff_N_per_mm} N/mm given; all must be positive and stiff not below soft"
            )
        if not self.lateral_softness > 0 or any(not f > 0 for f in self.factor.values()):
            raise InputError("mobility: lateral_softness and factors must be positive")

    def yields(self, tooth: int) -> bool:
        """Return whether a tooth gives way; 0, where no tooth was placed, does not."""
        return self.pace == "sustained" and tooth > 0 and tooth not in self.rigid


def bilinear(
    u_mm: Float64Array, soft: Float64Array, stiff: Float64Array, knee_N: float
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Return energy (N mm), force (N) and tangent (N/mm), each (m,), of springs at ways u >= 0.

    soft, stiff (m,) in N/mm: F = soft u up to the knee, with slope `stiff` above.
    """
    knee_mm = knee_N / soft
    before, over = np.minimum(u_mm, knee_mm), np.maximum(u_mm - knee_mm, 0.0)
    energy = 0.5 * soft * before**2 + knee_N * over + 0.5 * stiff * over**2
    return energy, soft * before + stiff * over, np.where(over > 0.0, stiff, soft)


@dataclass(frozen=True, slots=True)
class Sockets:
    """The springs of some teeth.

    tooth (m,) ISO 3950; axis (3,) unit, upper frame, the same for all: perpendicular to the
    occlusal plane; softness (m,) multiplies every yielding.
    """

    tooth: tuple[int, ...]
    axis: Float64Array
    softness: Float64Array
    settings: MobilitySettings

    def __post_init__(self) -> None:
        object.__setattr__(self, "axis", frozen(self.axis, np.float64))
        object.__setattr__(self, "softness", frozen(self.softness, np.float64))

    @staticmethod
    def of(teeth: tuple[int, ...], axis: Float64Array, settings: MobilitySettings) -> Sockets:
        """Return the sockets of those of some teeth that yield, and of all joined to them."""
        met = {t for t in teeth if settings.yields(t)}
        for group in settings.joined:
            if met & set(group):
                met |= {t for t in group if settings.yields(t)}
        mobile = tuple(sorted(met))
        softness = [
            NO_SOCKET if t in settings.hanging else settings.factor.get(t, 1.0) for t in mobile
        ]
        return Sockets(mobile, axis, np.array(softness), settings)

    def basis(self) -> Float64Array:
        """Return the free directions as rows (f, 3 m): teeth that are joined share theirs."""
        body = np.arange(len(self.tooth))
        for group in self.settings.joined:
            own = np.isin(self.tooth, group)
            body[own] = body[own].min(initial=len(body))
        together = (np.unique(body)[:, None] == body).astype(np.float64)
        if self.settings.has_lateral:
            return np.kron(together, np.eye(3))
        return np.kron(together, self.axis[None])

    @property
    def n_bodies(self) -> int:
        """How many teeth, or bridges of several, move by themselves."""
        return len(self.basis()) // (3 if self.settings.has_lateral else 1)

    def add(self, shift: Float64Array, gradient: Float64Array, hessian: Float64Array) -> float:
        """Add gradient (3 m,) and Hessian (3 m, 3 m) at shifts (m, 3) mm; return the energy."""
        s, axis = self.settings, self.axis
        soft, stiff = s.soft_N_per_mm / self.softness, s.stiff_N_per_mm / self.softness
        ahead = np.outer(axis, axis)
        across = np.eye(3) - ahead
        along = shift @ axis
        energy, force, tangent = bilinear(np.abs(along), soft, stiff, s.knee_N)
        total = float(energy.sum())
        pull = np.outer(np.copysign(force, along), axis)
        block = tangent[:, None, None] * ahead
        aside = shift - np.outer(along, axis)
        way = np.sqrt(np.einsum("ij,ij->i", aside, aside))
        softer = s.lateral_softness
        energy, force, tangent = bilinear(way, soft / softer, stiff / softer, s.knee_N)
        total += float(energy.sum())
        towards = aside / np.maximum(way, 1e-12)[:, None]
        secant = np.where(way > 1e-12, force / np.maximum(way, 1e-12), tangent)
        pull += force[:, None] * towards
        outer = towards[:, :, None] * towards[:, None, :]
        block += (tangent - secant)[:, None, None] * outer + secant[:, None, None] * across
        gradient += pull.ravel()
        m = len(shift)
        at = np.arange(m)
        hessian.reshape(m, 3, m, 3)[at, :, at, :] += block
        return total
