"""Arches with crowns standing in them: what another crown meets of a case with several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import BoolArray, Int32Array
from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.motion.closure import Opposition
from occlusim.pipeline.crown_stage import Region
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.units import BAND

SCAN = -1
"""Whose face it is: the scan's own, or else the crown's of that index."""


@dataclass(frozen=True, slots=True)
class FilledArch:
    """An arch with crowns in the places that they stand for.

    tooth (F,) of its faces, 0 where there is none; crown (F,) whose faces they are.
    """

    mesh: TriangleMesh
    tooth: Int32Array
    crown: Int32Array


def filled_arch(
    inputs: Inputs, placed: Placed, meshes: Sequence[TriangleMesh], which: Sequence[int]
) -> FilledArch:
    """Return the arch that some crowns stand in, with those in it.

    Parameters
    ----------
    inputs, placed
        The case as scanned.
    meshes
        Every crown of the case, as designed or adjusted.
    which
        The crowns to fill in, of one arch.
    """
    upper = inputs.crowns[which[0]].spec.is_upper
    scan = (inputs.upper if upper else inputs.lower).mesh
    masks = np.any([placed.masked[k] for k in which], axis=0)
    kept = np.flatnonzero(~masks).astype(np.int32)
    vertices, faces = [scan.vertices], [scan.faces[kept]]
    tooth, crown = [placed.tooth(upper=upper)[kept]], [np.full(len(kept), SCAN, dtype=np.int32)]
    n_vertices = len(scan.vertices)
    for k in which:
        vertices.append(meshes[k].vertices)
        faces.append(meshes[k].faces + n_vertices)
        tooth.append(inputs.crowns[k].tooth_of_faces(meshes[k]))
        crown.append(np.full(len(meshes[k].faces), k, dtype=np.int32))
        n_vertices += len(meshes[k].vertices)
    whole = TriangleMesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))
    used, _ = whole.submesh(np.arange(len(whole.faces), dtype=np.int32))
    return FilledArch(used, np.concatenate(tooth).astype(np.int32), np.concatenate(crown))


def beside_crown(inputs: Inputs, placed: Placed, index: int) -> tuple[Inputs, Placed]:
    """Return a case turned to one crown, with the others of its arch standing beside it.

    As they are designed: what is taken off at the biting side leaves their sides as they are.
    """
    own = inputs.for_crown(index)
    upper = own.crown_spec.is_upper
    which = [k for k, c in enumerate(inputs.crowns) if k != index and c.spec.is_upper == upper]
    if not which:
        return own, placed
    arch = filled_arch(inputs, placed, [c.surface.mesh for c in inputs.crowns], which)
    surface = Surface.build(arch.mesh)
    if upper:
        return replace(own, upper=surface), replace(placed, upper_tooth=arch.tooth)
    return replace(own, lower=surface), replace(placed, lower_tooth=arch.tooth)


@dataclass(frozen=True, slots=True)
class Opposed:
    """What a crown stands against: its jaw with the opposing crowns in, and whose the faces are.

    crown (F,) of the antagonist's faces; None where no crown stands there.
    """

    jaw: JawStage
    crown: Int32Array | None
    meshes: tuple[TriangleMesh, ...]


def opposed(
    inputs: Inputs,
    placed: Placed,
    jaw: JawStage,
    meshes: Sequence[TriangleMesh],
    index: int,
    before: Opposed | None = None,
) -> Opposed:
    """Return what a crown stands against once the opposing crowns are in.

    Parameters
    ----------
    inputs, placed
        The case as scanned.
    jaw
        The natural jaw as the crown meets it.
    meshes
        Every crown of the case as it is now.
    index
        The crown.
    before
        An earlier answer, which holds where the opposing crowns are the same meshes.
    """
    upper = inputs.crowns[index].spec.is_upper
    which = [k for k, c in enumerate(inputs.crowns) if c.spec.is_upper != upper]
    now = tuple(meshes[k] for k in which)
    if not which:
        return Opposed(jaw, None, ())
    if before is not None and all(a is b for a, b in zip(now, before.meshes, strict=True)):
        return before
    arch = filled_arch(inputs, placed, meshes, which)
    field = GapField.build(arch.mesh, BAND)
    return Opposed(replace(jaw, antagonist=field, antagonist_tooth=arch.tooth), arch.crown, now)


def other_oppositions(
    inputs: Inputs, meshes: Sequence[TriangleMesh], stands: Sequence[Opposed], index: int
) -> tuple[Opposition, ...]:
    """Return the crowns besides one on what they meet, each contact between crowns once.

    What they meet of the crown `index` belongs to that one.
    """
    found = []
    for k, crown in enumerate(inputs.crowns):
        if k == index:
            continue
        own, stand = inputs.for_crown(k), stands[k]
        jaw = stand.jaw
        if stand.crown is not None:
            is_left: BoolArray = (stand.crown != index) & ~(
                (stand.crown != SCAN) & (stand.crown < k)
            )
            kept = np.flatnonzero(is_left).astype(np.int32)
            jaw = replace(
                jaw,
                antagonist=jaw.antagonist.part(kept),
                antagonist_tooth=jaw.antagonist_tooth[kept],
            )
        region = Region.build(own, jaw)
        mesh = meshes[k]
        body = ContactBody("crown", mesh.vertices, mesh.faces, crown.tooth_of_faces(mesh))
        found.append(Opposition(region.field, body, not crown.spec.is_upper, region.tooth))
    return tuple(found)
