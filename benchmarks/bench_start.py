"""How surely a bite record is found from any frames, and how surely a bad one is refused.

Usage: python benchmarks/bench_start.py [--starts 200] [--bad 20] [--first 0] [--processes 1]
                                        [--arches UPPER LOWER]

Starts: every scan of the demo record is turned at random and shifted by up to 100 mm, registered
from scratch, and judged. Right is a pose whose farthest point of the lower arch is within 0.1 mm of
the truth; wrong and not refused is what must not happen. Bad records (`records.bad_records`, eight
kinds) are built for every seed, scattered in the same way, and counted by what was said of them.
With --arches, the records are cut from two meshes (mm) that stand in one frame, with new noise for
every seed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.measure import header
from benchmarks.records import Record, bad_records, cut_record, demo_record, scattered
from occlusim.files.mesh_files import read_mesh
from occlusim.registration.bite import register_bite
from occlusim.registration.quality import judge_bite

RIGHT_UM = 100.0


@dataclass(frozen=True)
class Outcome:
    """What was said of a record: seconds, error of the pose, the verdict, the uniqueness."""

    name: str
    seconds: float
    error_um: float
    state: str
    rival: float


def outcome_of(name: str, record: Record) -> Outcome:
    """Return what registration says of a record."""
    surfaces = record.surfaces()
    start = time.perf_counter()
    found = register_bite(*surfaces)
    verdict = judge_bite(found, record.upper.vertices[:: len(record.upper.vertices) // 20])
    seconds = time.perf_counter() - start
    rival = found.start.rival if found.start else float("nan")
    return Outcome(name, seconds, record.error_um(found.T_upper_lower), verdict.state, rival)


Arches = tuple[Path, Path] | None


def record_of(arches: Arches, seed: int, rng: np.random.Generator) -> Record:
    """Return a good record: of the demo's pairs by turns, or cut from given arches."""
    if arches is None:
        return demo_record("ab"[seed % 2])
    return cut_record(*(read_mesh(path, units="mm", role="scan").mesh for path in arches), rng)


def one_start(arches: Arches, seed: int) -> Outcome:
    """Return the outcome of a random start."""
    rng = np.random.default_rng(seed)
    return outcome_of("start", scattered(record_of(arches, seed, rng), rng))


def bad_ones(arches: Arches, seed: int) -> list[Outcome]:
    """Return the outcomes of a seed's bad records."""
    rng = np.random.default_rng(10_000 + seed)
    records = bad_records(record_of(arches, seed, rng), rng)
    return [outcome_of(name, scattered(record, rng)) for name, record in records.items()]


def main() -> None:
    """Run the starts and the bad records, and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=200)
    parser.add_argument("--bad", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--arches", type=Path, nargs=2, metavar=("UPPER", "LOWER"))
    parser.add_argument("--quick", action="store_true", help="two starts, no bad records")
    given = parser.parse_args()
    n_starts, n_bad = (2, 0) if given.quick else (given.starts, given.bad)
    header("bite records from any frames")
    first, arches = given.first, given.arches and tuple(given.arches)
    with ProcessPoolExecutor(given.processes, get_context("spawn")) as pool:
        starts = list(pool.map(partial(one_start, arches), range(first, first + n_starts)))
        bad_seeds = range(first, first + n_bad)
        bad = [one for many in pool.map(partial(bad_ones, arches), bad_seeds) for one in many]
    right = [one for one in starts if one.error_um <= RIGHT_UM]
    wrong = [one for one in starts if one.error_um > RIGHT_UM and one.state != "refused"]
    seconds = [one.seconds for one in starts]
    print(f"starts: {len(starts)}, right {len(right)}, wrong and not refused {len(wrong)}")
    print(
        f"  error of the right ones: largest {max((o.error_um for o in right), default=0):.2f} um; "
        f"rival at most {max((o.rival for o in right), default=0):.2f}; "
        f"{np.median(seconds):.2f} s each (median, {given.processes} processes)"
    )
    for name in dict.fromkeys(one.name for one in bad):
        states = Counter(one.state for one in bad if one.name == name)
        print(f"  {name:34s} " + ", ".join(f"{state} {n}" for state, n in states.items()))
    accepted = sum(one.state == "accepted" for one in bad)
    print(f"bad records: {len(bad)}, accepted {accepted}")


if __name__ == "__main__":
    main()
