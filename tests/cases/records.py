"""The molar-46 demo case with other bite records: given poses, open sides, swapped names."""

import json
import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
from scipy.spatial import KDTree

from demo_arches.noise import FOLDER, read_ply, scans_of, write_ply
from occlusim.geometry.transform import RigidTransform

NAME = "molar-46"
RIGHT, LEFT = "bite_right_a.ply", "bite_left_a.ply"
TRUTH = json.loads((FOLDER / f"{NAME}.truth.json").read_text(encoding="utf-8"))
T_UPPER_LOWER = RigidTransform.from_matrix(TRUTH["T_upper_lower"])
T_JAW_UPPER = RigidTransform.from_matrix(TRUTH["T_jaw_upper"])
MOLAR_JAW = np.array([24.0, 50.0, -30.0])
"""About the right first molars in the jaw frame, mm; the left ones are its mirror image."""


def copied(folder: Path) -> Path:
    """Return the case file of a fresh copy."""
    case = tomllib.loads((FOLDER / f"{NAME}.toml").read_text(encoding="utf-8"))
    for file in (*scans_of(NAME), case["crown"]["mesh"], f"{NAME}.toml"):
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(FOLDER / file, folder / file)
    return folder / f"{NAME}.toml"


def edited(case: Path, *changes: tuple[str, str]) -> Path:
    """Return the case file after regular expressions were replaced, each at least once."""
    text = case.read_text(encoding="utf-8")
    for pattern, new in changes:
        text, n = re.subn(pattern, new, text, flags=re.DOTALL | re.MULTILINE)
        assert n, pattern
    case.write_text(text, encoding="utf-8")
    return case


def without_crown(case: Path) -> Path:
    """Return the case without its crown: arches and bites of a patient in the chair."""
    return edited(case, (r"\[crown\].*?(?=\[mounting\])", ""))


def given(case: Path, raised_mm: float, sigma_um: float | None = None) -> Path:
    """Return the case with its true pose given, the lower jaw raised by so much, and no bites."""
    up = T_JAW_UPPER.inverse().rotate([0.0, 0.0, 1.0])
    pose = RigidTransform(np.eye(3), raised_mm * up) @ T_UPPER_LOWER
    edited(
        case,
        (r"^T_upper_lower = .*?$", f"T_upper_lower = {pose.matrix.tolist()}"),
        (r"^bites = .*?$", ""),
    )
    if sigma_um is not None:
        case.write_text(f"{case.read_text()}\n[registration]\ngiven_sigma_um = {sigma_um}\n")
    return case


def left_open(case: Path, gap_mm: float) -> Path:
    """Return the case whose left bite scan was taken with the left molars apart by so much.

    The jaw is tilted about the right molars; faces between the jaws are left out.
    """
    folder = case.parent
    vertices, faces = read_ply(folder / LEFT)
    T_upper_bite = RigidTransform.from_matrix(TRUTH["T_upper_bite"][LEFT])
    there = T_upper_bite.apply(vertices)
    to_upper = KDTree(read_ply(folder / "upper_a.ply")[0]).query(there)[0]
    to_lower = KDTree(T_UPPER_LOWER.apply(read_ply(folder / "lower_a.ply")[0])).query(there)[0]
    is_low = to_lower < to_upper
    T_upper_jaw = T_JAW_UPPER.inverse()
    tilt = RigidTransform.rotation_about(
        T_upper_jaw.apply(MOLAR_JAW),
        T_upper_jaw.rotate([0.0, 1.0, 0.0]),
        -gap_mm / (2.0 * MOLAR_JAW[0]),
    )
    moved = np.where(is_low[:, None], tilt.apply(there), there)
    whole = is_low[faces].all(axis=1) | (~is_low[faces]).all(axis=1)
    write_ply(folder / LEFT, T_upper_bite.inverse().apply(moved), faces[whole])
    return case


def swapped_names(case: Path) -> Path:
    """Return the case whose right bite scan is called left and the other way round."""
    right, left = (case.parent / name for name in (RIGHT, LEFT))
    one, other = right.read_bytes(), left.read_bytes()
    right.write_bytes(other)
    left.write_bytes(one)
    return case
