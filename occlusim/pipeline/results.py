"""The results of a run in outside units: micrometres, millimetres, degrees, newtons."""

from __future__ import annotations

from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.contact.patches import PairContact, contacts_by_pair
from occlusim.crown.spots import Spot
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Closure, Opposition
from occlusim.motion.datum import Datum
from occlusim.pipeline.crown_run import MovementGaps
from occlusim.pipeline.units import UM, numbers


def closure_part(
    closure: Closure,
    oppositions: tuple[Opposition, ...],
    superior: Float64Array,
    crown_index: int | None,
) -> dict[str, Any]:
    """Return one closure: rotation, loads, contacts by pair, crown's share.

    `crown_index` names the opposition that is the crown, or None where it is left out.
    """
    contacts: list[dict[str, Any]] = []
    crown_load = 0.0
    for index, (opposition, print_, load) in enumerate(
        zip(oppositions, closure.prints, closure.loads, strict=True)
    ):
        pairs = pairs_of(closure, index, opposition, superior)
        T_upper_field = (
            RigidTransform.identity() if opposition.field_is_upper else closure.T_upper_lower
        )
        contacts += [contact_part(pair, opposition, T_upper_field) for pair in pairs]
        if index == crown_index:
            up = opposition.up(superior, closure.T_upper_lower)
            crown_load = float(load.force_N @ (print_.normal @ up))
    return {
        "rotation_deg": float(np.rad2deg(closure.opening_rad)),
        "total_load_N": closure.support_N,
        "crown_load_N": None if crown_index is None else crown_load,
        "crown_share": None if crown_index is None else crown_load / closure.support_N,
        "contacts": sorted(
            contacts, key=lambda c: (c["upper_tooth"] or "", c["lower_tooth"] or "")
        ),
    }


def pairs_of(
    closure: Closure, index: int, opposition: Opposition, superior: Float64Array
) -> tuple[PairContact, ...]:
    """Return the contacts by pair of one of a closure's oppositions."""
    return contacts_by_pair(
        closure.prints[index],
        closure.loads[index],
        opposition.body.tooth,
        opposition.field_tooth,
        opposition.up(superior, closure.T_upper_lower),
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
        "minor": spot.normal_depth_mm < least_mm,
    }
