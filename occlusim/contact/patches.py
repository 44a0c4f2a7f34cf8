"""Which teeth touch: area, load and place of contact for every pair of opposing teeth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import Float64Array, Int32Array
from occlusim.contact.foundation import BodyLoad, Footprint


@dataclass(frozen=True, slots=True)
class PairContact:
    """Contact between one tooth of the body and one of the field.

    area_mm2 where the surfaces overlap; load_N vertical; centroid (3,) mm in the field's frame;
    least_gap_mm at the body's vertices, of the teeth as they have given way; mean_gap_mm over the
    overlap, of the surfaces as scanned; faces (f,) of the body that overlap, and patch (f,): which
    of its connected patches each belongs to. Tooth 0 means that no tooth was placed there.
    """

    body_tooth: int
    field_tooth: int
    area_mm2: float
    load_N: float
    centroid: Float64Array
    least_gap_mm: float
    mean_gap_mm: float
    faces: Int32Array
    patch: Int32Array


def contacts_by_pair(
    print_: Footprint,
    load: BodyLoad,
    body_tooth: Int32Array,
    field_tooth: Int32Array,
) -> tuple[PairContact, ...]:
    """Return the contacts by pair of teeth, ordered by tooth numbers.

    Parameters
    ----------
    print_, load
        A footprint and its load at the same pose.
    body_tooth : (m,)
        Tooth of every face of the body.
    field_tooth : (F,)
        Tooth of every face of the field.
    """
    touching = np.flatnonzero(load.area_mm2 > 0)
    if len(touching) == 0:
        return ()
    lowest = print_.faces[np.arange(len(print_.faces)), np.argmin(print_.gap_mm[print_.faces], 1)]
    upper = field_tooth[print_.field_face[lowest[touching]]]
    own = body_tooth[print_.face[touching]]
    found = []
    for pair in np.unique(np.stack([own, upper], axis=1), axis=0):
        faces = touching[(own == pair[0]) & (upper == pair[1])]
        area = float(load.area_mm2[faces].sum())
        weight = load.area_mm2[faces] / area
        found.append(
            PairContact(
                int(pair[0]),
                int(pair[1]),
                area,
                float(load.vertical_N[faces].sum()),
                weight @ load.centroid[faces],
                float(print_.gap_mm[print_.faces[faces]].min()),
                -float((load.overlap_mm3 + load.yielded_mm3)[faces].sum()) / area,
                print_.face[faces],
                _patches(print_.faces[faces]),
            )
        )
    return tuple(found)


def _patches(faces: Int32Array) -> Int32Array:
    """Return the number (f,) of the connected patch that each face (f, 3) belongs to."""
    corner, at = np.unique(faces, return_inverse=True)
    n = len(faces)
    joined = coo_matrix(
        (np.ones(3 * n), (np.repeat(np.arange(n), 3), n + at.ravel())),
        shape=(n + len(corner), n + len(corner)),
    )
    return connected_components(joined, directed=False)[1][:n].astype(np.int32)
