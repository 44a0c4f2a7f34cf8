"""Arches that already share a frame: nothing to register, the uncertainty is a setting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import frozen
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.point_to_plane import carry_twist


@dataclass(frozen=True, slots=True)
class SharedFrameSettings:
    """How uncertain a given pose is.

    Attributes
    ----------
    displacement_sigma_um : float
        Root mean square displacement at `arm_mm` from the middle of the arch. 69 um: mean
        deviation of virtual occlusion (Solaberrieta et al 2015, J Prosthet Dent 114:92-7).
    arm_mm : float
        About the distance of a first molar from the middle of its arch (from memory). Half of
        the variance is given to sliding and half to turning, which makes 0.08 degrees; 0.1 degree
        of roll and pitch is published (Kakali & Halazonetis 2023, Korean J Orthod 53:254-263).
    """

    displacement_sigma_um: float = 69.0
    arm_mm: float = 25.0

    def __post_init__(self) -> None:
        if not self.displacement_sigma_um > 0 or not self.arm_mm > 0:
            raise InputError(
                "shared frame settings: displacement_sigma_um and arm_mm must be positive, "
                f"{self.displacement_sigma_um} and {self.arm_mm} given"
            )


def shared_frame_registration(
    T_upper_lower: RigidTransform,
    centre: ArrayLike,
    settings: SharedFrameSettings | None = None,
) -> BiteRegistration:
    """Return a given pose as a registration whose covariance comes from settings.

    Parameters
    ----------
    T_upper_lower : RigidTransform
        The given pose; identity where the arches share a frame.
    centre : (3,), mm, upper frame
        Middle of the arch, about which sliding and turning are independent.
    settings : SharedFrameSettings, optional
        Size of the uncertainty.
    """
    settings = settings or SharedFrameSettings()
    middle = frozen(centre, np.float64)
    if middle.shape != (3,) or not np.isfinite(middle).all():
        raise InputError(
            f"shared frame: centre {middle.tolist()} given, three numbers in mm wanted"
        )
    sigma_mm = 1e-3 * settings.displacement_sigma_um
    slide_sq, turn_sq = sigma_mm**2 / 6.0, (sigma_mm / (2.0 * settings.arm_mm)) ** 2
    carry = carry_twist(middle)
    return BiteRegistration(
        T_upper_lower=T_upper_lower,
        covariance=carry @ np.diag([turn_sq] * 3 + [slide_sq] * 3) @ carry.T,
        hessian=np.zeros((6, 6)),
        centre=middle,
        arm_mm=settings.arm_mm,
        bites=(),
        T_upper_lower_alone=(),
        covariance_alone=(),
        information_alone=(),
        rms_um=float("nan"),
        converged=True,
        n_rounds=0,
        last_change_um=0.0,
    )
