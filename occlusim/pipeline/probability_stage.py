"""How likely each place of a case's crown is high, by how well the bite record is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.contact.foundation import box_corners
from occlusim.crown.probability import DrawnPlaces, HighChance, high_chance
from occlusim.crown.spots import Spot
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.excursion import GuidedPath
from occlusim.motion.reclosing import Reclosed, carried, close_anew, gap_ways
from occlusim.pipeline.crown_run import wanted_gap
from occlusim.pipeline.crown_stage import CLEARANCE_LIMIT_MM, CrownStage
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_run import resting
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.record import Placed
from occlusim.pipeline.side_by_side import side_by_side
from occlusim.pipeline.units import UM
from occlusim.registration.uncertainty import spread

FIELD = "probability_high"
SEED = 20261127
"""The records of a case are drawn alike in every run."""
N_DRAWS = 400
"""Half of them the mirror images of the others: a probability of 0.5 is known to 0.025."""
START_MM = 0.1
"""Up to here a movement's jaws are closed as where it begins, beyond it as at the median place."""


@dataclass(frozen=True, slots=True)
class ProbabilityStage:
    """How likely a crown is high; chance is None where the record's covariance is not known.

    The first of it are the vertices, then come the worst places of all spots, which may lie between
    vertices; by_spot has those by number. unfollowed: at most so likely is a place high that had
    more room than is followed.
    """

    chance: HighChance | None
    n_vertices: int
    by_spot: dict[int, float]
    least_spot_mm: float
    unfollowed: float = 0.0

    def shown(self, crown: CrownStage) -> CrownStage:
        """Return the stage with each vertex's probability, where it is known."""
        if self.chance is None:
            return crown
        return crown.with_field(FIELD, self.chance.probability[: self.n_vertices])

    def part(self) -> dict[str, Any] | None:
        """Return the crown's probability of being high, or None where it is not known."""
        if self.chance is None:
            return None
        return {
            "source": "bite record",
            "n_draws": self.chance.n,
            "seed": SEED,
            "resolution": 1.0 / self.chance.n,
            "high_from_um": self.least_spot_mm * UM,
            "anywhere": self.chance.anywhere,
            "highest": float(self.chance.probability[: self.n_vertices].max(initial=0.0)),
            "unfollowed_at_most": self.unfollowed,
        }


def run_probability(
    inputs: Inputs, placed: Placed, jaw: JawStage, crown: CrownStage
) -> ProbabilityStage:
    """Return how likely the crown, as designed, is high at each vertex.

    The record's place is drawn from its covariance; in every draw the natural teeth close the jaw
    anew and the datum follows. Nothing else is drawn: not the axis, not the angles, not scans.
    """
    least_spot_mm = inputs.case.targets.least_spot_um / UM
    registration = placed.record.registration
    if registration is None or not np.isfinite(registration.covariance).all():
        return ProbabilityStage(None, 0, {}, least_spot_mm)
    drawn = draws(registration.covariance, N_DRAWS, np.random.default_rng(SEED))
    asked = _asked(jaw, crown)
    poses = {one.key: one for one in asked}
    found = side_by_side([partial(one.closed, placed, jaw, drawn) for one in poses.values()])
    closed: dict[bytes, Reclosed] = dict(zip(poses, found, strict=True))
    places = [one.places(closed[one.key], crown, inputs) for one in asked]
    spots = crown.reduction.plan.spots
    vertices = inputs.crown.mesh.vertices
    places += [_worst_place(k, spot, asked, places, vertices) for k, spot in enumerate(spots)]
    chance = high_chance(len(vertices) + len(spots), places, -least_spot_mm)
    unfollowed = _unfollowed(inputs, jaw, closed.values(), least_spot_mm)
    of_spots = chance.probability[len(vertices) :]
    by_spot = {spot.id: float(p) for spot, p in zip(spots, of_spots, strict=True)}
    return ProbabilityStage(chance, len(vertices), by_spot, least_spot_mm, unfollowed)


def draws(covariance: Float64Array, n: int, rng: np.random.Generator) -> Float64Array:
    """Return n twists (n, 6) of a covariance (6, 6), n even: half are the others' mirror images."""
    root = spread(covariance)
    half = rng.standard_normal((n // 2, root.shape[1])) @ root.T
    return np.concatenate([half, -half])


@dataclass(frozen=True, slots=True)
class _Asked:
    """Vertices (k,) whose least clearance in a movement lies near one place of it, at s_mm (k,).

    knot_mm: that place; closes: whether the teeth close the jaw there, as they do but where the
    recorded bite itself is the datum.
    """

    path: GuidedPath
    movement: int
    knot_mm: float
    vertex: Int64Array
    s_mm: Float64Array
    closes: bool

    @property
    def key(self) -> bytes:
        """What jaws closed anew may be shared by."""
        return self.pose.matrix.tobytes() + bytes([self.closes])

    @property
    def pose(self) -> RigidTransform:
        """T_upper_lower at the knot."""
        return self.path.poses(np.array([self.knot_mm]))[0]

    def closed(self, placed: Placed, jaw: JawStage, drawn: Float64Array) -> Reclosed:
        """Return the drawn jaws, closed anew at the knot."""
        here = carried(drawn, self.pose @ placed.T_upper_lower.inverse())
        if not self.closes:
            return Reclosed(here, np.zeros(len(here)))
        datum = jaw.moving_datum
        pairs = [] if datum.is_recorded else [(p.field_tooth, p.body_tooth) for p in datum.pairs]
        return close_anew(
            jaw.natural,
            self.path.suspension_at(self.knot_mm),
            self.path.freedom_at(np.array([self.knot_mm]))[0],
            here,
            jaw.model.light_N,
            jaw.model.moving.foundation,
            pairs,
        )

    def places(self, closed: Reclosed, crown: CrownStage, inputs: Inputs) -> DrawnPlaces:
        """Return the vertices with their clearance, and how each changes with the jaw."""
        swept, table = crown.plan.swept, crown.plan.table
        point = inputs.crown.mesh.vertices[self.vertex]
        way = swept.gradient[self.vertex, self.movement]
        if inputs.crown_spec.is_upper:
            # The crown stays, and the jaw comes towards it.
            away = -way
        else:
            rotation, translation = table.poses_at(swept.row[self.vertex, self.movement])
            point = np.einsum("kij,kj->ki", rotation, point) + translation
            away = np.einsum("kij,kj->ki", rotation, way)
        targets = inputs.case.targets
        is_flat = self.path.name == "centric" or inputs.crown_spec.guidance == "shared"
        return DrawnPlaces(
            self.vertex,
            swept.value_mm[self.vertex, self.movement],
            gap_ways(point, away),
            closed.twist,
            closed.tightness_mm,
            wanted_gap(self.s_mm, 1.0, 0.0, targets.ramp_mm, is_flat),
        )


def _asked(jaw: JawStage, crown: CrownStage) -> list[_Asked]:
    """Return every movement's followed vertices, by the place of it that is nearest to theirs."""
    swept, table = crown.plan.swept, crown.plan.table
    paths = {path.name: path for path in jaw.run.paths}
    found = []
    for k, name in enumerate(table.names):
        path, closes = paths[name], True
        if name == "centric" and jaw.datum.is_recorded:
            closes = False
        elif name == "centric":
            # How far drawn jaws close is asked of rigid teeth, as in a movement.
            path = resting("centric", jaw.model, jaw.run.moving)
        vertex = np.flatnonzero(np.isfinite(swept.row[:, k]))
        s_mm = table.parameter_at(swept.row[vertex, k])
        begins = np.abs(s_mm) <= START_MM
        for own in (begins, ~begins):
            # The closure is always looked at: its jaws tell how far all of them swing.
            if own.any() or (name == "centric" and own is begins):
                knot_mm = 0.0 if own is begins else float(np.median(s_mm[own]))
                found.append(_Asked(path, k, knot_mm, vertex[own], s_mm[own], closes))
    return found


def _worst_place(
    k: int,
    spot: Spot,
    asked: Sequence[_Asked],
    places: Sequence[DrawnPlaces],
    vertices: Float64Array,
) -> DrawnPlaces:
    """Return the worst place of a spot, which may lie between vertices, as one more vertex.

    Its gap changes like that of the nearest vertex that is followed in the spot's movement.
    """
    near: list[tuple[bool, float, int, DrawnPlaces]] = []
    for one, own in zip(asked, places, strict=False):
        if len(own.vertex):
            away = np.linalg.norm(vertices[own.vertex] - spot.worst_point, axis=1)
            is_other = one.path.name != spot.movement
            near.append((is_other, float(away.min()), int(away.argmin()), own))
    _, _, nearest, own = min(near, key=lambda found: found[:2])
    row = [nearest]
    return DrawnPlaces(
        np.array([len(vertices) + k]),
        np.array([-spot.normal_depth_mm]),
        own.way[row],
        own.twist,
        own.wanted_mm,
        own.datum_share[row],
    )


def _unfollowed(
    inputs: Inputs, jaw: JawStage, closed: Iterable[Reclosed], least_spot_mm: float
) -> float:
    """Return how likely, at most, a place with more room than is followed is high."""
    corners = box_corners(inputs.crown.mesh.vertices)
    if not inputs.crown_spec.is_upper:
        corners = jaw.run.moving.T_upper_lower.apply(corners)
    most = 0.0
    for one in closed:
        moved = np.cross(one.twist[:, None, :3], corners) + one.twist[:, None, 3:]
        far_mm = np.linalg.norm(moved, axis=2).max(axis=1) + np.abs(one.tightness_mm)
        most = max(most, float((far_mm > CLEARANCE_LIMIT_MM + least_spot_mm).mean()))
    return most
