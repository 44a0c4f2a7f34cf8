"""Scanner-like noise as a function of a mesh's faces and a seed, and twins of the demo cases.

A shipped scan is its exact surface plus `scan_noise(...)`, rounded to float32. So the surface
without noise, or with another seed's noise, follows from the shipped file alone.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
from scipy.sparse import coo_matrix, diags

FOLDER = Path(__file__).parent
CASES = ("molar-46", "premolar-24", "molar-36-low", "molar-16-clean")
SMOOTHING_STEPS = 3


def scan_noise(n_vertices: int, faces: np.ndarray, seed: int, sigma_um: float) -> np.ndarray:
    """Return displacements (V, 3), mm: white noise smoothed over the edges, mean zero.

    Parameters
    ----------
    n_vertices : int
        Number of vertices V.
    faces : (F, 3)
        The triangles, as vertex numbers.
    seed : int
        Seed of the white noise.
    sigma_um : float
        Standard deviation of each coordinate after smoothing.

    Notes
    -----
    Three steps of averaging with the neighbours correlate it over about two edges, some 0.3 mm
    on occlusal surfaces. Uses nothing of the coordinates, so that it can be subtracted again.
    """
    white = np.random.default_rng(seed).standard_normal((n_vertices, 3))
    f = np.asarray(faces, dtype=np.int64)
    i = np.concatenate([f[:, 0], f[:, 1], f[:, 2], f[:, 1], f[:, 2], f[:, 0]])
    j = np.concatenate([f[:, 1], f[:, 2], f[:, 0], f[:, 0], f[:, 1], f[:, 2]])
    joined = coo_matrix((np.ones(len(i)), (i, j)), (n_vertices, n_vertices)).tocsr()
    joined.data[:] = 1.0
    joined = joined + diags(np.ones(n_vertices))
    mean = diags(1.0 / np.asarray(joined.sum(axis=1)).ravel()) @ joined
    for _ in range(SMOOTHING_STEPS):
        white = mean @ white
    white -= white.mean(axis=0)
    return white * (1e-3 * sigma_um / white.std())


def read_ply(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Return vertices (V, 3) float64 and faces (F, 3) of a PLY written by `write_ply`."""
    data = Path(path).read_bytes()
    end = data.index(b"end_header\n") + len(b"end_header\n")
    counts = [int(line.split()[2]) for line in data[:end].decode().splitlines()
              if line.startswith("element")]  # fmt: skip
    vertices = np.frombuffer(data, "<f4", counts[0] * 3, end).reshape(-1, 3)
    face = np.dtype([("n", "u1"), ("v", "<i4", 3)])
    faces = np.frombuffer(data, face, counts[1], end + counts[0] * 12)["v"]
    return vertices.astype(np.float64), faces.astype(np.int32)


def write_ply(path: Path, vertices: np.ndarray, faces: np.ndarray) -> None:
    """Write a binary little-endian PLY, float32."""
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment invented data, mm\n"
        f"element vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    face = np.empty(len(faces), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    face["n"], face["v"] = 3, faces
    body = np.ascontiguousarray(vertices, dtype="<f4").tobytes() + face.tobytes()
    Path(path).write_bytes(header.encode() + body)


def scans_of(name: str, folder: Path = FOLDER) -> list[str]:
    """Return the names of a case's scan files: upper, lower and bites."""
    scans = tomllib.loads((folder / f"{name}.toml").read_text())["scans"]
    return [scans["upper"], scans["lower"], *scans["bites"]]


def clean_twin(name: str, out_folder: Path, folder: Path = FOLDER) -> Path:
    """Write a case with its scans' noise taken off again; return the case file's path."""
    return _twin(name, Path(out_folder), folder, None)


def noisy_twin(name: str, out_folder: Path, seed: int, folder: Path = FOLDER) -> Path:
    """Write a case with other noise of the same size; return the case file's path."""
    return _twin(name, Path(out_folder), folder, seed)


def _twin(name: str, out: Path, folder: Path, seed: int | None) -> Path:
    case = tomllib.loads((folder / f"{name}.toml").read_text())
    truth = json.loads((folder / f"{name}.truth.json").read_text())
    out.mkdir(parents=True, exist_ok=True)
    for file in (f"{name}.toml", f"{name}.truth.json", case["crown"]["mesh"]):
        (out / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(folder / file, out / file)
    for k, file in enumerate(scans_of(name, folder)):
        made = truth["noise"][file]
        vertices, faces = read_ply(folder / file)
        vertices -= scan_noise(len(vertices), faces, made["seed"], made["sigma_um"])
        if seed is not None:
            own = 1_000_003 * (seed + 1) + k
            vertices += scan_noise(len(vertices), faces, own, made["sigma_um"])
        write_ply(out / file, vertices, faces)
    return out / f"{name}.toml"
