"""The whole check of each demo case, warm: seconds by stage beside the errors against its truth.

Usage: python benchmarks/bench_case.py [CASE ...]

The first run of a process loads and, on a new machine, compiles the kernels: it is printed apart.
"""

from __future__ import annotations

import json
import math
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from demo_arches.noise import CASES, FOLDER, clean_twin
from occlusim.kernels.jit import compile_seconds, thread_count
from occlusim.pipeline import check_case


def run(case: Path) -> tuple[float, dict]:
    """Return seconds and results of one check without pictures."""
    with tempfile.TemporaryDirectory() as out:
        start = time.perf_counter()
        results = check_case(case, Path(out) / "out", pictures=False).results
        return time.perf_counter() - start, results


def errors(results: dict, truth: dict) -> list[float]:
    """Return found minus built depth (um) of every built-in spot; NaN where none was found."""
    said = []
    for built in truth["spots"]:
        near = [
            s["normal_depth_um"]
            for s in results["crown"]["spots"]
            if math.dist(s["centroid_mm"], built["centroid_mm"]) < 0.5
        ]
        said.append(near[0] - built["depth_um"] if near else math.nan)
    return said


def main() -> None:
    """Run the cases, noise-free and as shipped."""
    names = sys.argv[1:] or list(CASES)
    seconds, _ = run(FOLDER / f"{names[0]}.toml")
    print(
        f"threads {thread_count()}; first run {seconds:.1f} s, {compile_seconds():.1f} s compiling"
    )
    for name in names:
        truth = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
        with tempfile.TemporaryDirectory() as folder:
            cases = {"shipped": FOLDER / f"{name}.toml", "clean": clean_twin(name, Path(folder))}
            for kind, case in cases.items():
                seconds, results = run(case)
                off = [round(e, 1) for e in errors(results, truth)]
                print(f"{name:15s} {kind:8s} {seconds:5.1f} s  depth errors {off} um  "
                      f"{results['seconds']}")  # fmt: skip
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
