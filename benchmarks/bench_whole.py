"""The whole check of a demo case beside a plain script on Open3D: seconds, poses and gaps.

Usage: python benchmarks/bench_whole.py [--case molar-46] [--movements NAME ...] [--keep FILE]
       [--quick]

The case's scans have their noise taken off. Ours is run whole, without pictures, and then the part
that does what the plain script does: fields, closures and guided paths, the crown's gap at every
step. That part of ours still does more (the heavy closure, the pairs' exact gaps, midpoints where a
path bends). `plain_script.py` gets the registered hinges of the same steps from our run and closes
anew. With `--movements` it runs only these, and no ratio is printed.
Ours takes gaps over whole faces, the plain script over vertices; so the difference of the gaps is
told apart into what vertices alone make, at the plain script's own poses, and what is left.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from benchmarks.measure import UM, header
from benchmarks.scenes import demo_pose
from demo_arches.noise import clean_twin
from occlusim.case import Case
from occlusim.contact.foundation import box_corners
from occlusim.files.case_file import read_case
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline import check_case
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.crown_stage import Region
from occlusim.pipeline.inputs import Inputs, load_inputs
from occlusim.pipeline.jaw_stage import Fields, JawStage, run_jaw_stage
from occlusim.pipeline.record import take_record
from occlusim.pipeline.side_by_side import side_by_side

SCRIPT = Path(__file__).with_name("plain_script.py")


def rigid(case: Case) -> Case:
    """Return a case whose teeth and condyles do not give way, as the plain script takes them."""
    return case.model_copy(update={"loads": case.loads.model_copy(update={"pace": "quick"})})


class Ours:
    """Our run of the part that the plain script does, with its seconds."""

    def __init__(self, inputs: Inputs, placed, names: list[str] | None) -> None:
        self.inputs = inputs
        start = time.perf_counter()
        fields = Fields.build(inputs)
        self.fields_s = time.perf_counter() - start
        start = time.perf_counter()
        self.jaw: JawStage = run_jaw_stage(inputs, placed, fields, Clock(lambda _words: None))
        self.closures_s = time.perf_counter() - start
        self.paths = [p for p in self.jaw.run.paths if not names or p.name in names]
        start = time.perf_counter()
        self.pair: CrownAgainst = Region.build(inputs, self.jaw).against(fields.crown)
        poses = {p.name: p.poses(p.step_mm) for p in self.paths}
        gaps = side_by_side([partial(self.pair.least_gaps, poses[p.name]) for p in self.paths])
        self.gaps_s = time.perf_counter() - start
        self.gaps = {p.name: gap for p, gap in zip(self.paths, gaps, strict=True)}
        self.total_s = self.fields_s + self.closures_s + self.gaps_s


def write_problem(ours: Ours, path: Path) -> None:
    """Write what the plain script needs: meshes, load, and the hinge of every step."""
    jaw, crown = ours.jaw, ours.inputs.crown.mesh
    upper, opposing = jaw.natural.field.surface.mesh, jaw.antagonist.surface.mesh
    hinges = {
        f"{p.name}_hinges": np.stack(
            [_hinge_rows(p.suspension_at(float(s)).hinge) for s in p.step_mm]
        )
        for p in jaw.run.paths
    }
    np.savez(
        path,
        upper_v=upper.vertices, upper_f=upper.faces,
        lower_v=jaw.natural.body.points, lower_f=jaw.natural.body.faces,
        crown_v=crown.vertices, crown_f=crown.faces,
        antagonist_v=opposing.vertices, antagonist_f=opposing.faces,
        antagonist_is_tooth=jaw.antagonist_tooth > 0,
        crown_is_upper=ours.inputs.crown_spec.is_upper,
        superior=jaw.model.superior, load_N=jaw.model.light_N,
        stiffness=jaw.model.moving.foundation.stiffness_MPa_per_mm,
        lever=jaw.model.closure.lever_mm, tolerance=jaw.model.closure.tolerance_mm,
        movements=[p.name for p in jaw.run.paths],
        **hinges,
    )  # fmt: skip


def _hinge_rows(hinge) -> np.ndarray:
    T = hinge.T_upper_lower
    return np.concatenate([[hinge.point], [hinge.right], T.rotation, [T.translation]])


def vertex_gap_mm(ours: Ours, T_upper_lower: RigidTransform) -> float:
    """Return the least gap over the vertices of crown and antagonist, by our exact distances."""
    pair = ours.pair
    T = pair.T_antagonist_crown(T_upper_lower)
    crown, antagonist = pair.crown.surface, pair.antagonist.surface
    there = antagonist.closest(crown.mesh.vertices, T_surface_points=T)
    counted = np.unique(antagonist.mesh.faces[pair.antagonist_teeth])
    back = crown.closest(antagonist.mesh.vertices[counted], T_surface_points=T.inverse())
    on_teeth = there.distance_mm[pair.antagonist_teeth[there.faces]]
    return float(min(np.nanmin(on_teeth), np.nanmin(back.distance_mm)))


def compare(ours: Ours, answer) -> None:
    """Print how far poses and gaps of the plain script lie from ours, a row a movement."""
    corners = box_corners(ours.jaw.natural.body.points)
    print("                      poses  pose um  opening at incisors um  gap um  "
          "by vertices alone um  left um")  # fmt: skip
    for path in ours.paths:
        theirs = answer[f"{path.name}_openings"]
        mine = path.freedom_at(path.step_mm)[:, 0]
        hinges = [path.suspension_at(float(s)).hinge for s in path.step_mm]
        poses = [h.pose(float(o)) for h, o in zip(hinges, theirs, strict=True)]
        here = path.poses(path.step_mm)
        apart = [np.linalg.norm(a.apply(corners) - b.apply(corners), axis=1).max()
                 for a, b in zip(here, poses, strict=True)]  # fmt: skip
        lever = ours.jaw.model.closure.lever_mm
        gaps = answer[f"{path.name}_gaps"]
        whole = ours.pair.least_gaps(poses)
        vertices = np.array([vertex_gap_mm(ours, pose) for pose in poses])
        print(f"  {path.name:20s}{len(poses):5d} {UM * max(apart):8.3f} "
              f"{UM * lever * np.abs(theirs - mine).max():23.3f} "
              f"{UM * np.abs(gaps - ours.gaps[path.name]).max():7.3f} "
              f"{UM * np.abs(vertices - whole).max():21.3f} "
              f"{UM * np.abs(gaps - vertices).max():8.3f}", flush=True)  # fmt: skip


def run_whole(case: Path, repeats: int) -> float:
    """Return the best seconds of the whole check without pictures, warm."""
    seconds = []
    for _ in range(repeats + 1):
        with tempfile.TemporaryDirectory() as out:
            start = time.perf_counter()
            check_case(case, Path(out) / "out", pictures=False)
            seconds.append(time.perf_counter() - start)
    return min(seconds[1:])


def best_of(repeats: int, inputs: Inputs, placed, names: list[str] | None) -> Ours:
    """Return the fastest of some runs of our part, the first not counted."""
    runs = [Ours(inputs, placed, names) for _ in range(repeats + 1)]
    return min(runs[1:], key=lambda run: run.total_s)


def shortened(case: Path) -> Path:
    """Return a case file of one step of one movement, its pose given: the smallest problem."""
    text = case.read_text(encoding="utf-8")
    pose = [[round(float(x), 9) for x in row] for row in demo_pose().matrix]
    for pattern, line in (
        (r"bites = .*", ""),
        (r"T_upper_lower = .*", f"T_upper_lower = {pose}"),
        (r"protrusion_mm = .*", "protrusion_mm = 0.1"),
        (r"laterotrusion_mm = .*", "laterotrusion_mm = 0.0"),
    ):
        text = re.sub(rf"(?m)^{pattern}", line, text)
    short = case.with_name("short.toml")
    short.write_text(text, encoding="utf-8")
    return short


def main() -> None:
    """Run both and print them side by side."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--case", default="molar-46")
    parser.add_argument("--movements", nargs="*", help="centric protrusion laterotrusion_right ...")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--keep", help="write the plain script's problem here too")
    parser.add_argument("--quick", action="store_true", help="two steps of one movement, no whole")
    given = parser.parse_args()
    header("The whole check beside a plain script", ["open3d-cpu"])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        case = clean_twin(given.case, folder)
        if given.quick:
            case, given.repeats = shortened(case), 0
        inputs = load_inputs(rigid(read_case(case)))
        placed = take_record(inputs, Clock(lambda _words: None)).placed()
        runs = max(given.repeats, 1)
        ours = (Ours(inputs, placed, given.movements) if given.quick
                else best_of(runs, inputs, placed, given.movements))  # fmt: skip
        problem = Path(given.keep) if given.keep else folder / "problem.npz"
        write_problem(ours, problem)
        n = sum(len(p.step_mm) for p in ours.paths)
        print(f"{given.case}, noise-free, {n} poses of {', '.join(p.name for p in ours.paths)}")
        whole_s = None if given.quick else run_whole(case, runs)
        command = [sys.executable, str(SCRIPT), str(problem), str(folder / "answer.npz")]
        if given.movements:
            command += ["--movements", *given.movements]
        plain = subprocess.run(command, capture_output=True, text=True, check=False)
        if plain.returncode:
            last = (plain.stderr.strip().splitlines() or [f"exit code {plain.returncode}"])[-1]
            print(f"plain script: not run ({last})")
            return
        print(f"plain script: {plain.stdout.strip()}")
        with np.load(folder / "answer.npz") as answer:
            plain_s = float(sum(answer[f"{part}_s"] for part in ("fields", "closures", "gaps")))
            print(f"ours, the same work: {ours.total_s:.2f} s (fields {ours.fields_s:.2f} s, "
                  f"closures {ours.closures_s:.2f} s, gaps {ours.gaps_s:.2f} s)")  # fmt: skip
            if given.movements:
                print("no ratio: our closures are those of all movements")
            else:
                print(f"the plain script takes {plain_s / ours.total_s:.1f} x as long")
            if whole_s is not None:
                print(f"ours, the whole check: {whole_s:.2f} s")
            if whole_s is not None and not given.movements:
                print(f"the plain script takes {plain_s / whole_s:.1f} x as long for its part")
            compare(ours, answer)


if __name__ == "__main__":
    main()
