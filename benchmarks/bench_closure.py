"""The jaw at rest on the demo arches: ms a closure, s a set of movements, and what is left over.

Usage: python benchmarks/bench_closure.py [--case NAME] [--repeats N] [--quick]

The fields stand; every closure is searched anew. Left over, as the search says, is the largest of
the vertical force, both moments (over 80 and 50 mm) and the force on a tooth, as a share of the
load. `warm` starts from the equilibrium under a load 4 % lighter, `hinge` from the recorded bite;
`known` is warm, and goes on from what another closure has found out about the gaps, as a run does.
The peer is scipy's BFGS on the same energy, of exact gaps, written in numpy with its gradient: the
light closure with teeth that yield along their axes, on the faces nearest to contact, at the muscle
force that ours found. What is left over of both is then said by the peer's gradient.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np
from scipy.optimize import minimize

from benchmarks.measure import UM, header, timed
from demo_arches.noise import CASES, FOLDER
from occlusim.contact.foundation import ContactBody
from occlusim.files.case_file import read_case
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import Opposition
from occlusim.motion.equilibrium import Equilibrium, Side, balance
from occlusim.motion.linear_jaw import Statics
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_run import JawModel, close_near, follow_movement
from occlusim.pipeline.jaw_stage import Fields, jaw_model, natural_teeth
from occlusim.pipeline.record import take_record
from occlusim.pipeline.side_by_side import side_by_side

LEVER_MM = 80.0
LEVERS = np.array([1.0, LEVER_MM, 50.0])
NEAR_MM = 0.02
"""Gap up to which a vertex, and its faces, enter the comparison."""
WARM = 0.96


def jaw_of(name: str) -> tuple[JawModel, Opposition]:
    """Return the model of a demo case's jaw and its natural teeth, the crown left out."""
    inputs = load_inputs(read_case(FOLDER / f"{name}.toml"))
    placed = take_record(inputs, Clock(lambda _: None)).placed()
    upper, lower = Fields.build(inputs).upper, inputs.lower.mesh
    kept = np.flatnonzero(~placed.left_out(upper=inputs.crown_spec.is_upper)).astype(np.int32)
    upper_tooth, lower_tooth = placed.upper_tooth, placed.lower_tooth
    if inputs.crown_spec.is_upper:
        upper, upper_tooth = upper.part(kept), upper_tooth[kept]
    else:
        lower, lower_tooth = lower.submesh(kept)[0], lower_tooth[kept]
    return jaw_model(inputs, placed), natural_teeth(upper, upper_tooth, lower, lower_tooth)


def left_over(found: Equilibrium) -> float:
    """Return the largest share of the load that is not in balance."""
    rest = np.abs(found.residual / LEVERS).max()
    return float(max(rest, found.tooth_residual_N, abs(found.support_N - found.load_N))
                 / found.load_N)  # fmt: skip


def closures(model: JawModel, side: Side, repeats: int, limit_s: float) -> None:
    """Print ms a closure by pace, load and start."""
    held, near = model.statics, side.opposition
    quick = replace(held, mobility=replace(held.mobility, pace="quick"))
    print(f"\n{len(near.body.faces)} faces near contact\n"
          f"{'closure':34s} {'ms':>8s} {'rounds':>7s} {'left over / load':>17s}")  # fmt: skip
    for pace, statics in (("sustained", held), ("quick", quick)):

        def closed(load_N: float, start: Equilibrium | None, known: Side | None = None,
                   statics: Statics = statics) -> Equilibrium:  # fmt: skip
            return balance(
                model.rest, [known.copy() if known else near], load_N, statics, model.closure,
                start=start, is_brief=True,
            )  # fmt: skip

        light = closed(model.light_N, None)
        lighter = closed(WARM * model.light_N, light)
        rows = [
            (f"light {model.light_N:g} N, {pace}, hinge", model.light_N, None, None),
            (f"light {model.light_N:g} N, {pace}, warm", model.light_N, lighter, None),
            (f"light {model.light_N:g} N, {pace}, known", model.light_N, lighter, side),
            (f"heavy {model.heavy_N:g} N, {pace}, from light", model.heavy_N, light, None),
        ]
        for words, load_N, start, known in rows if limit_s > 0.0 else rows[:1]:
            took = timed(lambda n=load_N, s=start, k=known, f=closed: f(n, s, k), repeats, limit_s)
            print(f"{words:34s} {1e3 * took.median_s:8.1f} {took.result.n_rounds:7d} "
                  f"{left_over(took.result):17.1e}", flush=True)  # fmt: skip


def movements(model: JawModel, natural: Opposition, light: Equilibrium, *, is_short: bool) -> None:
    """Print s for a full set of movements, one after the other and side by side."""
    moving = balance(model.rest, [natural], model.light_N, model.moving, model.closure, start=light)
    print(f"\n{'movement':34s} {'s':>8s} {'poses':>7s} {'left over / load':>17s}")
    wanted = list(model.excursions.items())
    if is_short:
        wanted = [(wanted[0][0], replace(wanted[0][1], length_mm=0.2, step_mm=0.1))]
    jobs = [partial(follow_movement, model, natural, *movement, moving) for movement in wanted]
    total_s, n_total = 0.0, 0
    for (name, _), job in zip(wanted, jobs, strict=True):
        start = time.perf_counter()
        path, held = job()
        took_s, n = time.perf_counter() - start, len(path.parameter_mm)
        total_s, n_total = total_s + took_s, n_total + n
        left = max(max(left_over(rest) for rest in path.rest),
                   path.worst_residual_N / model.light_N)  # fmt: skip
        words = f"{name}{', held' if held else ''}"
        print(f"{words:34s} {took_s:8.2f} {n:7d} {left:17.1e}", flush=True)
    start = time.perf_counter()
    side_by_side(jobs)
    beside_s = time.perf_counter() - start
    for words, took_s in (("one after the other", total_s), ("side by side", beside_s)):
        print(f"{f'all, {words}':34s} {took_s:8.2f} {n_total:7d} "
              f"{1e3 * took_s / n_total:10.1f} ms a pose")  # fmt: skip


def pressed_squares(gap: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean (F,) over faces of min(gap, 0)^2, gaps (F, 3), and its gradient (F, 3)."""

    def whole(g: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        total = g.sum(axis=1)
        return ((g**2).sum(axis=1) + total**2) / 12.0, (g + total[:, None]) / 6.0

    def tip(g: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        # Only the first corner has its sign: the mean over its part of the face.
        p, a, b = g[:, 0], g[:, 0] - g[:, 1], g[:, 0] - g[:, 2]
        value = p**4 / (6.0 * a * b)
        slope = np.stack([4.0 / p - 1.0 / a - 1.0 / b, 1.0 / a, 1.0 / b], 1)
        return value, value[:, None] * slope

    order = np.argsort(gap, axis=1)
    g = np.take_along_axis(gap, order, axis=1)
    n_pressed = (g < 0.0).sum(axis=1)
    value, slope = np.zeros(len(g)), np.zeros_like(g)
    value[n_pressed == 3], slope[n_pressed == 3] = whole(g[n_pressed == 3])
    value[n_pressed == 1], slope[n_pressed == 1] = tip(g[n_pressed == 1])
    two = (n_pressed == 2) & (g[:, 2] > 0.0)
    less, less_slope = tip(g[two][:, ::-1])
    value[two], slope[two] = whole(g[two])
    value[two], slope[two] = value[two] - less, slope[two] - less_slope[:, ::-1]
    flat = (n_pressed == 2) & ~two
    value[flat], slope[flat] = whole(g[flat])
    gradient = np.empty_like(slope)
    np.put_along_axis(gradient, order, slope, axis=1)
    return value, gradient


class PeerJaw(NamedTuple):
    """The energy of a jaw in numpy; what is frozen is taken from our equilibrium.

    Frozen: muscle force, area of every face seen along the gap, and which tooth meets which.
    """

    model: JawModel
    near: Opposition
    statics: Statics
    muscle_N: float
    teeth: np.ndarray
    weight: np.ndarray
    lower: np.ndarray
    upper: np.ndarray

    @staticmethod
    def of(model: JawModel, near: Opposition, statics: Statics, found: Equilibrium) -> PeerJaw:
        """Return the energy around an equilibrium."""
        body, pose = near.body, found.T_upper_lower
        closest = near.field.surface.closest(body.points, T_surface_points=pose)
        teeth = np.array(sorted(found.yielded))
        slot = np.full(100, len(teeth))
        slot[teeth] = np.arange(len(teeth))
        lower = np.zeros(len(body.points), dtype=int)
        lower[body.faces.ravel()] = np.repeat(body.tooth, 3)
        p = pose.apply(body.points)[body.faces]
        normal = 0.5 * np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        along = closest.normals[body.faces].mean(axis=1)
        counted = np.maximum(-np.einsum("fd,fd->f", normal, along), 0.0)
        return PeerJaw(
            model, near, statics, found.muscle_N, teeth,
            statics.foundation.stiffness_MPa_per_mm * counted,
            slot[lower], slot[near.field_tooth[closest.faces]],
        )  # fmt: skip

    def energy(self, x: np.ndarray) -> tuple[float, np.ndarray]:
        """Return energy (N mm) and gradient at (opening at the lever, rises, ways of the teeth)."""
        rest, up = self.model.rest, self.model.superior
        freedom, ways = x[:3] / [LEVER_MM, 1.0, 1.0], np.append(x[3:], 0.0)
        pose = rest.pose(freedom)
        placed = pose.apply(self.near.body.points)
        moved = placed + (ways[self.lower] - ways[self.upper])[:, None] * up
        closest = self.near.field.surface.closest(moved)
        away = moved - closest.points
        far = np.linalg.norm(away, axis=1)
        away = np.where((far > 1e-9)[:, None], away / np.maximum(far, 1e-9)[:, None]
                        * np.sign(closest.distance_mm)[:, None], closest.normals)  # fmt: skip
        faces = self.near.body.faces
        value, slope = pressed_squares(np.nan_to_num(closest.distance_mm, nan=1.0)[faces])
        total = 0.5 * float(self.weight @ value)
        push = np.zeros(len(moved))
        np.add.at(push, faces, 0.5 * self.weight[:, None] * slope)
        gradient = np.zeros(len(x) + 1)
        velocity = rest.velocities(freedom, placed)
        gradient[:3] = np.einsum("n,nd,ndk->k", push, away, velocity)
        along = push * (away @ up)
        np.add.at(gradient, 3 + self.lower, along)
        np.add.at(gradient, 3 + self.upper, -along)
        gradient = gradient[:-1]
        s = self.statics.mobility
        loose = np.array([s.factor.get(int(t), 1.0) for t in self.teeth])
        u, soft, stiff = np.abs(x[3:]), s.soft_N_per_mm / loose, s.stiff_N_per_mm / loose
        knee = s.knee_N / soft
        over, under = np.maximum(u - knee, 0.0), np.minimum(u, knee)
        total += float((0.5 * soft * under**2 + s.knee_N * over + 0.5 * stiff * over**2).sum())
        gradient[3:] += np.sign(x[3:]) * (soft * under + stiff * over)
        if not self.statics.holds_joints:
            rise = np.maximum(freedom[1:], 0.0)
            k = self.statics.joints.stiffness_N_per_mm
            total += 0.5 * k * float(rise @ rise)
            gradient[1:3] += k * rise
        muscle = self.statics.muscle
        point = pose.apply(muscle.point)
        total -= self.muscle_N * float(muscle.direction @ (point - rest.hinge.point))
        pull = muscle.direction @ rest.velocities(freedom, point[None])[0]
        gradient[:3] -= self.muscle_N * pull
        gradient[0] /= LEVER_MM
        return total, gradient


def nearest_faces(near: Opposition, pose: RigidTransform) -> Opposition:
    """Return an opposition with those faces of its body that lie nearest at T_upper_lower."""
    body = near.body
    gap_mm = near.field.exact(body.points, near.T_field_body(pose))
    kept = (np.abs(gap_mm) < NEAR_MM)[body.faces].any(axis=1)
    used, faces = np.unique(body.faces[kept], return_inverse=True)
    part = ContactBody(
        body.name, body.points[used], faces.reshape(-1, 3).astype(np.int32), body.tooth[kept]
    )
    return replace(near, body=part)


def beside_a_peer(model: JawModel, near: Opposition, light: Equilibrium, limit_s: float) -> None:
    """Print ours beside BFGS on the same energy."""
    statics = replace(model.statics, mobility=replace(model.statics.mobility, has_lateral=False))
    small = nearest_faces(near, light.T_upper_lower)
    start_rad = light.opening_rad + 0.2 * NEAR_MM / LEVER_MM

    def ours() -> Equilibrium:
        return balance(
            model.rest, [small], model.light_N, statics, model.closure,
            start_rad=start_rad, is_brief=True,
        )  # fmt: skip

    took = timed(ours, 5, limit_s)
    found: Equilibrium = took.result
    peer = PeerJaw.of(model, small, statics, found)
    began = np.concatenate([[start_rad * LEVER_MM, 0.0, 0.0], np.zeros(len(peer.teeth))])
    before = time.perf_counter()
    best = minimize(peer.energy, began, jac=True, method="BFGS",
                    options={"gtol": 1e-3, "maxiter": 400})  # fmt: skip
    took_s = time.perf_counter() - before
    ends = np.concatenate([found.freedom * [LEVER_MM, 1, 1],
                           [found.yielded[t] @ model.superior for t in peer.teeth]])  # fmt: skip
    ours_left = np.abs(peer.energy(ends)[1]).max() / model.light_N
    print(f"\nlight closure on {len(small.body.faces)} faces, {len(began)} unknowns")
    print(f"{'ours':8s} {1e3 * took.median_s:9.1f} ms  {found.n_rounds:5d} rounds       "
          f"left over / load in the numpy energy {ours_left:.1e}")  # fmt: skip
    print(f"{'BFGS':8s} {1e3 * took_s:9.1f} ms  {best.nfev:5d} evaluations  "
          f"left over / load in the numpy energy {np.abs(best.jac).max() / model.light_N:.1e}"
          f"{'' if best.success else ', stopped'}")  # fmt: skip
    print(f"BFGS takes {took_s / took.median_s:.1f} times as long; it ends "
          f"{UM * np.abs(best.x - ends)[:3].max():.3f} um from ours, "
          f"energy {best.fun - peer.energy(ends)[0]:+.1e} N mm")  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--case", choices=CASES, default="molar-46")
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--quick", action="store_true", help="the smallest run")
    given = parser.parse_args(arguments)
    header("closures and movements", ("scipy",))
    model, natural = jaw_of(given.case)
    side, light = close_near(model, natural)
    near = side.opposition
    # Nothing is repeated where even the first call is over the limit.
    limit_s = 0.0 if given.quick else 30.0
    closures(model, side, given.repeats, limit_s)
    movements(model, natural, light, is_short=given.quick)
    beside_a_peer(model, near, light, limit_s)


if __name__ == "__main__":
    main()
