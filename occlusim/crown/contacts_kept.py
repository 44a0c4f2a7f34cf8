"""Does an adjusted crown still meet its antagonist as it should: by foil, load and contact patch.

A crown on a tooth holds foil at light and heavy load like its neighbours. A crown on an implant,
which hardly gives way, lets it slip at light load and holds it at heavy load without carrying more
than its neighbours. Both are common practice, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh

Answer = Literal["holds", "slips", "uncertain"]
Load = Literal["light", "heavy"]

HOLDS_SHARE, SLIPS_SHARE = 0.75, 1.0
"""A gap up to 6 um holds an 8 um foil, one of 8 um or more lets it slip (Harper & Setchell 2002,
Int J Prosthodont 15:347-352); other thicknesses in proportion, which is an assumption."""

PUBLISHED_MM = 0.008
"""The foil that was published about."""

LEAST_PATCH_MM2 = 0.01
"""Patches of less are not counted as contacts: a disc 0.1 mm across, a scan's spacing of points."""

GONE_MM = 0.3
"""A contact has vanished where nothing within this way of it presses any more: the width of the
ring that a cut may take beside a spot."""

INSIDE_MM = 0.003
"""A height is chosen so far inside the range that will do, where it is as wide: a crown moved as
one piece and one cut to another gap differ by about 1 um (tried on the demo's implant crown)."""


@dataclass(frozen=True, slots=True)
class FoilRule:
    """What a foil of a thickness, mm, does in a gap."""

    thickness_mm: float = PUBLISHED_MM

    def __post_init__(self) -> None:
        if not self.thickness_mm > 0:
            raise InputError(f"foil: thickness {self.thickness_mm} mm given, above 0 is wanted")

    @property
    def holds_mm(self) -> float:
        """The widest gap that surely holds it."""
        return HOLDS_SHARE * self.thickness_mm

    @property
    def slips_mm(self) -> float:
        """The narrowest gap that surely lets it slip."""
        return SLIPS_SHARE * self.thickness_mm

    @property
    def is_published(self) -> bool:
        """Whether the rule was published for this thickness, and not put in proportion."""
        return bool(np.isclose(self.thickness_mm, PUBLISHED_MM, rtol=1e-9, atol=0))

    def answer(self, gap_mm: float, load_N: float = 0.0) -> Answer:
        """Return what it does in a gap, mm; NaN: nothing is near. What carries load holds it."""
        if load_N > 0.0 or gap_mm <= self.holds_mm:
            return "holds"
        return "uncertain" if gap_mm < self.slips_mm else "slips"


@dataclass(frozen=True, slots=True)
class Patch:
    """A connected patch of a crown that presses.

    places (f, 3) mm: the middles of its faces; centroid (3,) weighted by area; normal (3,) unit.
    """

    area_mm2: float
    load_N: float
    places: Float64Array
    centroid: Float64Array
    normal: Float64Array


def contact_patches(
    mesh: TriangleMesh, area_mm2: Float64Array, load_N: Float64Array
) -> tuple[Patch, ...]:
    """Return the connected patches of a crown that press, the most loaded first.

    Parameters
    ----------
    mesh
        The crown.
    area_mm2, load_N : (F,)
        Area in contact and vertical force of every face.
    """
    face = np.flatnonzero(area_mm2 > 0)
    if len(face) == 0:
        return ()
    corner, at = np.unique(mesh.faces[face], return_inverse=True)
    n = len(face)
    links = coo_matrix(
        (np.ones(3 * n), (np.repeat(np.arange(n), 3), n + at.ravel())),
        shape=(n + len(corner), n + len(corner)),
    )
    part = connected_components(links, directed=False)[1][:n]
    middles = mesh.vertices[mesh.faces[face]].mean(axis=1)
    vectors = mesh.face_vectors()[face]
    found = []
    for k in np.unique(part):
        own = part == k
        weight = area_mm2[face[own]]
        normal = vectors[own].sum(axis=0)
        found.append(
            Patch(
                float(weight.sum()),
                float(load_N[face[own]].sum()),
                middles[own],
                weight @ middles[own] / weight.sum(),
                normal / max(float(np.linalg.norm(normal)), 1e-30),
            )
        )
    return tuple(sorted(found, key=lambda patch: (-patch.load_N, tuple(patch.centroid))))


def counted(patches: Sequence[Patch]) -> tuple[Patch, ...]:
    """Return the patches that count as contacts."""
    return tuple(patch for patch in patches if patch.area_mm2 >= LEAST_PATCH_MM2)


def vanished(before: Sequence[Patch], after: Sequence[Patch]) -> tuple[Patch, ...]:
    """Return the contacts before with nothing pressing within 0.3 mm of any of their faces after.

    Both in one frame; the meshes may differ.
    """
    known = counted(before)
    if not after or not known:
        return known
    tree = KDTree(np.concatenate([patch.places for patch in after]))
    return tuple(p for p in known if tree.query(p.places)[0].min() > GONE_MM)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A tooth beside the crown at a load: what it carries and does to foil, the crown in.

    without: what it does with the crown left out.
    """

    tooth: int
    load_N: float
    gap_mm: float
    foil: Answer
    without: Answer


@dataclass(frozen=True, slots=True)
class CrownAtLoad:
    """A crown in the closure under a load: exact least gap, what it carries, what foil does."""

    load: Load
    gap_mm: float
    load_N: float
    foil: Answer
    neighbours: tuple[Neighbour, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """Whether the rule is met: True, False, None where it cannot be said; with all reasons.

    too_tight, too_loose: which way the crown would have to move for it, lower or higher.
    """

    met: bool | None
    reasons: tuple[str, ...]
    too_tight: bool = False
    too_loose: bool = False


@dataclass(frozen=True, slots=True)
class _Remark:
    """Something about the rule in words; kind: tight, loose (not met) or unknown."""

    kind: Literal["tight", "loose", "unknown"]
    words: str


def judge(support: str, light: CrownAtLoad, heavy: CrownAtLoad, foil: FoilRule) -> Kept:
    """Return whether a crown on a `tooth` or an `implant` meets its antagonist as it should."""
    thickness = f"{1000 * foil.thickness_mm:g} µm"
    if support == "implant":
        remarks = [*_implant_light(light, thickness), *_implant_heavy(heavy, thickness)]
    else:
        remarks = [r for at in (light, heavy) for r in _like_neighbours(at, thickness)]
    kinds = {remark.kind for remark in remarks}
    is_met = False if kinds & {"tight", "loose"} else None if kinds else True
    words = tuple(dict.fromkeys(remark.words for remark in remarks))
    return Kept(is_met, words, "tight" in kinds, "loose" in kinds)


def _implant_light(at: CrownAtLoad, thickness: str) -> list[_Remark]:
    if at.foil == "slips":
        return []
    if at.foil == "uncertain":
        return [_Remark("unknown", _doubt(at, thickness))]
    words = (
        f"at light load the crown holds foil of {thickness} and should let it slip: its least gap "
        f"is {1000 * at.gap_mm:.0f} µm, and it carries {at.load_N:.1f} N"
    )
    return [_Remark("tight", words)]


def _implant_heavy(at: CrownAtLoad, thickness: str) -> list[_Remark]:
    remarks = []
    if at.foil == "uncertain":
        remarks.append(_Remark("unknown", _doubt(at, thickness)))
    elif at.foil == "slips":
        words = (
            f"at heavy load the crown lets foil of {thickness} slip and should hold it{_gap(at)}"
        )
        remarks.append(_Remark("loose", words + _gap(at)))
    if not at.neighbours:
        words = "the crown has no neighbour tooth to compare its heavy load with"
        return [*remarks, _Remark("unknown", words)]
    most = max(at.neighbours, key=lambda n: n.load_N)
    if at.load_N > most.load_N:
        words = (
            f"at heavy load the crown carries {at.load_N:.1f} N, more than its neighbours "
            f"(tooth {most.tooth}: {most.load_N:.1f} N)"
        )
        remarks.append(_Remark("tight", words))
    return remarks


def _like_neighbours(at: CrownAtLoad, thickness: str) -> list[_Remark]:
    holding = [n for n in at.neighbours if n.without == "holds"]
    if not holding:
        words = (
            f"no neighbour tooth holds foil of {thickness} at {at.load} load with the crown left "
            "out: nothing says whether the crown should"
        )
        return [_Remark("unknown", words)]
    remarks = []
    names, hold = ("teeth ", "hold") if len(holding) > 1 else ("tooth ", "holds")
    names += " and ".join(str(n.tooth) for n in holding)
    if at.foil == "uncertain":
        remarks.append(_Remark("unknown", _doubt(at, thickness)))
    elif at.foil == "slips":
        words = (
            f"at {at.load} load the crown lets foil of {thickness} slip, and {names} beside it "
            f"{hold} it{_gap(at)}"
        )
        remarks.append(_Remark("loose", words))
    for n in holding:
        if n.foil == "slips":
            words = (
                f"at {at.load} load tooth {n.tooth} lets foil of {thickness} slip with the crown "
                "in, and holds it with the crown left out: the crown keeps it out of contact"
            )
            remarks.append(_Remark("tight", words))
        elif n.foil == "uncertain":
            words = f"whether tooth {n.tooth} still holds foil at {at.load} load is uncertain"
            remarks.append(_Remark("unknown", words))
    return remarks


def _gap(at: CrownAtLoad) -> str:
    return f": its least gap is {1000 * at.gap_mm:.0f} µm" if np.isfinite(at.gap_mm) else ""


def _doubt(at: CrownAtLoad, thickness: str) -> str:
    return (
        f"at {at.load} load the crown's least gap is {1000 * at.gap_mm:.1f} µm: whether it holds "
        f"foil of {thickness} is uncertain"
    )


@dataclass(frozen=True, slots=True)
class Height:
    """A uniform change of a crown's height, mm, that was looked at, and what the rule says."""

    raise_mm: float
    kept: Kept


def nearest_height(
    kept_at: Callable[[float], Kept],
    now: Kept,
    *,
    most_mm: float = 0.32,
    first_mm: float = 0.02,
    tolerance_mm: float = 0.0025,
) -> Height | None:
    """Return the least change of height at which the rule is met; None where there is none.

    Parameters
    ----------
    kept_at
        What the rule says of the crown raised by so many mm; below 0 it is lowered.
    now
        What it says of the crown as it is: not met.
    most_mm, first_mm, tolerance_mm
        How far is looked, from where in doubling steps, and how narrowly the end is bracketed.

    Notes
    -----
    Lower, a crown gets less tight at every load; so the heights at which it is not too tight lie
    below a bound and those at which it is not too loose above one. Too tight and too loose at once,
    it is met nowhere.
    """
    if now.too_tight == now.too_loose:
        return None
    sign = -1.0 if now.too_tight else 1.0

    def still(kept: Kept) -> bool:
        return kept.too_tight if now.too_tight else kept.too_loose

    bad_mm, good_mm, good = 0.0, first_mm, kept_at(sign * first_mm)
    while still(good):
        if good_mm >= most_mm:
            return None
        bad_mm, good_mm = good_mm, 2.0 * good_mm
        good = kept_at(sign * good_mm)
    while good_mm - bad_mm > tolerance_mm:
        middle = 0.5 * (bad_mm + good_mm)
        kept = kept_at(sign * middle)
        if still(kept):
            bad_mm = middle
        else:
            good_mm, good = middle, kept
    # Between holding and slipping foil is uncertain: beyond the first bound the rule may be met.
    beyond = good_mm
    while good.met is None and beyond < good_mm + first_mm and beyond < most_mm:
        beyond += tolerance_mm
        good = kept_at(sign * beyond)
    if not good.met:
        return None
    inside_mm = sign * (beyond + INSIDE_MM)
    inside = kept_at(inside_mm)
    return Height(inside_mm, inside) if inside.met else Height(sign * beyond, good)
