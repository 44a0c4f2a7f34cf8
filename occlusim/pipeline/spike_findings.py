"""Spikes at the crown: what the least gap at the recorded bite is with them and without.

A spike of a scan has been left out before anything is computed, so the least gap without it says
nothing of it; one of the crown itself stays in its mesh, and the least gap alone would say nothing
else. Either way both numbers are told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import box_corners
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import Finding, clean_scan
from occlusim.geometry.scan_parts import scan_parts, spikes, without_spikes
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.units import BAND, UM

AROUND_MM = 5.0
"""A spike farther than this from the box around the crown is not its own to tell of."""

ALIKE_MM = 2e-4
"""Two least gaps that differ by less are the same: each is proved to 0.1 um."""


@dataclass(frozen=True, slots=True)
class SpikesAtCrown:
    """What spikes do to the crown's least gap at the recorded bite.

    gap_with_mm counts the spikes of the opposing scan that were left out; None where they do not
    come nearer than what was kept.
    """

    gap_with_mm: float | None
    findings: tuple[Finding, ...]


def crown_without_spikes(inputs: Inputs, crown: GapField) -> GapField | None:
    """Return a crown's field with its spikes laid down, or None where its file has none."""
    if not _seen(inputs, "spikes", "crown"):
        return None
    mesh = crown.surface.mesh
    laid = without_spikes(scan_parts(mesh))
    return None if laid is mesh else GapField.build(laid, BAND)


def spikes_at_crown(
    inputs: Inputs, pair: CrownAgainst, T_upper_lower: RigidTransform, recorded_gap_mm: float
) -> SpikesAtCrown:
    """Return what the spikes of the opposing scan and of the crown do to the recorded least gap.

    Parameters
    ----------
    inputs
        The case; its findings say where there are spikes at all.
    pair
        The crown and the teeth that oppose it.
    T_upper_lower
        The recorded bite.
    recorded_gap_mm
        The crown's least gap there, as computed.
    """
    gap_with_mm, opposing = _opposing_spikes(inputs, pair, T_upper_lower, recorded_gap_mm)
    own = _own_spikes(inputs, pair, T_upper_lower, recorded_gap_mm)
    return SpikesAtCrown(gap_with_mm, (*opposing, *own))


def _seen(inputs: Inputs, code: str, role: str) -> bool:
    return any(f.code == code and f.role == role for f in inputs.findings)


def _opposing_spikes(
    inputs: Inputs, pair: CrownAgainst, T_upper_lower: RigidTransform, recorded_gap_mm: float
) -> tuple[float | None, list[Finding]]:
    role = "lower" if pair.crown_is_upper else "upper"
    if not _seen(inputs, "left_out_spikes", role):
        return None, []
    mesh, is_spike = _as_scanned(inputs, role)
    T = pair.T_antagonist_crown(T_upper_lower)
    box = T.apply(box_corners(pair.crown.surface.mesh.vertices))
    low, high = box.min(axis=0) - AROUND_MM, box.max(axis=0) + AROUND_MM
    is_near = ((mesh.vertices > low) & (mesh.vertices < high)).all(axis=1)[mesh.faces].any(axis=1)
    near, vertex = mesh.submesh(np.flatnonzero(is_near).astype(np.int32))
    on_spike = is_spike[vertex][near.faces].any(axis=1)
    if not on_spike.any():
        return None, []
    scanned = replace(
        pair, antagonist=GapField.build(near, BAND), antagonist_teeth=on_spike, smooth=None
    )
    least = scanned.least_gap(T_upper_lower)
    if not np.isfinite(least.gap_mm) or least.gap_mm > recorded_gap_mm - ALIKE_MM:
        return None, []
    # The tip nearest to the place of the least gap is the spike that a reader looks for.
    tips = near.vertices[is_spike[vertex]]
    tip = tips[np.argmin(np.linalg.norm(tips - least.point, axis=1))]
    words = (
        f"a spike of the {role} scan at {_at(tip)} that was left out comes nearer to the crown "
        f"than the teeth do: counted, the least gap at the recorded bite would be "
        f"{least.gap_mm * UM:.1f} um instead of {recorded_gap_mm * UM:.1f} um; look at the scan "
        "there, and scan it again if the spike stands for something"
    )
    found = Finding("warning", "spike_near_crown", words, role, len(tips))
    return least.gap_mm, [found]


def _as_scanned(inputs: Inputs, role: str) -> tuple[TriangleMesh, np.ndarray]:
    """Return a scan with its spikes and without what else was left out; is_spike (V,)."""
    mesh = inputs.file_of(role).mesh
    parts = scan_parts(mesh)
    is_spike = np.zeros(len(mesh.vertices), dtype=np.bool_)
    is_spike[spikes(parts)] = True
    is_spike = is_spike[parts.topology.vertex_of]
    others = [f for f in inputs.findings if f.role == role and f.code != "spikes"]
    kept = clean_scan(mesh, others, parts)
    return kept.mesh, is_spike[kept.vertex]


def _own_spikes(
    inputs: Inputs, pair: CrownAgainst, T_upper_lower: RigidTransform, recorded_gap_mm: float
) -> list[Finding]:
    smooth = crown_without_spikes(inputs, pair.crown)
    if smooth is None:
        return []
    without_mm = replace(pair, crown=smooth, smooth=None).least_gap(T_upper_lower).gap_mm
    mesh = pair.crown.surface.mesh
    found = spikes(scan_parts(mesh))
    is_alike = abs(without_mm - recorded_gap_mm) < ALIKE_MM
    what = (
        f"does not change with it ({recorded_gap_mm * UM:.1f} um)"
        if is_alike
        else f"is {recorded_gap_mm * UM:.1f} um with it and {without_mm * UM:.1f} um without"
    )
    words = (
        f"the crown has {len(found)} single vertices that stand out like spikes, the first at "
        f"{_at(mesh.vertices[found[0]])}: they stay in its mesh and count in every least gap, not "
        f"in supported gaps; the least gap at the recorded bite {what}"
    )
    severity = "info" if is_alike else "warning"
    return [Finding(severity, "spike_on_crown", words, "crown", len(found))]


def _at(point: Float64Array) -> str:
    x, y, z = point
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"
