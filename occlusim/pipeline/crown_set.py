"""All crowns of a case, each checked with the others standing in their places.

Plans are made in the order of the case file. A crown is planned against the earlier ones as they
were adjusted and the later ones as they are designed, so that what two crowns overlap is taken off
the one that is named first, once. What it could not give, because its wall is thin, is left for the
later one. The proof runs with all of them adjusted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from occlusim.geometry.mesh import TriangleMesh
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_plan import PlannedCrown, plan_crown, prove_crown
from occlusim.pipeline.crown_stage import CrownStage
from occlusim.pipeline.in_place import Opposed, beside_crown, opposed, other_oppositions
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.jaw_stage import Fields, JawStage, NaturalJaw
from occlusim.pipeline.record import Placed


@dataclass(frozen=True, slots=True)
class SeatedCrown:
    """One crown of a case: inputs and places with the others of its arch in."""

    inputs: Inputs
    placed: Placed


def seated_crowns(inputs: Inputs, placed: Placed) -> tuple[SeatedCrown, ...]:
    """Return every crown of a case in its place beside the others."""
    return tuple(
        SeatedCrown(*beside_crown(inputs, placed, index)) for index in range(len(inputs.crowns))
    )


@dataclass(frozen=True, slots=True)
class ProvedCrown:
    """A crown with its plan and proof; jaw is the one that its plan was made against."""

    inputs: Inputs
    placed: Placed
    jaw: JawStage
    stage: CrownStage


def run_crowns(
    placed: Placed,
    seated: Sequence[SeatedCrown],
    natural: NaturalJaw,
    fields: Fields,
    beside: Sequence[Callable[[], Any]],
    clock: Clock,
    folder: Path,
) -> tuple[tuple[ProvedCrown, ...], list[Any]]:
    """Return every crown's gaps, plan and proof; adjusted crowns are written to the folder.

    Parameters
    ----------
    placed
        The case as scanned.
    seated
        Its crowns beside each other.
    natural, fields
        The jaw that natural teeth guide, and the fields of arches and crowns.
    beside
        Work that is done meanwhile; its answers are returned too.
    """
    inputs = placed.inputs
    meshes: list[TriangleMesh] = [crown.surface.mesh for crown in inputs.crowns]
    with clock.stage("datum", "datum: the natural contacts beside the crown"):
        jaws = [natural.beside(s.inputs, placed, fields.opposing(s.inputs)) for s in seated]
    stands = _stands(inputs, placed, jaws, meshes, [None] * len(jaws))
    planned: list[PlannedCrown] = []
    answers: list[Any] = []
    for k, seat in enumerate(seated):
        one, found = plan_crown(
            seat.inputs,
            seat.placed,
            stands[k].jaw,
            fields.crowns[k],
            other_oppositions(inputs, meshes, stands, k),
            beside if k == 0 else (),
            clock,
            folder,
        )
        planned.append(one)
        answers += found
        if one.plan.adjusted is not meshes[k]:
            meshes[k] = one.written
            stands = _stands(inputs, placed, jaws, meshes, stands)
    proved = [
        ProvedCrown(
            one.inputs,
            one.placed,
            one.jaw,
            prove_crown(one, stands[k].jaw, other_oppositions(inputs, meshes, stands, k), clock),
        )
        for k, one in enumerate(planned)
    ]
    return tuple(proved), answers


def _stands(
    inputs: Inputs,
    placed: Placed,
    jaws: Sequence[JawStage],
    meshes: Sequence[TriangleMesh],
    before: Sequence[Opposed | None],
) -> list[Opposed]:
    """Return what every crown stands against, now that the crowns are these meshes."""
    return [opposed(inputs, placed, jaw, meshes, k, before[k]) for k, jaw in enumerate(jaws)]
