"""A case's sensitivity: the jaws to try, from its settings, and what the results say of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.field import GapField
from occlusim.errors import OcclusimError
from occlusim.geometry.scan_check import Finding
from occlusim.jaw.mounting_scatter import AxisScatter, GuidanceScatter
from occlusim.jaw.movements import RETRUSIVE_SLIDE
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.placing import guidance_scatter
from occlusim.pipeline.sensitivity import (
    AXIS_STEP_MM,
    MovementSensitivity,
    crown_sensitivity,
    drawn_variations,
)
from occlusim.pipeline.units import UM

SEED = 20261126
"""The jaws of a case are drawn alike in every run."""

BEYOND_SHARE = 0.5
"""An excursion proper begins at half the ramp, where the wanted gap is midway to its full."""


@dataclass(frozen=True, slots=True)
class SensitivityStage:
    """A crown's least gaps with other axes and angles, and the scatter that was taken.

    Where a varied jaw found no rest, `problem` says why, and there are no movements.
    """

    movements: tuple[MovementSensitivity, ...]
    axis: AxisScatter
    guidance: GuidanceScatter
    samples: int
    problem: str | None = None

    def axis_effect_part(self) -> dict[str, Any]:
        """Return what a wrong axis does, per millimetre and over its scatter."""
        sigma = np.array([self.axis.forward_mm, self.axis.vertical_mm])
        return {
            "step_mm": AXIS_STEP_MM,
            "movements": [
                {
                    "name": m.name,
                    "least_gap_um_per_mm": _two(m.axis_mm_per_mm),
                    "one_sigma_um": _length(m.axis_mm_per_mm * sigma),
                    "beyond_mm": m.beyond_mm,
                    "beyond_gap_um_per_mm": _two(m.axis_beyond_mm_per_mm),
                    "beyond_one_sigma_um": _length(m.axis_beyond_mm_per_mm * sigma),
                }
                for m in self.movements
            ],
        }

    def part(self) -> dict[str, Any]:
        """Return the crown's sensitivity: spread over the jaws drawn, effects one by one."""
        return {
            "samples": self.samples,
            "seed": SEED,
            "n_poses_solved": sum(m.n_solved for m in self.movements),
            "movements": [
                {
                    "name": m.name,
                    "beyond_mm": m.beyond_mm,
                    "least_gap": _spread(m.nominal_mm, m.least_mm),
                    "beyond_gap": _spread(m.nominal_beyond_mm, m.beyond_gap_mm),
                    "worst_corner": {
                        "least_gap_um": m.corner_mm * UM,
                        "beyond_gap_um": m.corner_beyond_mm * UM,
                    },
                    "effects_um": {
                        name: {"lower": low * UM, "higher": high * UM}
                        for name, (low, high) in m.effect_mm.items()
                    },
                }
                for m in self.movements
            ],
        }

    def findings(self, deepest_um: float, least_spot_um: float) -> list[Finding]:
        """Return what the axis' scatter does to this crown, beside its deepest spot."""
        if self.problem is not None:
            words = f"what other axes and angles would do was not found: {self.problem}"
            return [Finding("warning", "sensitivity_failed", words, "crown")]
        effect = self.axis_effect_part()["movements"]
        closing = effect[0]["one_sigma_um"] or 0.0
        excursions = [(e["beyond_one_sigma_um"] or 0.0, e["name"]) for e in effect[1:]]
        most, name = max(excursions, default=(0.0, ""))
        words = f"in closing by {closing:.1f} um"
        if name:
            words += f", in {name.replace('_', ' to the ')} by {most:.1f} um"
        deepest = f"; its deepest spot is {deepest_um:.0f} um" if deepest_um > 0 else ""
        return [
            Finding(
                "warning" if max(closing, most) >= least_spot_um else "info",
                "axis_effect",
                f"a hinge axis wrong by its scatter ({self.axis.forward_mm:.1f} mm forward, "
                f"{self.axis.vertical_mm:.1f} mm up, one standard deviation) changes the crown's "
                f"least gap {words}{deepest}",
                "crown",
            )
        ]


def run_sensitivity(
    inputs: Inputs, jaw: JawStage, crown: CrownStage, field: GapField
) -> SensitivityStage:
    """Return how a case's crown, as designed, answers to other axes and angles.

    `field` is the crown's.
    """
    case, nominal = inputs.case, jaw.model
    scatter, axis = guidance_scatter(case), nominal.frame.scatter
    rng = np.random.default_rng(SEED)
    variations = drawn_variations(nominal.guidance, scatter, axis, case.sensitivity.samples, rng)
    # The slide's condyles are recorded, not guided by angles.
    told = [
        (path, found.gap_mm)
        for path, found in zip(jaw.run.paths, crown.first.movements, strict=True)
        if path.name != RETRUSIVE_SLIDE
    ]
    try:
        movements = crown_sensitivity(
            nominal,
            jaw.natural,
            [path for path, _ in told],
            [gap_mm for _, gap_mm in told],
            crown.region.against(field),
            variations,
            scatter,
            BEYOND_SHARE * case.targets.ramp_mm,
        )
    except OcclusimError as error:
        return SensitivityStage((), axis, scatter, len(variations), str(error))
    return SensitivityStage(movements, axis, scatter, len(variations))


def _two(values_mm: Float64Array) -> dict[str, float]:
    return {"forward": float(values_mm[0]) * UM, "vertical": float(values_mm[1]) * UM}


def _length(values_mm: Float64Array) -> float:
    return float(np.linalg.norm(values_mm)) * UM


def _spread(nominal_mm: float, gaps_mm: Float64Array) -> dict[str, float | None]:
    """Return nominal, median, 5th and 95th percentile, standard deviation and worst, um."""
    known = gaps_mm[np.isfinite(gaps_mm)] * UM
    nominal = nominal_mm * UM
    if len(known) < 2:
        return dict.fromkeys(("median_um", "p5_um", "p95_um", "sigma_um", "worst_um")) | {
            "nominal_um": nominal
        }
    low, median, high = np.percentile(known, [5.0, 50.0, 95.0])
    return {
        "nominal_um": nominal,
        "median_um": float(median),
        "p5_um": float(low),
        "p95_um": float(high),
        "sigma_um": float(known.std(ddof=1)),
        "worst_um": float(known.min()),
    }
