"""The bite registration: is the stated uncertainty honest, how exact, and how fast.

Usage: python benchmarks/bench_registration.py [PART ...] [--repeats 200] [--seed 1000]
       [--processes N] [--quick]

Parts, all of them unless named:
calibration  errors over seeds against the stated covariance, for ten kinds of noise and scans;
records      one- and two-sided records of two, three and four teeth;
target       the target registration error's formulas beside errors found and stated;
noise-free   parts that share triangles, and parts triangulated each on its own, ever finer;
speed        the fine step beside two libraries' point-to-plane registration of the same pairs.
Shapes are those of `tests/registration/arch_phantom.py`; lengths of displacements are at the first
molars, "near" on the right, where one-sided records are taken, "far" on the left.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks.bite_study import (
    FAR,
    NEAR,
    SETTINGS,
    Setting,
    isotropic_um_per_fle,
    mirrored,
    noise_free_error_um,
    predicted_um,
    scatter,
    shared_error_um,
    teeth_beside,
)
from benchmarks.icp_peers import compare_speed
from benchmarks.measure import header

PARTS = ("calibration", "records", "target", "noise-free", "speed")


def calibration(given: argparse.Namespace) -> None:
    """Print, for every setting, the mean normalised squared error and its interval."""
    print(
        "\nStated covariance against errors: mean of e^T C^-1 e, 6 wanted; chance of the mean\n"
        "error by noise alone; root mean square found over stated at either first molar\n"
        "  setting                     n   mean    95 % interval  inside  bias p   right   left  "
        "independent mm2"
    )
    for setting in SETTINGS[: 2 if given.quick else None]:
        seen = scatter(setting, given.repeats, given.seed, given.processes)
        low, high = seen.interval()
        mean = float(seen.normalised().mean())
        ratio = [seen.found_um(p) / seen.stated_um(p) for p in (NEAR, FAR)]
        inside = "yes" if low < mean < high else "NO"
        print(f"  {setting.name:24s}{seen.n:5d} {mean:6.3f}  [{low:5.3f}, {high:5.3f}]  "
              f"{inside:>6s} {seen.bias_chance():7.3f} {ratio[0]:7.3f}{ratio[1]:7.3f} "
              f"{seen.area_mm2.mean():10.3f}", flush=True)  # fmt: skip


def records(given: argparse.Namespace) -> None:
    """Print the scatter of records by width and by sides, with intervals."""
    print("\nRecords of some teeth about the first molar, one side and two; um, [95 % interval]")
    print("  record                near, found           stated  far, found            stated")
    found = {}
    for n_teeth in (2, 4) if given.quick else (2, 3, 4):
        right = teeth_beside(n_teeth)
        for sides in ((right,), (right, mirrored(right))):
            setting = Setting(f"{n_teeth} teeth, {('one side', 'two sides')[len(sides) - 1]}",
                              sides=sides)  # fmt: skip
            seen = scatter(setting, given.repeats, given.seed, given.processes)
            line = f"  {setting.name:20s}"
            for point in (NEAR, FAR):
                low, high = seen.found_interval_um(point)
                line += (f"{seen.found_um(point):7.1f} [{low:5.1f}, {high:5.1f}]"
                         f"{seen.stated_um(point):7.1f}")  # fmt: skip
                found[n_teeth, len(sides), point[0] > 0] = seen.found_um(point)
            print(line, flush=True)
    widths = sorted({key[0] for key in found})
    print("  one-sided over two-sided at the far molar: "
          + ", ".join(f"{found[n, 1, False] / found[n, 2, False]:.1f} x of {n} teeth"
                      for n in widths))  # fmt: skip
    print(f"  {widths[0]} teeth over {widths[-1]}: "
          + ", ".join(f"{found[widths[0], k, False] / found[widths[-1], k, False]:.1f} x "
                      f"{('one-sided', 'two-sided')[k - 1]} at the far molar"
                      for k in (1, 2)))  # fmt: skip


def target(given: argparse.Namespace) -> None:
    """Print the target registration error by formula beside what was found and stated."""
    print("\nTarget registration error, root mean square um: by closed forms alone (every point "
          "localised\nalong its normal), found, stated; the formula for points, its one FLE taken "
          "from the two-sided\nrecord's near molar, or, in the last column, from the same record's "
          "near molar")  # fmt: skip
    print("  record      at      closed form   found  [95 % interval]   stated  closed/found  "
          "points  points, own")  # fmt: skip
    fle = None
    for setting in (replace(SETTINGS[0], name="two-sided"), SETTINGS[1]):
        seen = scatter(setting, given.repeats, given.seed, given.processes)
        own = seen.found_um(NEAR) / isotropic_um_per_fle(setting, NEAR)
        fle = own if fle is None else fle
        for name, point in (("near", NEAR), ("far", FAR)):
            low, high = seen.found_interval_um(point)
            closed, found = predicted_um(setting, point), seen.found_um(point)
            shape = isotropic_um_per_fle(setting, point)
            print(f"  {setting.name:11s} {name:5s} {closed:13.1f} {found:7.1f} "
                  f" [{low:6.1f}, {high:6.1f}] {seen.stated_um(point):8.1f} {closed / found:10.3f} "
                  f"{fle * shape:10.1f} {own * shape:10.1f}", flush=True)  # fmt: skip


def noise_free(given: argparse.Namespace) -> None:
    """Print errors without noise, shared triangles first, then ever finer triangulations."""
    edges = (1.0, 0.7) if given.quick else (1.0, 0.7, 0.5, 0.35, 0.25, 0.15)
    n_seeds = 1 if given.quick else 5
    print("\nNoise-free, largest displacement at either first molar, um")
    print(f"  parts share triangles, edges {edges[1]} mm: {shared_error_um(edges[1], 1):.6f}")
    worst = []
    for edge in edges:
        errors = [noise_free_error_um(edge, seed) for seed in range(1, 1 + n_seeds)]
        worst.append(max(errors))
        print(f"  each triangulated on its own, edges {edge:.2f} mm: worst of {n_seeds} "
              f"{max(errors):.4f}, median {np.median(errors):.4f}", flush=True)  # fmt: skip
    order = np.polyfit(np.log(edges), np.log(worst), 1)[0]
    print(f"  fitted order of convergence of the worst: {order:.3f}")


def main() -> None:
    """Run the parts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--repeats", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1000, help="the first of the repeats' seeds")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--quick", action="store_true", help="a few repeats, small scans")
    given = parser.parse_args()
    if unknown := set(given.part) - set(PARTS):
        parser.error(f"parts {sorted(unknown)} given, {', '.join(PARTS)} known")
    if given.quick:
        given.repeats, given.processes = 4, 1
    header("Bite registration", ["open3d-cpu", "small-gicp"])
    calls = (calibration, records, target, noise_free, compare_speed)
    for name, call in zip(PARTS, calls, strict=True):
        if name in (given.part or PARTS):
            start = time.perf_counter()
            call(given)
            print(f"  ({time.perf_counter() - start:.0f} s)", flush=True)


if __name__ == "__main__":
    main()
