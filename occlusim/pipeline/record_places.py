"""Where a bite record is judged, and which part of the arch each bite scan shows."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.placing import PlacedTeeth, crown_centroid
from occlusim.registration.bite import BiteRegistration

SIDE_SHARE = 0.75
"""A bite scan shows a side where this share of its matched surface lies on it."""

FRONT_DEPTH = 0.4
"""A bite scan of both sides is a front one where its middle lies within this share of the way from
the incisal point back to the last molars: the canines stand at a quarter of it."""

SIDE_WORDS = ("right", "left", "front", "anterior")


@dataclass(frozen=True, slots=True)
class Place:
    """A place where the pose matters.

    `name` is the key in the results, `tooth` its ISO 3950 number (0 where not known), `words` what
    it is called, `point` (3,) mm, upper frame, at the recorded bite.
    """

    name: str
    tooth: int
    words: str
    point: Float64Array


def places_of(
    inputs: Inputs,
    T_upper_lower: RigidTransform,
    frame: JawFrame | None = None,
    teeth: PlacedTeeth | None = None,
) -> tuple[Place, ...]:
    """Return the crowns, if there are any, and the first molar of either side.

    The first crown is called `crown`, further ones with their tooth, such as `crown_36`.

    Where a side has no first molar, the nearest molar behind it stands for it, lower before upper;
    without any, the last tooth's landmark.
    """
    found = []
    for index, crown in enumerate(inputs.crowns):
        tooth, named = crown.spec.iso[0], ", ".join(map(str, crown.spec.iso))
        point = crown_centroid(inputs.for_crown(index), T_upper_lower)
        name = f"crown_{tooth}" if index else "crown"
        found.append(Place(name, tooth, f"the crown ({named})", point))
    if frame is None or teeth is None:
        return tuple(found)
    centroids = {
        **{t: np.asarray(p) for t, p in teeth.upper.centroids.items()},
        **{t: T_upper_lower.apply(p) for t, p in teeth.lower.centroids.items()},
        **{place.tooth: place.point for place in found},
    }
    for side, lower, upper, landmark in (
        ("right", 40, 10, frame.landmarks.right_molar),
        ("left", 30, 20, frame.landmarks.left_molar),
    ):
        name = f"{side}_first_molar"
        molars = [quadrant + position for position in (6, 7, 8) for quadrant in (lower, upper)]
        tooth = next((t for t in molars if t in centroids), 0)
        point = centroids[tooth] if tooth else landmark
        words = str(tooth) if tooth else f"the last lower tooth on the {side}"
        found.append(Place(name, tooth, words, point))
    return tuple(found)


def sides_shown(
    inputs: Inputs, registration: BiteRegistration, frame: JawFrame
) -> tuple[str | None, ...]:
    """Return 'right', 'left', 'front' or 'both sides' for each bite scan; None where it fits none.

    From where its matched surface lies in the jaw frame, whatever its file is called.
    """
    incisal = frame.T_jaw_upper.apply(frame.landmarks.incisal)[1]
    molars = frame.T_jaw_upper.apply(
        0.5 * (frame.landmarks.right_molar + frame.landmarks.left_molar)
    )[1]
    shown: list[str | None] = []
    for surface, bite in zip(inputs.bites, registration.bites, strict=True):
        area = np.asarray(surface.vertex_area_mm2)[bite.vertex]
        if bite.n_points == 0 or area.sum() <= 0:
            shown.append(None)
            continue
        T_jaw_bite = frame.T_jaw_upper @ bite.T_upper_bite
        at = T_jaw_bite.apply(surface.mesh.vertices[bite.vertex])
        right = float(area[at[:, 0] > 0].sum() / area.sum())
        depth = float((incisal - area @ at[:, 1] / area.sum()) / (incisal - molars))
        if right >= SIDE_SHARE or right <= 1.0 - SIDE_SHARE:
            shown.append("right" if right >= SIDE_SHARE else "left")
        else:
            shown.append("front" if depth < FRONT_DEPTH else "both sides")
    return tuple(shown)


def name_findings(inputs: Inputs, sides: tuple[str | None, ...]) -> list[Finding]:
    """Return a finding for every bite scan whose file is called after another side."""
    findings = []
    for file, side in zip(inputs.bite_files, sides, strict=True):
        words = {w.lower() for w in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", file.path.stem)}
        named = ["front" if w == "anterior" else w for w in SIDE_WORDS if w in words]
        if side is None or len(named) != 1 or named[0] == side:
            continue
        findings.append(
            Finding(
                "warning",
                "bite_side_named_otherwise",
                f"{file.path.name} is called {named[0]} but shows "
                f"{side if side == 'both sides' else f'the {side}'} of the patient: look whether "
                "the file is named wrongly or the scans are mirrored; its name counts for nothing",
                "bite",
            )
        )
    return findings
