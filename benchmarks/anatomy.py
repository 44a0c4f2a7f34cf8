"""Measure the demo arches and print each number beside the published range.

Run as ``python benchmarks/anatomy.py [a|b]``. Everything is measured on the shipped files with
their noise taken off, at the true bite. Sources: contacts with a 20 um film, 709 people, SHIP-1
(Int J Comput Dent 2022); about 7 contacts a side, Korioth 1990 (J Prosthet Dent 64:206); arch
widths and depths, Mina et al. 2017 (Odontology 105:229); effective cusp angles, Aramaki 1995
(J Jpn Gnathol 16:107); angle between cusps of the first molar 139.2 +/- 13.9 degrees (Thieme
a-1868-6555); overbite 2.21 and overjet 2.75 mm, n = 154 (Appl Sci 2025;15:10231); four-inch
sphere, Monson 1920 (from memory).
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from statistics import median

import igl
import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

sys.path.insert(0, str(Path(__file__).parent.parent))
from demo_arches.noise import FOLDER, clean_twin, read_ply

FILM_MM = 0.020
LEAST_AREA_MM2 = 0.02
CASE_OF = {"a": "molar-46", "b": "molar-16-clean"}


def load(pair: str) -> dict:
    """Return both arches in the jaw frame at the true bite, noise-free, and the teeth's table."""
    with tempfile.TemporaryDirectory() as name:
        clean_twin(CASE_OF[pair], Path(name))
        meshes = {j: read_ply(Path(name) / f"{j}_{pair}.ply") for j in ("upper", "lower")}
    table = json.loads((FOLDER / "teeth.json").read_text())
    out = {}
    for jaw, (vertices, faces) in meshes.items():
        T = np.array(table[jaw]["T_jaw_file"])
        teeth = {}
        for number, t in table[jaw]["teeth"].items():
            teeth[int(number)] = {
                "middle": T[:3, :3] @ t["middle_mm"] + T[:3, 3],
                "axes": np.array(t["mesial_buccal_occlusal"]) @ T[:3, :3].T,
                "length": t["crown_length_mm"],
                "cusps": {k: T[:3, :3] @ p + T[:3, 3] for k, p in t["cusps_mm"].items()},
            }
        out[jaw] = (vertices @ T[:3, :3].T + T[:3, 3], faces.astype(np.int64), teeth)
    return out


def tooth_of(vertices: np.ndarray, teeth: dict) -> np.ndarray:
    """Return the number of the nearest tooth of every vertex (V,)."""
    numbers = np.array(list(teeth))
    best = np.full(len(vertices), np.inf)
    found = np.zeros(len(vertices), int)
    for n in numbers:
        t = teeth[n]
        local = (vertices - t["middle"]) @ t["axes"].T
        far = np.hypot(local[:, 0], local[:, 1])
        found[far < best] = n
        best = np.minimum(best, far)
    return found


def contacts(mesh, other) -> dict[int, list[float]]:
    """Return the areas (mm2) of the contact patches of every tooth: gap within the film."""
    vertices, faces, teeth = mesh
    low, high = other[0].min(axis=0) - 1, other[0].max(axis=0) + 1
    near = np.flatnonzero(np.all((vertices > low) & (vertices < high), axis=1))
    gap = np.full(len(vertices), 9.0)
    gap[near] = igl.signed_distance(
        np.ascontiguousarray(vertices[near]), other[0], other[1],
        sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL)[0]  # fmt: skip
    inside = gap[faces].max(axis=1) <= FILM_MM
    f = faces[inside]
    tri = vertices[f]
    area = 0.5 * np.linalg.norm(np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]), axis=1)
    i, j = np.concatenate([f[:, 0], f[:, 1]]), np.concatenate([f[:, 1], f[:, 2]])
    n = len(vertices)
    _, label = connected_components(coo_matrix((np.ones(len(i)), (i, j)), (n, n)), directed=False)
    owner = tooth_of(vertices, teeth)
    out: dict[int, list[float]] = {n: [] for n in teeth}
    for k in np.unique(label[f[:, 0]]):
        rows = label[f[:, 0]] == k
        if area[rows].sum() >= LEAST_AREA_MM2:
            out[int(np.median(owner[f[rows]]))].append(float(area[rows].sum()))
    return out


def _facial(mesh, number: int) -> np.ndarray:
    vertices, _f, teeth = mesh
    t = teeth[number]
    local = (vertices - t["middle"]) @ t["axes"].T
    near = (np.abs(local[:, 0]) < 2.0) & (local[:, 2] > -0.85 * t["length"]) & (local[:, 1] > 0)
    near &= local[:, 1] < 8
    return vertices[near][np.argmax(local[near, 1])]


def _tip(mesh, number: int, cusp: str) -> np.ndarray:
    vertices, _f, teeth = mesh
    t = teeth[number]
    local = (vertices - t["cusps"][cusp]) @ t["axes"].T
    near = (np.hypot(local[:, 0], local[:, 1]) < 0.9) & (np.abs(local[:, 2]) < 2.5)
    return vertices[near][np.argmax(local[near, 2])]


def _incline_deg(mesh, number: int, cusp: str) -> float:
    """Return the slope of a cusp's inner incline: a line through it 0.4 to 2 mm from the tip."""
    vertices, _f, teeth = mesh
    t = teeth[number]
    tip = _tip(mesh, number, cusp)
    local = (vertices - tip) @ t["axes"].T
    inward = (t["middle"] - tip) @ t["axes"].T
    inward = inward[:2] / np.linalg.norm(inward[:2])
    along = local[:, :2] @ inward
    across = local[:, :2] @ np.array([-inward[1], inward[0]])
    near = (along > 0.4) & (along < 2.0) & (np.abs(across) < 0.25) & (np.abs(local[:, 2]) < 2.5)
    slope = np.polyfit(along[near], local[near, 2], 1)[0]
    return float(np.degrees(np.arctan(-slope)))


def measure(pair: str) -> dict:
    """Return all measured numbers of a pair."""
    arches = load(pair)
    upper, lower = arches["upper"], arches["lower"]
    result: dict = {"contacts": {**contacts(upper, lower), **contacts(lower, upper)}}
    for jaw, mesh, right, left, mid in (("upper", upper, 16, 26, (11, 21)),
                                        ("lower", lower, 46, 36, (41, 31))):  # fmt: skip
        a, b = _facial(mesh, right), _facial(mesh, left)
        front = 0.5 * (_facial(mesh, mid[0]) + _facial(mesh, mid[1]))
        result[f"width_{jaw}_mm"] = float(np.linalg.norm(a - b))
        result[f"depth_{jaw}_mm"] = float(front[1] - 0.5 * (a[1] + b[1]))
    edge_u = 0.5 * (_tip(upper, 11, "E") + _tip(upper, 21, "E"))
    edge_l = 0.5 * (_tip(lower, 41, "E") + _tip(lower, 31, "E"))
    result["overbite_mm"] = float(edge_l[2] - edge_u[2])
    level = upper[0][np.abs(upper[0][:, 2] - edge_u[2] - 0.4) < 0.3]
    level_l = lower[0][np.abs(lower[0][:, 2] - edge_u[2]) < 0.3]
    front_u = level[np.abs(level[:, 0]) < 6][:, 1].max()
    front_l = level_l[np.abs(level_l[:, 0]) < 5][:, 1].max()
    result["overjet_mm"] = float(front_u - front_l)
    sound = [n for n in (36, 46) if n != {"a": 46, "b": 36}[pair]]
    working = [_incline_deg(lower, n, c) for n in sound for c in ("MB", "DB")]
    sound_upper = [n for n in (16, 26) if not (pair == "b" and n == 16)]
    other = [_incline_deg(upper, n, "MP") for n in sound_upper]
    result["lower_buccal_incline_deg"] = float(np.mean(working))
    result["upper_palatal_incline_deg"] = float(np.mean(other))
    pairs = [_incline_deg(lower, n, "MB") + _incline_deg(lower, n, "ML") for n in sound]
    result["first_molar_cusp_to_cusp_deg"] = 180.0 - float(np.mean(pairs))
    tips = np.array([_tip(lower, n, c) for n, t in lower[2].items() if n not in (36, 46)
                     for c in t["cusps"]
                     if c in ("E", "B", "MB", "DB") and n % 10 != 4])  # fmt: skip
    fit = least_squares(lambda q: np.linalg.norm(tips - [0, q[0], q[1]], axis=1) - q[2],
                        [50.0, 65.0, 100.0])  # fmt: skip
    result["sphere_radius_mm"] = float(fit.x[2])
    return result


def main() -> None:
    """Print the table of one pair, or of both."""
    for pair in sys.argv[1:] or ["a", "b"]:
        r = measure(pair)
        counts = {n: len(a) for n, a in r["contacts"].items()}
        skip = {"a": (24, 46), "b": (16, 36)}[pair]
        natural = {n: c for n, c in counts.items() if n not in skip}
        premolars = [c for n, c in natural.items() if n % 10 in (4, 5)]
        molars = [c for n, c in natural.items() if n % 10 in (6, 7)]
        right = sum(c for n, c in natural.items() if n // 10 == 4 and n % 10 >= 4)
        left = sum(c for n, c in natural.items() if n // 10 == 3 and n % 10 >= 4)
        print(f"pair {pair}                                measured   published")
        print(f"  contacts a premolar, median          {median(premolars):5.1f}      2")
        print(f"  contacts a molar, median             {median(molars):5.1f}      4-5 (46: 6)")
        print(f"  posterior contacts right, left   {right:4d} {left:4d}      about 7 a side")
        facing = {"a": (34, 16), "b": (46, 26)}[pair]
        least = min(c for n, c in natural.items() if n % 10 >= 4 and n not in facing)
        print(f"  least on a posterior tooth that meets no crown's place {least:3d}")
        for key, text in (
            ("width_upper_mm", "57.92 +/- 4.75"), ("width_lower_mm", "54.19 +/- 5.31"),
            ("depth_upper_mm", "31.59 +/- 2.90"), ("depth_lower_mm", "28.10 +/- 2.59"),
            ("overbite_mm", "2-3 (2.21)"), ("overjet_mm", "2-3 (2.75)"),
            ("lower_buccal_incline_deg", "15.8 working to 22.5 non-working (effective)"),
            ("upper_palatal_incline_deg", "15.8 working to 22.5 non-working (effective)"),
            ("first_molar_cusp_to_cusp_deg", "139.2 +/- 13.9"),
            ("sphere_radius_mm", "100-112 (four inches: 101.6)"),
        ):  # fmt: skip
            print(f"  {key:36s} {r[key]:6.2f}     {text}")
        print("  contacts by tooth: " + ", ".join(f"{n}:{c}" for n, c in sorted(counts.items())))


if __name__ == "__main__":
    main()
