"""The invented demo cases: where they lie, and whether results agree with what was built in."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from occlusim.errors import InputError


def demo_folder() -> Path:
    """Return the folder of the demo arches.

    Raises
    ------
    InputError
        If neither the package nor the checkout holds them.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "demo_arches", here.parent / "demo_arches"):
        if folder.is_dir():
            return folder
    raise InputError(f"demo: no folder demo_arches in {here} or beside it; install occlusim again")


def demo_case(name: str) -> Path:
    """Return the case file of a demo case.

    Raises
    ------
    InputError
        If there is no case of this name; the message lists those there are.
    """
    folder = demo_folder()
    path = folder / f"{name}.toml"
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in folder.glob("*.toml")))
        raise InputError(f"demo: no case {name!r}; there are {known}")
    return path


@dataclass(frozen=True, slots=True)
class TruthLimits:
    """How near the results must come to what was built in.

    A spot that was not built in and is no deeper than extra_um counts as an error of a depth.
    """

    depth_um: float
    place_mm: float
    gap_um: float
    extra_um: float = 0.0


def disagreements(
    results: Mapping[str, Any], truth: Mapping[str, Any], limits: TruthLimits
) -> list[str]:
    """Return in words where results differ from what was built into a demo case; empty if nowhere.

    Parameters
    ----------
    results
        The content of `results.json`.
    truth
        The content of the case's `truth.json`: built-in spots with movement, centroid_mm (upper
        scan's coordinates at the recorded bite) and depth_um; low_um of a low crown.
    limits
        What still counts as agreement.
    """
    found = [s for s in results["crown"]["spots"] if not s.get("minor")]
    said = []
    for built in truth["spots"]:
        place = built["centroid_mm"]
        near = [s for s in found if math.dist(s["centroid_mm"], place) <= limits.place_mm]
        if not near:
            away = min((math.dist(s["centroid_mm"], place) for s in found), default=math.inf)
            said.append(f"spot at {place}: none within {limits.place_mm} mm, nearest {away:.2f} mm")
            continue
        spot = min(near, key=lambda s: math.dist(s["centroid_mm"], place))
        found.remove(spot)
        off = spot["normal_depth_um"] - built["depth_um"]
        if abs(off) > limits.depth_um:
            said.append(f"spot at {place}: depth off by {off:+.1f} um from {built['depth_um']} um")
        if spot["movement"] != built["movement"]:
            said.append(f"spot at {place}: {spot['movement']} for {built['movement']}")
    said += [
        f"spot at {s['centroid_mm']}: {s['depth_um']:.1f} um, not built in"
        for s in found
        if s["normal_depth_um"] > limits.extra_um
    ]
    low = truth.get("low_um") or None
    missing = results["crown"].get("missing_contact_um")
    if (low is None) != (missing is None):
        said.append(f"missing contact: {missing} um found, {low} um built in")
    elif low is not None and missing is not None and abs(low - missing) > limits.gap_um:
        said.append(f"missing contact: {missing:.1f} um found, {low} um built in")
    return said
