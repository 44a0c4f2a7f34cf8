"""The start: every bite scan found on both arches, whatever frames the files came in.

Each bite scan is looked for on the upper arch, then what that leaves unexplained on the lower one
(or the other way round, where the lower teeth show more). Every pair of finds says where the lower
arch stands; the one that explains most of all bite scans together is the start. Poses that were
given are improved and measured in the same way first, and a search is made only where they do not
explain the bite scans.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.features import describe
from occlusim.registration.matches import Poses
from occlusim.registration.search import (
    FoundPose,
    SearchSettings,
    agreement,
    box_corners,
    distinct,
    find_poses,
    improve,
)
from occlusim.registration.surfels import Surfels, grid_of, surfels_of


@dataclass(frozen=True, slots=True)
class StartSettings:
    """When given poses are taken, and how wide the search is.

    Attributes
    ----------
    taken_share : float
        Share of every bite scan that given poses must explain to be taken without a search. True
        poses explain nearly all that is not cheek or moved gingiva, wrong ones a sixth to a third
        (demo arches).
    clear_share : float
        Share of a bite scan that agrees with the upper arch at a pose that needs no comparison with
        the lower arch's. Wrong poses reach 0.31 (demo arches).
    n_kept, kept_share : int, float
        Finds of a bite scan on one arch that are combined with those on the other: so many, each
        with at least such a share of the best one's agreeing area.
    near_mm : float
        Poses of the lower arch that differ by less count as one.
    search : SearchSettings
    """

    taken_share: float = 0.6
    clear_share: float = 0.35
    n_kept: int = 3
    kept_share: float = 0.6
    near_mm: float = 2.0
    search: SearchSettings = field(default_factory=SearchSettings)


@dataclass(frozen=True, slots=True)
class Start:
    """Where the joint fit begins, and what speaks for it.

    Attributes
    ----------
    poses : Poses
    is_found : bool
        False where the given poses were taken.
    share : (K,)
        Share of each bite scan's surface that agrees with an arch, within a quarter of a
        millimetre.
    share_upper, share_lower : (K,)
        The same for either arch alone.
    rival : float
        The most area that a bite scan agrees with at a second place of an arch, as a share of the
        first; 0 without one, NaN where the given poses were taken and no second was looked for.
    """

    poses: Poses
    is_found: bool
    share: Float64Array
    share_upper: Float64Array
    share_lower: Float64Array
    rival: float


def find_start(
    upper: Surface,
    lower: Surface,
    bites: Sequence[Surface],
    given: Poses | None = None,
    settings: StartSettings | None = None,
) -> Start:
    """Return where the joint fit of two arches and their bite scans begins.

    Parameters
    ----------
    upper, lower : Surface
        The arches, each in its own frame.
    bites : sequence of Surface
        Scans of the teeth held together, each in its own frame.
    given : Poses, optional
        Poses that may be near: tried first.
    settings : StartSettings, optional
    """
    settings = settings or StartSettings()
    scene = _Scene(upper, lower, bites, settings)
    if given is not None:
        near = scene.combine(scene.near(given), is_found=False)
        if (near.share >= settings.taken_share).all():
            return near
    return scene.combine(scene.search(), is_found=True)


def most_mm2(found: list[FoundPose]) -> float:
    """Return the area that agrees at the best of some poses, mm2; 0 without one."""
    return found[0].area_mm2 if found else 0.0


Finds = tuple[list[FoundPose], list[FoundPose]]
"""Of one bite scan: its poses on the upper arch and on the lower."""


@dataclass(frozen=True, slots=True)
class _Placed:
    """A bite scan placed on both arches, and which of its surfels (n,) agree with either."""

    T_upper_bite: RigidTransform
    T_lower_bite: RigidTransform
    on_upper: BoolArray
    on_lower: BoolArray
    area_mm2: Float64Array

    @property
    def upper_mm2(self) -> float:
        return float(self.area_mm2[self.on_upper].sum())

    @property
    def lower_mm2(self) -> float:
        return float(self.area_mm2[self.on_lower].sum())

    @property
    def explained_mm2(self) -> float:
        return float(self.area_mm2[self.on_upper | self.on_lower].sum())


class _Scene:
    """The surfels of all scans, and what is asked of them."""

    def __init__(
        self, upper: Surface, lower: Surface, bites: Sequence[Surface], settings: StartSettings
    ) -> None:
        self.settings = settings
        self.upper, self.lower = (grid_of(surfels_of(arch)) for arch in (upper, lower))
        self.bites = [surfels_of(bite) for bite in bites]

    def near(self, given: Poses) -> list[Finds]:
        """Return the given poses, improved on either arch."""
        search, T_lower_upper = self.settings.search, given.T_upper_lower.inverse()
        return [
            (
                improve([T_upper_bite], bite, self.upper, search),
                improve([T_lower_upper @ T_upper_bite], bite, self.lower, search),
            )
            for bite, T_upper_bite in zip(self.bites, given.T_upper_bites, strict=True)
        ]

    def search(self) -> list[Finds]:
        """Return where the features find every bite scan on either arch."""
        arch_features = [describe(grid.surfels) for grid in (self.upper, self.lower)]
        return [self.find(bite, arch_features) for bite in self.bites]

    def find(self, bite: Surfels, arch_features: list[Float64Array]) -> Finds:
        """Return the poses of a bite scan on the upper arch and on the lower.

        The arch that shows more comes first. On the other one only what the first leaves
        unexplained is looked for, and counts: a few lower teeth beneath a deep bite would drown in
        the upper ones, whose surface fits somewhere on any arch.
        """
        search, grids = self.settings.search, (self.upper, self.lower)
        features = describe(bite)
        found = [find_poses(bite, features, self.upper, arch_features[0], search), []]
        first = 0
        if most_mm2(found[0]) < self.settings.clear_share * bite.total_mm2:
            found[1] = find_poses(bite, features, self.lower, arch_features[1], search)
            first = int(most_mm2(found[1]) > most_mm2(found[0]))
        if not found[first]:
            return found[0], found[1]
        other = 1 - first
        rest = bite.only(~agreement(found[first][0].T_arch_bite, bite, grids[first], search))
        more = find_poses(rest, describe(rest), grids[other], arch_features[other], search)
        poses = [pose.T_arch_bite for pose in (*found[other], *more)]
        found[other] = improve(poses, rest, grids[other], search)
        return found[0], found[1]

    def combine(self, found: list[Finds], *, is_found: bool) -> Start:
        """Return the start that explains most of all bite scans together."""
        corners = box_corners(self.lower.surfels.points)
        kept = [(self.likely(on_upper), self.likely(on_lower)) for on_upper, on_lower in found]
        pairs = [
            (a.area_mm2 + b.area_mm2, a.T_arch_bite @ b.T_arch_bite.inverse())
            for on_upper, on_lower in kept
            for a in on_upper
            for b in on_lower
        ]
        pairs.sort(key=lambda pair: -pair[0])
        lowers = [T_upper_lower for _, T_upper_lower in pairs] or [RigidTransform.identity()]
        lowers = [lowers[k] for k in distinct(lowers, corners, self.settings.near_mm)]
        tried = [
            [self.place(k, T_upper_lower, kept[k]) for k in range(len(self.bites))]
            for T_upper_lower in lowers
        ]
        explained = np.array([sum(one.explained_mm2 for one in placed) for placed in tried])
        rivals = [
            there[1].area_mm2 / there[0].area_mm2
            for there in (arch for finds in found for arch in finds)
            if len(there) > 1 and most_mm2(there) > 0
        ]
        rival = max(rivals, default=0.0) if is_found else float("nan")
        return self.start(tried[int(np.argmax(explained))], is_found=is_found, rival=rival)

    def likely(self, found: list[FoundPose]) -> list[FoundPose]:
        """Return the finds on one arch that may be right."""
        least = self.settings.kept_share * most_mm2(found)
        return [one for one in found[: self.settings.n_kept] if one.area_mm2 >= least]

    def place(self, k: int, T_upper_lower: RigidTransform, found: Finds) -> _Placed:
        """Return bite scan k where it explains most, with the lower arch at a pose."""
        T_lower_upper = T_upper_lower.inverse()
        starts = [
            *((a.T_arch_bite, T_lower_upper @ a.T_arch_bite) for a in found[0]),
            *((T_upper_lower @ b.T_arch_bite, b.T_arch_bite) for b in found[1]),
        ] or [(RigidTransform.identity(), T_lower_upper)]
        return max((self.settle(k, *start) for start in starts), key=lambda p: p.explained_mm2)

    def settle(self, k: int, T_upper_bite: RigidTransform, T_lower_bite: RigidTransform) -> _Placed:
        """Return bite scan k improved on both arches."""
        search, bite = self.settings.search, self.bites[k]
        (upper,), (lower,) = (
            improve([T], bite, grid, search)
            for T, grid in ((T_upper_bite, self.upper), (T_lower_bite, self.lower))
        )
        T_upper_bite, T_lower_bite = upper.T_arch_bite, lower.T_arch_bite
        return _Placed(
            T_upper_bite,
            T_lower_bite,
            agreement(T_upper_bite, bite, self.upper, search),
            agreement(T_lower_bite, bite, self.lower, search),
            bite.area_mm2,
        )

    def start(self, placed: list[_Placed], *, is_found: bool, rival: float) -> Start:
        """Return placed bite scans as a start: the surest of them says where the lower arch is."""
        surest = max(placed, key=lambda one: min(one.upper_mm2, one.lower_mm2))
        T_upper_lower = surest.T_upper_bite @ surest.T_lower_bite.inverse()
        T_upper_bites = tuple(
            one.T_upper_bite if one.upper_mm2 >= one.lower_mm2 else T_upper_lower @ one.T_lower_bite
            for one in placed
        )
        area = np.array([bite.total_mm2 for bite in self.bites])
        return Start(
            Poses(T_upper_lower, T_upper_bites),
            is_found,
            np.array([one.explained_mm2 for one in placed]) / area,
            np.array([one.upper_mm2 for one in placed]) / area,
            np.array([one.lower_mm2 for one in placed]) / area,
            rival,
        )
