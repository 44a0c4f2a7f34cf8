"""What the reduction of a crown rests on: its wanted gaps, its paths, and which way it looks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.crown.clearance import CrownPath
from occlusim.crown.location import CrownOrientation
from occlusim.crown.units import outer_neighbours
from occlusim.jaw.numbering import is_anterior
from occlusim.motion.excursion import GuidedPath
from occlusim.pipeline.crown_run import wanted_gap
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.placing import crown_centroid
from occlusim.pipeline.record import Placed
from occlusim.pipeline.units import UM


def wanted_functions(
    inputs: Inputs, jaw: JawStage
) -> dict[str, Callable[[Float64Array], Float64Array]]:
    """Return for every movement the wanted gap (mm) as a function of the parameter (mm).

    A crown that shares the guidance is asked for no more clearance than in closure.
    """
    targets, spec = inputs.case.targets, inputs.crown_spec
    shares = spec.guidance == "shared"

    def function(name: str) -> Callable[[Float64Array], Float64Array]:
        is_flat = name == "centric" or shares
        datum = jaw.datum if name == "centric" else jaw.moving_datum
        centric_mm = datum.g_nat_mm + inputs.case.centric_um(spec) / UM
        return lambda s: wanted_gap(
            s, centric_mm, targets.excursion_um / UM, targets.ramp_mm, is_flat
        )

    return {path.name: function(path.name) for path in jaw.run.paths}


def asked_paths(
    inputs: Inputs, paths: tuple[GuidedPath, ...]
) -> tuple[list[GuidedPath], str | None]:
    """Return the paths that the reduction answers to, and in words what is withheld."""
    spec = inputs.crown_spec
    if spec.guidance in ("none", "shared"):
        return list(paths), None
    closure = [p for p in paths if p.name == "centric"]
    if spec.guidance == "guides":
        return closure, None
    front = next(tooth for tooth in spec.iso if is_anterior(tooth))
    return closure, (
        f"tooth {front} is an incisor or canine and its guidance is not stated: the "
        'reduction for excursions is withheld; state guidance = "none", "shared" or '
        '"guides" in [crown]'
    )


def crown_path(
    path: GuidedPath, wanted: Callable[[Float64Array], Float64Array], crown_is_upper: bool
) -> CrownPath:
    """Return the crown's path in its antagonist's frame."""

    def poses(parameter_mm: Float64Array) -> tuple[Float64Array, Float64Array]:
        found = path.poses(parameter_mm)
        if crown_is_upper:
            found = [pose.inverse() for pose in found]
        return np.stack([p.rotation for p in found]), np.stack([p.translation for p in found])

    return CrownPath(path.name, path.parameter_mm, poses, wanted)


def crown_orientation(inputs: Inputs, placed: Placed) -> CrownOrientation:
    """Return occlusal, mesial and buccal directions in the crown's coordinates.

    Mesial points from the distal neighbour tooth to the mesial one. Where one of them is missing
    the arch is taken as a half circle about its middle: buccal points away from the middle of the
    occlusal triangle, mesial along the arch to the front mid-line. Of a bridge the neighbours are
    those of its ends, and no tooth is named.
    """
    teeth = inputs.crown_spec.iso
    (_, mesial), (_, distal) = outer_neighbours(teeth)
    here = crown_centroid(inputs, placed.T_upper_lower)
    along = _way(inputs, placed, distal, mesial)
    return _orientation(inputs, placed, here, along, teeth[0] if len(teeth) == 1 else 0)


def unit_places(inputs: Inputs, placed: Placed) -> dict[int, CrownOrientation]:
    """Return the directions of each tooth of a bridge, by its own neighbours there or beside it."""
    found = {}
    for tooth, centre in inputs.crown_input.centres().items():
        (_, mesial), (_, distal) = outer_neighbours((tooth,))
        here = centre if inputs.crown_spec.is_upper else placed.T_upper_lower.apply(centre)
        along = _way(inputs, placed, distal, mesial)
        found[tooth] = _orientation(inputs, placed, here, along, tooth)
    return found


def _orientation(
    inputs: Inputs, placed: Placed, point: Float64Array, along: Float64Array | None, tooth: int
) -> CrownOrientation:
    """Return the directions at a place (3,), upper frame; along (3,) leads to mesial, if known."""
    spec, frame = inputs.crown_spec, placed.frame
    T_jaw_crown = frame.T_jaw_upper
    if not spec.is_upper:
        T_jaw_crown = T_jaw_crown @ placed.T_upper_lower
    marks = frame.landmarks
    middle = frame.T_jaw_upper.apply((marks.incisal + marks.right_molar + marks.left_molar) / 3.0)
    here = frame.T_jaw_upper.apply(point)
    outward = here - middle
    outward[2] = 0.0
    buccal = outward / np.linalg.norm(outward)
    tangent = np.array([-buccal[1], buccal[0], 0.0])
    incisal = frame.T_jaw_upper.apply(marks.incisal)
    mesial = tangent if tangent @ (incisal - here) > 0 else -tangent
    if along is not None:
        along = T_jaw_crown.rotate(along)
        mesial = np.array([along[0], along[1], 0.0]) / np.hypot(along[0], along[1])
        buccal = buccal - (buccal @ mesial) * mesial
    occlusal = np.array([0.0, 0.0, -1.0 if spec.is_upper else 1.0])
    back = T_jaw_crown.inverse()
    return CrownOrientation(
        back.rotate(occlusal),
        back.rotate(mesial),
        back.rotate(buccal),
        "palatal" if spec.is_upper else "lingual",
        tooth,
    )


def _way(inputs: Inputs, placed: Placed, start: int | None, end: int | None) -> Float64Array | None:
    """Return the way (3,) from one tooth's middle to another's, or None where one is missing.

    In the crown's coordinates.
    """
    middles = [_middle(inputs, placed, tooth) for tooth in (start, end)]
    return None if middles[0] is None or middles[1] is None else middles[1] - middles[0]


def _middle(inputs: Inputs, placed: Placed, tooth: int | None) -> Float64Array | None:
    """Return the middle (3,) of a tooth: of the bridge's own, or on the scan; None if missing."""
    crown = inputs.crown_input
    if tooth in crown.spec.iso:
        return crown.centres()[tooth]
    mesh, own = inputs.own_arch.mesh, placed.tooth(upper=crown.spec.is_upper)
    face = np.flatnonzero(own == tooth) if tooth else np.empty(0, dtype=np.int64)
    area = mesh.face_areas()[face]
    if not area.sum() > 0:
        return None
    return area @ mesh.vertices[mesh.faces[face]].mean(axis=1) / area.sum()
