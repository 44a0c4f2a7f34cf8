"""The alternatives where a wall is too thin for the whole reduction, asked of the clinician."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.arrays import Int32Array
from occlusim.contact.field import GapField
from occlusim.crown.reduction import ReductionPlan
from occlusim.crown.split import split_of
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.units import UM, numbers

QUESTION = (
    "Within its least wall the crown gives {crown:.0f} µm here and {left:.0f} µm stay. Which is "
    "right: a new design, {wall} or {left:.0f} µm off {tooth} at this place, with the patient's "
    "consent and by licensed practice only? Nothing of this has been applied."
)


def split_parts(
    crown: TriangleMesh,
    plan: ReductionPlan,
    antagonist: GapField,
    tooth: Int32Array,
    T_upper_antagonist: RigidTransform,
) -> dict[int, dict[str, Any]]:
    """Return split and question of every spot, by its id, whose wall is too thin for all of it.

    tooth (F,) is that of the antagonist's faces, 0 where it is none.
    """
    parts = {}
    for spot in plan.spots:
        split = split_of(crown, plan, spot, antagonist)
        if split is None:
            continue
        number = int(tooth[split.face])
        wall = "a thinner wall if the material allows it"
        if np.isfinite(split.whole_wall_mm) and split.whole_wall_mm > 0:
            wall = f"a wall of {split.whole_wall_mm:.2f} mm if the material allows it"
        parts[spot.id] = {
            "split": {
                "crown_um": split.crown_mm * UM,
                "antagonist_um": split.antagonist_mm * UM,
                "antagonist_tooth": str(number) if number else None,
                "point_mm": numbers(T_upper_antagonist.apply(split.point)),
                "whole_wall_mm": split.whole_wall_mm,
            },
            "question": QUESTION.format(
                crown=split.crown_mm * UM,
                left=split.antagonist_mm * UM,
                wall=wall,
                tooth=f"tooth {number}" if number else "the opposing tooth",
            ),
        }
    return parts
