"""Least gaps of a crown over many varied jaws: seconds beside the error against full paths.

Usage: python benchmarks/bench_sensitivity.py [--case NAME] [--samples N] [--checked N] [--quick]

Jaws are drawn within the scatter of people's guidance and of an arbitrary hinge axis. Of some,
every movement is followed as a check does it, at all its steps and with its bends refined, the
crown's gap taken every 0.01 mm near the start and every 0.002 mm about its least place. A value is
never too low and may be too high: that is the error printed. Process seconds count both threads.
"""

from __future__ import annotations

import argparse
import time
from functools import partial

import numpy as np
from measure import UM, header

from occlusim.demo import demo_case
from occlusim.files.case_file import read_case
from occlusim.jaw.mounting_scatter import GuidanceScatter, condyle_scatter
from occlusim.motion.excursion import GuidedPath, follow
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.crown_stage import Region
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_run import JawModel
from occlusim.pipeline.jaw_stage import Fields, JawStage, run_jaw_stage
from occlusim.pipeline.record import take_record
from occlusim.pipeline.sensitivity import crown_sensitivity, drawn_variations

BEYOND_MM = 0.25
FINE_MM, FINEST_MM = 0.01, 0.002


def prepared(name: str) -> tuple[JawStage, CrownAgainst]:
    """Return a demo case up to its paths, and its crown with the teeth that oppose it."""
    inputs = load_inputs(read_case(demo_case(name)))
    clock = Clock(lambda _words: None)
    placed = take_record(inputs, clock).placed()
    fields = Fields.build(inputs)
    jaw = run_jaw_stage(inputs, placed, fields, clock)
    return jaw, Region.build(inputs, jaw).against(fields.crown)


def full_leasts(
    jaw: JawStage, pair: CrownAgainst, model: JawModel, usual: GuidedPath
) -> tuple[float, float]:
    """Return the least gap, mm, of a movement followed at every step: on all of it, and beyond."""
    name = usual.name
    path = follow(
        name, model.suspension_at(name), (jaw.natural,), model.light_N, model.moving,
        model.closure, model.excursions[name], start=jaw.run.moving,
    )  # fmt: skip
    end = float(path.step_mm[-1])
    near, far = np.arange(0.0, min(0.6, end), FINE_MM), np.arange(0.6, end, 5 * FINE_MM)
    s = np.unique(np.concatenate([near, far, [min(BEYOND_MM, end), end]]))
    gap = pair.least_gaps(path.poses(s), 1e-4)
    found = []
    for low in (0.0, min(BEYOND_MM, end)):
        here = np.where(s >= low, gap, np.inf)
        at = float(s[np.argmin(here)])
        span = 0.02 if at < 0.6 else 0.06
        fine = np.arange(max(low, at - span), min(end, at + span), FINEST_MM)
        finest = pair.least_gaps(path.poses(fine), 1e-4) if len(fine) else np.array([np.inf])
        found.append(float(min(here.min(), finest.min())))
    return found[0], found[1]


def main() -> None:
    """Print seconds for the jaws and the errors of some."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--case", default="molar-46", help="name of a demo case")
    parser.add_argument("--samples", type=int, default=500, help="jaws to draw")
    parser.add_argument("--checked", type=int, default=20, help="jaws followed in full")
    parser.add_argument("--quick", action="store_true", help="two jaws, one followed in full")
    given = parser.parse_args()
    n, n_checked = (2, 1) if given.quick else (given.samples, min(given.checked, given.samples))
    jaw, pair = prepared(given.case)
    header("least gaps of varied jaws", ["scipy"])
    nominal, scatter = jaw.model, GuidanceScatter()
    gaps = [pair.least_gaps(path.poses(path.step_mm), 1e-4) for path in jaw.run.paths]
    variations = drawn_variations(
        nominal.guidance, scatter, condyle_scatter("arbitrary"), n, np.random.default_rng(1)
    )
    run = partial(
        crown_sensitivity, nominal, jaw.natural, jaw.run.paths, gaps, pair,
        scatter=scatter, beyond_mm=BEYOND_MM,
    )  # fmt: skip
    if not given.quick:
        run(variations=[])  # warm
    for label, some in (("each quantity alone", []), (f"and {n} jaws", variations)):
        wall, cpu = time.perf_counter(), time.process_time()
        found = run(variations=some)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        solved = sum(m.n_solved for m in found)
        print(f"{label:<22} {wall:8.2f} s, {cpu:8.2f} s of processors, {solved} poses solved")
    errors = []
    for k in range(n_checked):
        model = variations[k].model(nominal)
        for path, movement in zip(jaw.run.paths[1:], found[1:], strict=True):
            least, beyond = full_leasts(jaw, pair, model, path)
            errors.append([movement.least_mm[k] - least, movement.beyond_gap_mm[k] - beyond])
    error = UM * np.array(errors).reshape(-1, 2)
    for column, where in enumerate(("whole path", "excursion proper") if errors else ()):
        e = error[:, column]
        print(
            f"{where:<18} error over {len(e)} movements: median {np.median(e):.2f} um, 95 % below "
            f"{np.percentile(e, 95):.2f} um, largest {e.max():.2f} um, least {e.min():.2f} um"
        )


if __name__ == "__main__":
    main()
