"""Whether a crown stands where a crown can stand, in front of the teeth that it meets."""

from __future__ import annotations

import numpy as np

from occlusim.contact.field import GapField
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.inputs import Inputs

MOST_BURIED_MM = 1.5
"""A crown that reaches deeper into the opposing teeth is not high but in a wrong place."""

REACH_MM = 10.0
MOST_PLACES = 4000


def refuse_buried(inputs: Inputs, antagonist: GapField, T_upper_lower: RigidTransform) -> None:
    """Refuse a crown that lies within the opposing teeth at the recorded bite.

    Raises
    ------
    InputError
        If a vertex of the crown, of a few thousand evenly taken, lies deeper than 1.5 mm.
    """
    spec = inputs.crown_spec
    T = T_upper_lower.inverse() if spec.is_upper else T_upper_lower
    vertices = inputs.crown.mesh.vertices
    places = vertices[:: max(1, len(vertices) // MOST_PLACES)]
    gap_mm = antagonist.exact(places, T, REACH_MM)
    known = gap_mm[np.isfinite(gap_mm)]
    if len(known) == 0 or known.min() >= -MOST_BURIED_MM:
        return
    raise InputError(
        f"{inputs.crown_file.path}: at the recorded bite the crown for tooth {spec.iso[0]} reaches "
        f"{-known.min():.1f} mm into the opposing teeth, at most {MOST_BURIED_MM:g} mm can be "
        f"taken off, and {100 * (known < 0).mean():.0f} % of it lies within them: check the "
        "crown's coordinates, its tooth number, and the bite"
    )
