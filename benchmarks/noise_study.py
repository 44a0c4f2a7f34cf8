"""Depth errors of the built-in spots over many seeds of scanner noise, and false alarms.

Usage: python benchmarks/noise_study.py --case molar-46 --seeds 50 [--first 0] [--processes 1]

Every seed writes the demo case with other noise of the same size, runs the whole check and compares
with the case's truth. Prints a line a seed, then: mean, spread and largest error of the depths, the
number of spots missed, and the share of seeds in which something was found that was not built in.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from demo_arches.noise import FOLDER, noisy_twin
from occlusim.pipeline import check_case

PLACE_MM = 0.5


def one_seed(name: str, seed: int) -> tuple[list[float], int, int]:
    """Return depth errors (um), spots missed and spots found that were not built in."""
    truth = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        case = noisy_twin(name, Path(folder) / "case", seed)
        results = check_case(case, Path(folder) / "out", pictures=False).results
    found = [s for s in results["crown"]["spots"] if not s["minor"]]
    errors, missed = [], 0
    for built in truth["spots"]:
        near = [s for s in found if math.dist(s["centroid_mm"], built["centroid_mm"]) <= PLACE_MM]
        if not near:
            missed += 1
            continue
        found.remove(near[0])
        errors.append(near[0]["normal_depth_um"] - built["depth_um"])
    return errors, missed, len(found)


def main() -> None:
    """Run the seeds and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--case", default="molar-46")
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    errors: list[float] = []
    missed, alarms, start = 0, 0, time.perf_counter()
    with ProcessPoolExecutor(given.processes, get_context("spawn")) as pool:
        for seed, found in zip(seeds, pool.map(partial(one_seed, given.case), seeds), strict=True):
            here, none, extra = found
            errors += here
            missed += none
            alarms += extra > 0
            said = [round(e, 1) for e in here]
            print(f"seed {seed}: errors {said} um, missed {none}, extra {extra}", flush=True)
    seconds = (time.perf_counter() - start) / given.seeds
    print(
        f"{given.case}: {given.seeds} seeds, {seconds:.1f} s a seed in "
        f"{given.processes} processes, {missed} spots missed"
    )
    print(f"seeds with something not built in: {alarms} ({100 * alarms / given.seeds:.0f} %)")
    if errors:
        e = np.array(errors)
        print(
            f"depth error: mean {e.mean():+.2f} um (standard error {e.std() / len(e) ** 0.5:.2f}), "
            f"spread {e.std():.2f}, largest {np.abs(e).max():.1f} um over {len(e)} spots"
        )


if __name__ == "__main__":
    main()
