"""The results of a run in outside units: micrometres, millimetres, degrees, newtons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.patches import PairContact, contacts_by_pair
from occlusim.crown.spots import Spot, work_order
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Opposition
from occlusim.motion.datum import Datum
from occlusim.motion.equilibrium import Equilibrium
from occlusim.pipeline.crown_run import MovementGaps
from occlusim.pipeline.units import UM, numbers


def closure_part(
    closure: Equilibrium,
    oppositions: tuple[Opposition, ...],
    crown_index: int | None = None,
    platforms: Mapping[str, Float64Array] | None = None,
) -> dict[str, Any]:
    """Return one closure: rotation, loads, joints, contacts by pair, crown's share.

    `crown_index` names the opposition that is the crown, or None where it is left out; `platforms`
    are the points (3,) mm, upper scan's coordinates at this pose, that its moment is taken about,
    by tooth.
    """
    contacts: list[dict[str, Any]] = []
    for index, opposition in enumerate(oppositions):
        T_upper_field = (
            RigidTransform.identity() if opposition.field_is_upper else closure.T_upper_lower
        )
        for pair in pairs_of(closure, index, opposition):
            part = contact_part(pair, opposition, T_upper_field)
            part["patches"] = patch_parts(pair, closure, index, T_upper_field)
            contacts.append(part)
    right, left = closure.joint_N
    vertical, about_axis, about_forward = closure.residual
    found = {
        "load_N": closure.load_N,
        "rotation_deg": float(np.rad2deg(closure.opening_rad)),
        "condyle_rise_um": {
            "right": float(closure.freedom[1]) * UM,
            "left": float(closure.freedom[2]) * UM,
        },
        "total_load_N": closure.support_N,
        "muscle_N": closure.muscle_N,
        "joint_N": {"right": float(right), "left": float(left)},
        "residual": {
            "vertical_N": float(vertical),
            "about_axis_Nmm": float(about_axis),
            "about_forward_Nmm": float(about_forward),
        },
        "crown_load_N": None,
        "crown_share": None,
        "contacts": sorted(
            contacts, key=lambda c: (c["upper_tooth"] or "", c["lower_tooth"] or "")
        ),
        "yielded": [
            {"tooth": str(tooth), "um": numbers(way * UM, 3)}
            for tooth, way in sorted(closure.yielded.items())
        ],
    }
    if crown_index is not None:
        load = float(closure.loads[crown_index].vertical_N.sum())
        found["crown_load_N"], found["crown_share"] = load, load / closure.support_N
        own = oppositions[crown_index]
        found |= resultant_part(closure, crown_index, own, platforms or {})
    return found


def patch_parts(
    pair: PairContact, closure: Equilibrium, index: int, T_upper_field: RigidTransform
) -> list[dict[str, Any]]:
    """Return the connected patches of a pair's contact, the most loaded first."""
    print_, load = closure.prints[index], closure.loads[index]
    row = np.searchsorted(print_.face, pair.faces)
    found = []
    for patch in np.unique(pair.patch):
        own = row[pair.patch == patch]
        area = float(load.area_mm2[own].sum())
        middle = load.area_mm2[own] @ load.centroid[own] / area
        found.append(
            {
                "area_mm2": area,
                "load_N": float(load.vertical_N[own].sum()),
                "centroid_mm": numbers(T_upper_field.apply(middle)),
            }
        )
    return sorted(found, key=lambda part: -part["load_N"])


def resultant_part(
    closure: Equilibrium, index: int, opposition: Opposition, platforms: Mapping[str, Float64Array]
) -> dict[str, Any]:
    """Return the force on the crown (upper scan's axes) and its moment about each platform.

    `crown_moment_Nmm` is that about the only platform; of several, each has its own.
    """
    load = closure.loads[index]
    pressed = load.area_mm2 > 0
    force = load.vector_N[pressed]
    centre = load.pressure_centre[pressed]
    if not opposition.field_is_upper:
        force, centre = -force, closure.T_upper_lower.apply(centre)
    moments = {
        tooth: numbers(np.cross(centre - platform, force).sum(axis=0), 6)
        for tooth, platform in platforms.items()
    }
    found: dict[str, Any] = {
        "crown_force_N": numbers(force.sum(axis=0), 6),
        "crown_moment_Nmm": next(iter(moments.values())) if len(moments) == 1 else None,
    }
    if len(moments) > 1:
        found["crown_moments"] = [
            {"tooth": tooth, "moment_Nmm": moment} for tooth, moment in moments.items()
        ]
    return found


def order_part(closures: tuple[Equilibrium, ...], opposition: Opposition) -> list[dict[str, Any]]:
    """Return in which order pairs begin to carry while the jaw closes, by rising load."""
    seen: dict[tuple[int, int], tuple[float, float | None]] = {}
    below_N = None
    for closure in closures:
        for pair in pairs_of(closure, 0, opposition):
            if pair.load_N > 0:
                seen.setdefault((pair.field_tooth, pair.body_tooth), (closure.load_N, below_N))
        below_N = closure.load_N
    return [
        {
            "upper_tooth": str(upper) if upper else None,
            "lower_tooth": str(lower) if lower else None,
            "by_load_N": load_N,
            "not_at_load_N": below_N,
        }
        for (upper, lower), (load_N, below_N) in sorted(
            seen.items(), key=lambda item: (item[1][0], item[0])
        )
    ]


def pairs_of(closure: Equilibrium, index: int, opposition: Opposition) -> tuple[PairContact, ...]:
    """Return the contacts by pair of one of a closure's oppositions."""
    return contacts_by_pair(
        closure.prints[index],
        closure.loads[index],
        opposition.body.tooth,
        opposition.field_tooth,
    )


def contact_part(
    pair: PairContact, opposition: Opposition, T_upper_field: RigidTransform
) -> dict[str, Any]:
    """Return one pair's contact; tooth 0 is written as null."""
    upper, lower = pair.field_tooth, pair.body_tooth
    if not opposition.field_is_upper:
        upper, lower = lower, upper
    return {
        "upper_tooth": str(upper) if upper else None,
        "lower_tooth": str(lower) if lower else None,
        "area_mm2": pair.area_mm2,
        "load_N": pair.load_N,
        "least_gap_um": pair.least_gap_mm * UM,
        "centroid_mm": numbers(T_upper_field.apply(pair.centroid)),
    }


def datum_part(datum: Datum, opposition: Opposition) -> dict[str, Any]:
    """Return the datum and the pairs that it rests on."""
    pairs = []
    for pair in datum.pairs:
        upper, lower = pair.field_tooth, pair.body_tooth
        if not opposition.field_is_upper:
            upper, lower = lower, upper
        pairs.append(
            {
                "upper_tooth": str(upper) if upper else None,
                "lower_tooth": str(lower) if lower else None,
                "least_gap_um": pair.least_gap_mm * UM,
                "mean_gap_um": pair.mean_gap_mm * UM,
                "load_N": pair.load_N,
            }
        )
    return {
        "source": "recorded bite" if datum.is_recorded else "natural contacts",
        "g_nat_um": datum.g_nat_mm * UM,
        "pairs": pairs,
        "reasons": list(datum.reasons),
    }


def movement_part(movement: MovementGaps) -> dict[str, Any]:
    """Return the crown's gap along one movement."""
    return {
        "name": movement.name,
        "n_poses": len(movement.parameter_mm),
        "parameter_mm": numbers(movement.parameter_mm),
        "gap_um": numbers(movement.gap_mm * UM, 3),
        "wanted_gap_um": numbers(movement.wanted_mm * UM, 3),
        "least_gap_um": movement.least_mm * UM,
        "at_parameter_mm": movement.at_mm,
        "supported_gap_um": movement.supported_mm * UM,
    }


def spot_parts(
    spots: Sequence[Spot], T_upper_crown: RigidTransform, least_mm: float
) -> list[dict[str, Any]]:
    """Return high spots, centroids in the upper scan's coordinates, with their order of work."""
    steps = work_order(spots)
    return [
        spot_part(spot, T_upper_crown, least_mm)
        | {
            "order": steps[spot.id].order,
            "left_high_um": steps[spot.id].left_high_mm * UM,
        }
        for spot in spots
    ]


def spot_part(spot: Spot, T_upper_crown: RigidTransform, least_mm: float) -> dict[str, Any]:
    """Return one high spot, its centroid in the upper scan's coordinates; minor below least_mm."""
    return {
        "id": spot.id,
        "movement": spot.movement,
        "depth_um": spot.depth_mm * UM,
        "normal_depth_um": spot.normal_depth_mm * UM,
        "area_mm2": spot.area_mm2,
        "volume_mm3": spot.volume_mm3,
        "centroid_mm": numbers(T_upper_crown.apply(spot.centroid)),
        "location": spot.location,
        "thickness_left_mm": spot.thickness_left_mm,
        "feasible": spot.feasible,
        "shortfall_um": spot.shortfall_mm * UM,
        "reasons": list(spot.reasons),
        "tool_excess_um": spot.tool_excess_mm * UM,
        "minor": spot.normal_depth_mm < least_mm,
    }
