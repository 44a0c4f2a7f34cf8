"""The fine step beside point-to-plane registration by two libraries, each in its own process.

The libraries register one pair at a time: each bite scan with the upper and with the lower arch,
every vertex of the bite scan to the plane of the arch's nearest vertex, from the same near poses,
within the same last match distance, until a step moves less than the same tolerance. They know
neither the curve between vertices nor robust weights nor the joint problem, and give no
uncertainty; their two poses of the lower arch, by the right record and by the left, stand beside
ours of both. Ours is the joint fit alone, with vertex normals and without the loose matches that
evidence asks for afterwards; the whole registration, with those, and the surfaces, whose trees are
built beforehand, are named beside it. The libraries' clouds are made
beforehand and both may use every thread. Open3D is given the normals and builds its tree in each
call: what that takes alone is printed and taken off. small_gicp's normals and tree are timed.

The same tolerance: each is also run on to where nothing moves any more, and how far from there it
had stopped is printed; wanted is less than 0.01 um.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from benchmarks.measure import timed

MATCH_MM = 0.25
TOLERANCE_MM = 1e-5
FINAL = 1e-4
"""In tolerances: as good as where nothing moves any more."""

MOST_ROUNDS = 100
NEAR_TWIST = (0.004, -0.003, 0.005, 0.1, -0.12, 0.08)
"""How far the start is from the truth, rad and mm: what a coarse start leaves."""

Register = Callable[[object, object, np.ndarray, float], np.ndarray]
Cloud = Callable[[np.ndarray, np.ndarray], object]


def _open3d_cloud(points: np.ndarray, normals: np.ndarray) -> object:
    import open3d as o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud.normals = o3d.utility.Vector3dVector(normals)
    return cloud


def _open3d(bite: object, arch: object, start: np.ndarray, share: float) -> np.ndarray:
    import open3d as o3d

    reg = o3d.pipelines.registration
    # Relative changes of the root mean square, some 60 um. Near its least value that changes with
    # the square of a movement; twice as much left one of the four pairs 0.04 um from its end.
    criteria = reg.ICPConvergenceCriteria(1e-8 * share**2, 1e-8 * share**2, MOST_ROUNDS)
    plane = reg.TransformationEstimationPointToPlane()
    found = reg.registration_icp(bite, arch, MATCH_MM, start, plane, criteria)
    return np.asarray(found.transformation)


def _open3d_tree(arch: object) -> None:
    import open3d as o3d

    o3d.geometry.KDTreeFlann(arch)


def _small_gicp_cloud(points: np.ndarray, normals: np.ndarray) -> object:  # noqa: ARG001
    import small_gicp

    return small_gicp.PointCloud(points)


def _small_gicp(bite: object, arch: object, start: np.ndarray, share: float) -> np.ndarray:
    import small_gicp

    for cloud in (bite, arch):
        small_gicp.estimate_normals(cloud, num_neighbors=10, num_threads=THREADS)
    found = small_gicp.align(
        arch, bite, small_gicp.KdTree(arch, num_threads=THREADS), start,
        registration_type="PLANE_ICP", max_correspondence_distance=MATCH_MM,
        num_threads=THREADS, max_iterations=MOST_ROUNDS,
        rotation_epsilon=share * TOLERANCE_MM / 30.0, translation_epsilon=share * TOLERANCE_MM,
    )  # fmt: skip
    return np.asarray(found.T_target_source)


PEERS: dict[str, tuple[Cloud, Register]] = {
    "Open3D": (_open3d_cloud, _open3d),
    "small_gicp": (_small_gicp_cloud, _small_gicp),
}
THREADS = os.cpu_count() or 1


def _scene(given: argparse.Namespace, folder: Path) -> Path:
    """Write scans, starts and the truth; return the file."""
    from registration.arch_phantom import TRUE_BITES, TRUE_LOWER, build_phantom

    from occlusim.geometry.surface import Surface
    from occlusim.geometry.transform import RigidTransform

    edges = (0.6, 0.5) if given.quick else (0.157, 0.139)
    p = build_phantom(edges[0], given.seed, bite_edge_mm=edges[1], sigma_mm=0.015)
    off = RigidTransform.exp(NEAR_TWIST)
    content = {"T_lower": (off @ TRUE_LOWER).matrix, "true_lower": TRUE_LOWER.matrix}
    names = ("upper", "lower", "bite0", "bite1")
    for name, mesh in zip(names, (p.upper, p.lower, *p.bites), strict=True):
        content |= {f"{name}_v": mesh.vertices, f"{name}_f": mesh.faces,
                    f"{name}_n": Surface.build(mesh).vertex_normals}  # fmt: skip
    for k, T in enumerate(TRUE_BITES):
        content[f"T_bite{k}"] = (off.inverse() @ T).matrix
    np.savez(folder / "scene.npz", **content)
    n_faces = [len(mesh.faces) for mesh in (p.upper, p.lower, *p.bites)]
    print(
        f"\nFine step alone, from {NEAR_TWIST[3:]} mm and {NEAR_TWIST[:3]} rad beside the truth;\n"
        f"triangles of arches and bite scans {n_faces}, noise 15 um over 0.3 mm"
    )
    return folder / "scene.npz"


def _run_peer(name: str, scene: dict[str, np.ndarray], repeats: int) -> dict:
    make, register = PEERS[name]
    clouds = {n: make(scene[f"{n}_v"], scene[f"{n}_n"])
              for n in ("upper", "lower", "bite0", "bite1")}  # fmt: skip

    def pairs(share: float) -> list[list[np.ndarray]]:
        found = []
        for k in range(2):
            start = np.linalg.inv(scene["T_lower"]) @ scene[f"T_bite{k}"]
            found.append([
                register(clouds[f"bite{k}"], clouds[arch], T, share)
                for arch, T in (("upper", scene[f"T_bite{k}"]), ("lower", start))
            ])  # fmt: skip
        return found

    run = timed(lambda: pairs(1.0), repeats)
    tree_s = 0.0
    if name == "Open3D":  # two pairs with each arch
        tree_s = 2.0 * sum(timed(lambda n=n: _open3d_tree(clouds[n]), repeats).best_s
                           for n in ("upper", "lower"))  # fmt: skip
    left = [
        _apart_um(a, b, scene[f"bite{k}_v"])
        for k, (stopped, final) in enumerate(zip(run.result, pairs(FINAL), strict=True))
        for a, b in zip(stopped, final, strict=True)
    ]
    lower = [to_upper @ np.linalg.inv(to_lower) for to_upper, to_lower in run.result]
    return {"seconds": run.best_s - tree_s, "tree_s": tree_s, "left_um": max(left),
            "lower": [T.tolist() for T in lower]}  # fmt: skip


def _apart_um(a: np.ndarray, b: np.ndarray, points: np.ndarray) -> float:
    """Return the largest displacement of points (n, 3) between two poses (4, 4)."""
    shift = points @ (a - b)[:3, :3].T + (a - b)[:3, 3]
    return 1000.0 * float(np.linalg.norm(shift, axis=1).max())


def _run_ours(scene: dict[str, np.ndarray], repeats: int) -> dict:
    from occlusim.geometry.mesh import TriangleMesh
    from occlusim.geometry.surface import Surface
    from occlusim.geometry.transform import RigidTransform
    from occlusim.registration.bite import register_bite
    from occlusim.registration.joint import JointProblem, RegistrationSettings
    from occlusim.registration.matches import Poses

    meshes = [TriangleMesh(scene[f"{n}_v"], scene[f"{n}_f"])
              for n in ("upper", "lower", "bite0", "bite1")]  # fmt: skip
    build = timed(lambda: [Surface.build(mesh) for mesh in meshes], repeats)
    upper, lower, *bites = build.result
    starts = [RigidTransform.from_matrix(scene[f"T_bite{k}"]) for k in range(2)]
    T_lower = RigidTransform.from_matrix(scene["T_lower"])

    def joint_fit(settings: RegistrationSettings | None = None) -> RigidTransform:
        problem = JointProblem(upper, lower, bites, settings or RegistrationSettings())
        near = problem.approach(Poses(T_lower, tuple(starts)))
        return problem.refine(near, (0, 1)).poses.T_upper_lower

    def whole() -> RigidTransform:
        found = register_bite(upper, lower, bites, T_upper_lower=T_lower, T_upper_bites=starts)
        return found.T_upper_lower

    whole()  # what is compiled on the first call is not of the method
    fit, all_of_it = timed(joint_fit, repeats), timed(whole, repeats)
    final = joint_fit(RegistrationSettings(tolerance_um=FINAL * 1000.0 * TOLERANCE_MM))
    left_um = _apart_um(fit.result.matrix, final.matrix, scene["lower_v"])
    return {"seconds": fit.best_s, "lower": [fit.result.matrix.tolist()], "left_um": left_um,
            "whole_s": all_of_it.best_s, "surfaces_s": build.best_s}  # fmt: skip


def _ask(name: str, scene: Path, repeats: int) -> dict | str:
    """Return what a method gave in a process of its own, or why it gave nothing."""
    command = [sys.executable, __file__, name, str(scene), str(repeats)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    if run.returncode:
        return (run.stderr.strip().splitlines() or [f"exit code {run.returncode}"])[-1]
    return json.loads(run.stdout.splitlines()[-1])


def compare_speed(given: argparse.Namespace) -> None:
    """Print seconds and errors at the molars of ours and of both libraries, in one run."""
    from registration.arch_phantom import TRUE_LOWER, molar_error_um

    from occlusim.geometry.transform import RigidTransform

    with tempfile.TemporaryDirectory() as folder:
        scene = _scene(given, Path(folder))
        repeats = 1 if given.quick else 5
        answers = {name: _ask(name, scene, repeats) for name in ("ours", *PEERS)}
    ours = answers["ours"]
    if isinstance(ours, str):
        raise SystemExit(f"our own run failed: {ours}")
    print(f"  surfaces with their trees, built once for every later step: "
          f"{ours['surfaces_s']:.2f} s;\n  the whole registration, with the start looked at, each "
          f"bite scan alone and covariances: {ours['whole_s']:.2f} s")  # fmt: skip
    if not isinstance(answers["Open3D"], str):
        print(f"  Open3D's trees, which each of its calls builds and which are taken off: "
              f"{answers['Open3D']['tree_s']:.2f} s")  # fmt: skip
    print("  method                seconds   times ours   from its own end um   "
          "error at the molars um")  # fmt: skip
    for name, answer in answers.items():
        if isinstance(answer, str):
            print(f"  {name:20s}  not run ({answer})")
            continue
        errors = [molar_error_um(RigidTransform.from_matrix(T), TRUE_LOWER)
                  for T in answer["lower"]]  # fmt: skip
        words = " ".join(f"{e:.1f}" for e in errors)
        words += " (both records)" if name == "ours" else " (right, left)"
        seconds = answer["seconds"]
        print(f"  {name:20s} {seconds:8.3f} {seconds / ours['seconds']:12.2f} "
              f"{answer['left_um']:21.4f}   {words}")  # fmt: skip


if __name__ == "__main__":
    method, path, times = sys.argv[1:]
    with np.load(path) as stored:
        loaded = dict(stored)
    answered = (
        _run_ours(loaded, int(times)) if method == "ours" else _run_peer(method, loaded, int(times))
    )
    print(json.dumps(answered))
