"""How surely a bite record is found from any frames, and how surely a bad one is refused.

Usage: python benchmarks/bench_start.py [--starts 200] [--bad 20] [--first 0] [--processes 1]

Starts: every scan of the demo record is turned at random and shifted by up to 100 mm, registered
from scratch, and judged. Right is a pose whose farthest point of the lower arch is within 0.1 mm of
the truth; wrong and not refused is what must not happen. Bad records (`records.bad_records`, eight
kinds) are built for every seed, scattered in the same way, and counted by what was said of them.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.measure import header
from benchmarks.records import Record, bad_records, demo_record, scattered
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


def one_start(seed: int) -> Outcome:
    """Return the outcome of a random start: pairs of arches by turns."""
    rng = np.random.default_rng(seed)
    return outcome_of("start", scattered(demo_record("ab"[seed % 2]), rng))


def bad_ones(seed: int) -> list[Outcome]:
    """Return the outcomes of a seed's bad records."""
    rng = np.random.default_rng(10_000 + seed)
    records = bad_records(demo_record("ab"[seed % 2]), rng)
    return [outcome_of(name, scattered(record, rng)) for name, record in records.items()]


def main() -> None:
    """Run the starts and the bad records, and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=200)
    parser.add_argument("--bad", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="two starts, no bad records")
    given = parser.parse_args()
    n_starts, n_bad = (2, 0) if given.quick else (given.starts, given.bad)
    header("bite records from any frames")
    first = given.first
    with ProcessPoolExecutor(given.processes, get_context("spawn")) as pool:
        starts = list(pool.map(one_start, range(first, first + n_starts)))
        bad = [one for many in pool.map(bad_ones, range(first, first + n_bad)) for one in many]
    right = [one for one in starts if one.error_um <= RIGHT_UM]
    wrong = [one for one in starts if one.error_um > RIGHT_UM and one.state != "refused"]
    seconds = [one.seconds for one in starts]
    print(f"starts: {len(starts)}, right {len(right)}, wrong and not refused {len(wrong)}")
    print(
        f"  error of the right ones: largest {max(one.error_um for one in right):.2f} um; "
        f"rival at most {max(one.rival for one in right):.2f}; "
        f"{np.median(seconds):.2f} s each (median, {given.processes} processes)"
    )
    for name in dict.fromkeys(one.name for one in bad):
        states = Counter(one.state for one in bad if one.name == name)
        print(f"  {name:34s} " + ", ".join(f"{state} {n}" for state, n in states.items()))
    accepted = sum(one.state == "accepted" for one in bad)
    print(f"bad records: {len(bad)}, accepted {accepted}")


if __name__ == "__main__":
    main()
