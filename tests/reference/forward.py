"""An independent proof of an adjusted crown: other poses, another library's distances.

The jaw is closed anew at every pose, from a start of its own, at steps four times finer than the
run's; distances are libigl's with pseudonormals. Neither the swept field nor the interpolated path
nor our distances are used for the verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from benchmarks.igl_distance import IglDistance
from occlusim.files.case_file import read_case
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.motion.closure import close_to_load
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.inputs import Inputs, load_inputs
from occlusim.pipeline.jaw_stage import Fields, JawStage, run_jaw_stage
from occlusim.pipeline.record import Placed, take_record


@dataclass(frozen=True)
class Stage:
    """A case up to the jaw's paths."""

    inputs: Inputs
    placed: Placed
    jaw: JawStage


@lru_cache(maxsize=2)
def jaw_of(case_path: Path) -> Stage:
    """Return a case run up to the jaw's paths; of the last two cases it is kept."""
    inputs = load_inputs(read_case(case_path))
    clock = Clock(lambda _: None)
    placed = take_record(inputs, clock).placed()
    inputs = placed.inputs
    return Stage(inputs, placed, run_jaw_stage(inputs, placed, Fields.build(inputs), clock))


def forward_poses(stage: Stage, movement: str, finer: int = 4):
    """Yield (s, T_upper_lower) of a movement at finer steps, each closed from its own start."""
    model = stage.jaw.model
    path = next(p for p in stage.jaw.run.paths if p.name == movement)
    if movement == "centric":
        yield 0.0, path.poses(np.zeros(1))[0]
        return
    n = finer * (len(path.step_mm) - 1)
    start = stage.jaw.run.moving.opening_rad
    for s in np.linspace(0.0, path.step_mm[-1], n + 1):
        closed = close_to_load(
            model.hinge_at(movement)(float(s)),
            (stage.jaw.natural,),
            model.superior,
            model.light_N,
            model.moving.foundation,
            model.closure,
            start_rad=start,
        )
        start = closed.opening_rad
        yield float(s), closed.T_upper_lower


def surface_samples(mesh: TriangleMesh, faces: np.ndarray, n: int = 3) -> np.ndarray:
    """Return points (m, 3) on faces: an even barycentric grid of n steps, corners included."""
    grid = np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)]) / n
    corners = mesh.vertices[mesh.faces[faces]]
    return np.unique(np.einsum("gk,fkd->fgd", grid, corners).reshape(-1, 3), axis=0)


def near_antagonist(stage: Stage, crown: TriangleMesh, margin_mm: float = 1.5) -> TriangleMesh:
    """Return the opposing arch near the crown's recorded place and where the movements take it."""
    mesh = stage.jaw.antagonist.surface.mesh
    T = stage.placed.T_upper_lower
    T = T.inverse() if stage.inputs.crown_spec.is_upper else T
    points = T.apply(crown.vertices)
    low, high = points.min(0) - margin_mm - 6.0, points.max(0) + margin_mm + 6.0
    centre = mesh.vertices[mesh.faces].mean(axis=1)
    return mesh.submesh(np.flatnonzero(((centre > low) & (centre < high)).all(axis=1)))[0]


def worst_clearance(stage: Stage, adjusted: Path, finer: int = 4) -> dict[str, float]:
    """Return, per movement, the least of gap minus wanted gap (mm) over all finer poses.

    Both directions: the crown's surface in the antagonist's distance, and the antagonist's
    vertices in the crown's.
    """
    crown = read_mesh(adjusted).mesh
    antagonist = near_antagonist(stage, crown)
    to_antagonist, to_crown = IglDistance(antagonist), IglDistance(crown)
    wanted = wanted_functions(stage.inputs, stage.jaw)
    is_upper = stage.inputs.crown_spec.is_upper
    centre = crown.vertices[crown.faces].mean(axis=1)
    worst = {}
    for movement in [p.name for p in stage.jaw.run.paths]:
        worst[movement] = np.inf
        for s, pose in forward_poses(stage, movement, finer):
            T = pose.inverse() if is_upper else pose
            band = stage.jaw.antagonist.sdf.sample(centre, T)
            close = np.flatnonzero(band < 0.35)
            if len(close) == 0:
                continue
            points = T.apply(surface_samples(crown, close))
            there = T.inverse().apply(antagonist.vertices)
            box = crown.vertices[np.unique(crown.faces[close])]
            inside = ((there > box.min(0) - 0.2) & (there < box.max(0) + 0.2)).all(axis=1)
            gap = min(
                float(np.nanmin(to_antagonist(points)[0])),
                float(np.nanmin(to_crown(there[inside])[0])) if inside.any() else np.inf,
            )
            worst[movement] = min(worst[movement], gap - float(wanted[movement](np.array([s]))[0]))
    return worst
