"""What a reduction promises, on invented crowns by the seed, measured by another library.

Usage: python benchmarks/reduction_study.py --seeds 200 [--first 0] [--processes 1] [--quick]

A crown, an antagonist and two to four movements are made up from each seed (`random_crowns.py`),
the reduction is planned, and its promises are measured by libigl and trimesh along the forward
paths (`crown_proof.py`): (a) the gap, on the crown's surface and at the antagonist's vertices, at
poses four times finer than the run's; (b) the wall; (d) that nothing else moved; (e) closed, no
crossing faces, no new slivers. Prints a line a seed; the exit code is 1 if any promise is broken.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.crown_proof import Proof, prove
from benchmarks.random_crowns import RandomCase, random_case
from occlusim.crown.reduction import ReductionPlan, ReductionSettings, plan_reduction
from occlusim.crown.thickness import CrownWalls
from occlusim.geometry.surface import Surface

HEAD = (
    "seed  antagonist and crown      spots short   deepest     (a) um: crown  antagonist  (b) um   "
    "beyond need um   s"
)


@dataclass(frozen=True, slots=True)
class Row:
    """One seed: its proof and a line of the table."""

    seed: int
    n_spots: int
    proof: Proof
    line: str


def plan_of(case: RandomCase) -> tuple[ReductionPlan, ReductionSettings]:
    """Return the reduction of a case, with its walls where it has any."""
    surface = Surface.build(case.crown)
    settings = ReductionSettings(min_thickness_mm=case.min_thickness_mm)
    walls = CrownWalls.build(surface, case.occlusal) if case.is_inner.any() else None
    opposing = Surface.build(case.antagonist)
    plan = plan_reduction(case.crown, opposing, case.paths, settings, walls=walls, surface=surface)
    return plan, settings


def one_seed(seed: int) -> Row:
    """Return what a seed comes to."""
    started = time.perf_counter()
    case = random_case(seed)
    plan, settings = plan_of(case)
    proof = prove(case, plan, settings)
    short = sum(not spot.feasible for spot in plan.spots)
    deepest_um = 1000 * max((spot.depth_mm for spot in plan.spots), default=0.0)

    def um(value: float) -> str:
        return f"{1000 * value:9.2f}" if np.isfinite(value) else "        -"

    line = (
        f"{seed:4}  {case.label}  {len(plan.spots):4} {short:5} {deepest_um:8.1f} um"
        f"       {um(proof.surface_mm)}   {um(proof.antagonist_mm)} {um(proof.wall_mm)}"
        f"    {um(proof.excess_mm)}   {time.perf_counter() - started:5.1f}"
    )
    return Row(seed, len(plan.spots), proof, "\n      ".join([line, *proof.breaches()]))


def main() -> int:
    """Run the seeds, print the table, and return 1 if a promise is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="six seeds")
    given = parser.parse_args()
    seeds = range(given.first, given.first + (6 if given.quick else given.seeds))
    print(HEAD)
    rows = []
    if given.processes == 1:
        for row in map(one_seed, seeds):
            print(row.line, flush=True)
            rows.append(row)
    else:
        context = get_context("spawn")
        with ProcessPoolExecutor(given.processes, mp_context=context) as pool:
            for row in pool.map(one_seed, seeds):
                print(row.line, flush=True)
                rows.append(row)
    broken = [row.seed for row in rows if row.proof.breaches()]
    clean = sum(row.n_spots == 0 for row in rows)
    least_um = 1000 * min(min(row.proof.surface_mm, row.proof.antagonist_mm) for row in rows)
    print(
        f"{len(rows)} crowns, {clean} without a spot; least of gap minus wanted {least_um:.2f} um"
    )
    print(f"promises broken: {len(broken)}" + (f", seeds {broken}" if broken else ""))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
