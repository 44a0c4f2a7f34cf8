"""How the natural teeth meet at a bite record: over-closed, propped open, or as teeth do.

At a record that is right, natural teeth touch: somewhere they meet or overlap by what teeth give
under the clench of the record, and nowhere by much more. The overlap is measured with exact
distances, each arch's vertices in the other arch, and a depth or gap counts where at least
`SUPPORT_MM2` of surface lies beyond it, so that a speck of one scan is no contact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, any_corner
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.clip import clip_faces

SUPPORT_MM2 = 0.05
"""Surface that carries a depth or a gap: as for the supported gap of a crown."""

REACHES_MM = (0.3, 2.0)
"""How far is looked, the second where the first does not show the whole answer; places that are
farther apart, or deeper in one another, than the last are not looked at."""

RecordState = Literal["meets", "over_closed", "open", "open_one_side", "unknown"]


@dataclass(frozen=True, slots=True)
class ContactSettings:
    """Where natural teeth overlap implausibly much, and where they do not touch.

    Attributes
    ----------
    overlap_um : float
        Deepest plausible overlap of two teeth. Teeth are scanned unloaded and the record is taken
        clenched: a tooth gives 10 to 100 um under physiological load (Boldt et al 2012, Ann Anat);
        the upper end is taken for a pair (own choice).
    gap_um : float
        Largest gap that still counts as contact: 50 um (Gurdsapsri et al 2000, J Oral Rehabil).
    n_sigma : float
        Standard deviations of the pose in height at the molars that are granted beside both.
    """

    overlap_um: float = 100.0
    gap_um: float = 50.0
    n_sigma: float = 2.0

    def __post_init__(self) -> None:
        if not (self.overlap_um > 0 and self.gap_um > 0 and self.n_sigma >= 0):
            raise InputError(
                "record contact settings: overlap_um and gap_um must be positive and n_sigma not "
                f"negative, {self.overlap_um}, {self.gap_um} and {self.n_sigma} given"
            )


@dataclass(frozen=True, slots=True)
class ToothFaces:
    """An arch and which of its faces (F,) are natural teeth that count."""

    surface: Surface
    faces: BoolArray


@dataclass(frozen=True, slots=True)
class Meeting:
    """How the teeth meet, over both arches or over a side of them.

    Attributes
    ----------
    gap_mm : float
        Least gap that `SUPPORT_MM2` of surface supports, negative where the teeth overlap; NaN
        where less surface than that lies within the last of `REACHES_MM`.
    overlap_mm2, overlap_mm3 : float
        Area that lies inside the other arch and its integral of the depth; the mean of what the
        upper surface and what the lower surface gives.
    at : (3,), mm, upper frame
        Where it is deepest or nearest; NaN where nothing is near.
    """

    gap_mm: float
    overlap_mm2: float
    overlap_mm3: float
    at: Float64Array = field(default_factory=lambda: np.full(3, np.nan))


@dataclass(frozen=True, slots=True)
class RecordContact:
    """How the natural teeth meet at a record.

    `limit_open_mm` and `limit_overlap_mm` are the settings with the pose's share; `sides` maps
    'right' and 'left' to the part of the teeth on that side, where sides are known.
    """

    whole: Meeting
    sides: Mapping[str, Meeting]
    limit_open_mm: float
    limit_overlap_mm: float

    @property
    def state(self) -> RecordState:
        """What the overlap says of the record."""
        if not np.isfinite(self.whole.gap_mm):
            return "open"
        if self.whole.gap_mm < -self.limit_overlap_mm:
            return "over_closed"
        if self.whole.gap_mm > self.limit_open_mm:
            return "open"
        return "open_one_side" if self.open_side is not None else "meets"

    @property
    def open_side(self) -> str | None:
        """The side on which the teeth stay apart while they meet on the other, or None."""
        apart = [n for n, m in self.sides.items() if not m.gap_mm <= self.limit_open_mm]
        return apart[0] if len(apart) == 1 and len(self.sides) == 2 else None


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One arch's tooth faces near the other arch: gap at the vertices, places in upper frame."""

    vertices: Float64Array
    faces: Int32Array
    gap_mm: Float64Array
    reach_mm: float


def record_contact(
    upper: ToothFaces,
    lower: ToothFaces,
    T_upper_lower: RigidTransform,
    *,
    T_jaw_upper: RigidTransform | None = None,
    sigma_height_mm: float = 0.0,
    settings: ContactSettings | None = None,
) -> RecordContact:
    """Return how the natural teeth meet at a pose.

    Parameters
    ----------
    upper, lower : ToothFaces
        The arches, each in its own frame; a crown's place is left out of `faces`.
    T_upper_lower : RigidTransform
        The record.
    T_jaw_upper : RigidTransform, optional
        Jaw axes; with them both sides are measured for themselves too.
    sigma_height_mm : float
        Standard deviation of the pose across the occlusal plane, at the molars.
    settings : ContactSettings, optional
        Limits.
    """
    settings = settings or ContactSettings()
    slack_mm = settings.n_sigma * sigma_height_mm
    whole, sides = _look(upper, lower, T_upper_lower, T_jaw_upper, REACHES_MM[0])
    gaps = np.array([whole.gap_mm, *(side.gap_mm for side in sides.values())])
    if not (np.abs(gaps) < 0.8 * REACHES_MM[0]).all():
        whole, sides = _look(upper, lower, T_upper_lower, T_jaw_upper, REACHES_MM[1])
    return RecordContact(
        whole, sides, 1e-3 * settings.gap_um + slack_mm, 1e-3 * settings.overlap_um + slack_mm
    )


def _look(
    upper: ToothFaces,
    lower: ToothFaces,
    T_upper_lower: RigidTransform,
    T_jaw_upper: RigidTransform | None,
    reach_mm: float,
) -> tuple[Meeting, dict[str, Meeting]]:
    """Return how the teeth meet as a whole and by side, as far as a reach shows."""
    sheets = (
        _sheet(upper, RigidTransform.identity(), lower.surface, T_upper_lower.inverse(), reach_mm),
        _sheet(lower, T_upper_lower, upper.surface, T_upper_lower, reach_mm),
    )
    sides: dict[str, Meeting] = {}
    if T_jaw_upper is not None:
        for name, sign in (("right", 1.0), ("left", -1.0)):
            sides[name] = _meeting(tuple(_side(sheet, T_jaw_upper, sign) for sheet in sheets))
    return _meeting(sheets), sides


def _sheet(
    own: ToothFaces,
    T_upper_own: RigidTransform,
    other: Surface,
    T_other_own: RigidTransform,
    reach_mm: float,
) -> _Sheet:
    """Return an arch's counted faces with a corner within reach and a known gap at all corners.

    Corners out of reach count as `reach_mm` away; a face with a corner whose nearest place is the
    other scan's trimmed edge has no side and is left out.
    """
    mesh = own.surface.mesh
    faces = mesh.faces[own.faces & (own.surface.fate == 0)]
    counted = np.zeros(len(mesh.vertices), dtype=bool)
    counted[faces.ravel()] = True
    used = np.flatnonzero(counted)
    found = other.closest(mesh.vertices[used], reach_mm, T_other_own)
    gap = np.full(len(mesh.vertices), reach_mm)
    is_near = np.isfinite(found.unsigned_mm)
    gap[used[is_near]] = found.distance_mm[is_near]
    faces = faces[any_corner(np.isnan(gap) | (gap < reach_mm), faces)]
    faces = faces[~any_corner(np.isnan(gap), faces)]
    row = np.zeros(len(mesh.vertices), dtype=np.int32)
    row[faces.ravel()] = 1
    used = np.flatnonzero(row)
    row[used] = np.arange(len(used), dtype=np.int32)
    return _Sheet(T_upper_own.apply(mesh.vertices[used]), row[faces], gap[used], reach_mm)


def _side(sheet: _Sheet, T_jaw_upper: RigidTransform, sign: float) -> _Sheet:
    across = T_jaw_upper.apply(sheet.vertices)[:, 0]
    kept = sign * across[sheet.faces].mean(axis=1) > 0
    return _Sheet(sheet.vertices, sheet.faces[kept], sheet.gap_mm, sheet.reach_mm)


def _meeting(sheets: tuple[_Sheet, ...]) -> Meeting:
    gaps = [_supported_gap_mm(sheet) for sheet in sheets]
    below = [_below(sheet, 0.0) for sheet in sheets]
    at = np.full(3, np.nan)
    if np.isfinite(gaps).any():
        k = int(np.nanargmin(gaps))
        sheet = sheets[k]
        used = np.unique(sheet.faces)
        at = sheet.vertices[used[np.argmin(np.abs(sheet.gap_mm[used] - gaps[k]))]]
    return Meeting(
        float(np.nanmin(gaps)) if np.isfinite(gaps).any() else float("nan"),
        float(np.mean([area for area, _ in below])),
        float(np.mean([volume for _, volume in below])),
        at,
    )


def _below(sheet: _Sheet, level_mm: float) -> tuple[float, float]:
    """Return the area, mm2, and the volume, mm3, of a sheet below a level."""
    near = sheet.faces[sheet.gap_mm[sheet.faces].min(axis=1, initial=np.inf) < level_mm]
    n = len(near)
    area, volume = np.zeros(n), np.zeros(n)
    moments = np.zeros((n, 3)), np.zeros((n, 3))
    clip_faces(n, sheet.vertices, near, sheet.gap_mm, float(level_mm), area, volume, *moments)
    return float(area.sum()), float(volume.sum())


def _supported_gap_mm(sheet: _Sheet) -> float:
    """Return the level below which `SUPPORT_MM2` of the sheet lies, mm; NaN without so much.

    Whole faces below a level bound it from above; it is then halved down on the faces that lie
    below that bound.
    """
    corner = sheet.gap_mm[sheet.faces]
    top = corner.max(axis=1, initial=-np.inf)
    order = np.argsort(top, kind="stable")
    a, b, c = (sheet.vertices[sheet.faces[order, k]] for k in range(3))
    area = np.cumsum(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))
    enough = np.flatnonzero(area >= SUPPORT_MM2)
    high = float(top[order[enough[0]]]) if len(enough) else sheet.reach_mm
    is_low = corner.min(axis=1, initial=np.inf) < high
    near = _Sheet(sheet.vertices, sheet.faces[is_low], sheet.gap_mm, sheet.reach_mm)
    if len(near.faces) == 0 or _below(near, high)[0] < SUPPORT_MM2:
        return float("nan")
    low = float(near.gap_mm[near.faces].min())
    while high - low > 1e-5:
        middle = 0.5 * (low + high)
        if _below(near, middle)[0] < SUPPORT_MM2:
            low = middle
        else:
            high = middle
    return high
