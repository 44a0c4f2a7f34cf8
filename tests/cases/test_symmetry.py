"""Moving every input by one rigid motion, or mirroring the case, changes no answer."""

import re
import tomllib

import numpy as np
import pytest
from cases.conftest import contents
from numpy.testing import assert_allclose

from demo_arches.noise import read_ply, write_ply
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline import check_case

pytestmark = pytest.mark.slow

SIDES = {"laterotrusion_right": "laterotrusion_left", "laterotrusion_left": "laterotrusion_right"}
MIRRORED_TOOTH = {"46": "36"}


def write_double(path, vertices, faces):
    """Write a PLY of double precision, so that moving it rounds nothing that matters."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(vertices)}\nproperty double x\nproperty double y\n"
        f"property double z\nelement face {len(faces)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    face = np.empty(len(faces), np.dtype([("n", "u1"), ("v", "<i4", 3)]))
    face["n"], face["v"] = 3, faces
    path.write_bytes(
        header.encode() + np.ascontiguousarray(vertices, "<f8").tobytes() + face.tobytes()
    )


def moved_case(case, out, turn, *, mirror, double):
    """Write a case with every mesh and point mapped by p -> turn (mirror p)."""
    flip = np.diag([-1.0, 1.0, 1.0]) if mirror else np.eye(3)
    out.mkdir(parents=True)
    text = case.read_text(encoding="utf-8")
    spec = tomllib.loads(text)
    files = [spec["scans"]["upper"], spec["scans"]["lower"], *spec["scans"]["bites"]]
    for file in [*files, spec["crown"]["mesh"]]:
        vertices, faces = read_ply(case.parent / file)
        vertices = turn.apply(vertices @ flip)
        faces = faces[:, ::-1] if mirror else faces
        (out / file).parent.mkdir(parents=True, exist_ok=True)
        (write_double if double else write_ply)(out / file, vertices, faces)
    matrix = np.array(spec["scans"].get("T_upper_lower", np.eye(4).tolist()))
    s = np.eye(4)
    s[:3, :3] = flip
    new = turn.matrix @ s @ matrix @ np.linalg.inv(turn.matrix @ s)
    rows = ", ".join(str(row) for row in new.tolist())
    if "T_upper_lower" in spec["scans"]:
        text = re.sub(r"T_upper_lower = \[(?:[^\]]*\],?\s*)+\]", f"T_upper_lower = [{rows}]", text)
    else:
        text = text.replace("[scans]\n", f"[scans]\nT_upper_lower = [{rows}]\n")

    def point(match):
        name, numbers = match.group(1), [float(v) for v in match.group(2).split(",")]
        here = turn.apply(np.array(numbers) @ flip)
        if mirror:
            name = name.replace("right", "?").replace("left", "right").replace("?", "left")
        return f"{name} = {here.tolist()}"

    text = re.sub(r"(?m)^(\w+_mm) = \[([^\]]*)\]", point, text)
    axis = re.search(r"(?m)^seating_axis = \[([^\]]*)\]", text)
    if axis:
        direction = turn.rotate(np.array([float(v) for v in axis.group(1).split(",")]) @ flip)
        text = text.replace(axis.group(0), f"seating_axis = {direction.tolist()}")
    if mirror:
        tooth = spec["crown"]["tooth"]
        text = text.replace(f'tooth = "{tooth}"', f'tooth = "{MIRRORED_TOOTH[tooth]}"')
    (out / case.name).write_text(text, encoding="utf-8")
    return out / case.name


def lengths(results, *, mirror=False):
    """Return every reported length of the crown in um, by name; mirrored movements renamed."""
    crown = results["crown"]
    found = {
        "recorded": crown["recorded_gap_um"],
        "opening": crown["incisal_opening_um"],
        "g_nat": results["datum"]["g_nat_um"],
    }
    for side in ("mesial", "distal"):
        for key in ("gap_um", "supported_gap_um"):
            found[f"{side}.{key}"] = crown["sides"][side][key]
    for movement in crown["movements"]:
        name = movement["name"]
        name = SIDES.get(name, name) if mirror else name
        found[f"{name}.least"] = movement["least_gap_um"]
        for k, gap in enumerate(movement["gap_um"]):
            found[f"{name}.{k}"] = np.nan if gap is None or gap > 500 else gap
    for k, spot in enumerate(crown["spots"]):
        found[f"spot.{k}"] = spot["normal_depth_um"]
        found[f"spot.{k}.along"] = spot["depth_um"]
    return found


TURN = RigidTransform.exp([0.4, -0.7, 1.1, 12.0, -20.0, 15.0])


def test_a_rigid_motion_in_single_precision_changes_no_length(clean_cases, tmp_path):
    case, results, _ = clean_cases("molar-46")
    moved = moved_case(case, tmp_path / "moved", TURN, mirror=False, double=False)
    again = check_case(moved, tmp_path / "out", pictures=False).results
    one, other = lengths(results), lengths(again)
    assert one.keys() == other.keys()
    assert_allclose(list(other.values()), list(one.values()), rtol=0, atol=0.3)
    place = [TURN.apply(np.array(s["centroid_mm"])) for s in results["crown"]["spots"]]
    assert_allclose([s["centroid_mm"] for s in again["crown"]["spots"]], place, rtol=0, atol=1e-3)


def test_a_mirrored_and_moved_case_exchanges_right_and_left_and_no_length(clean_cases, tmp_path):
    """In double precision, so that only the error of the program itself is seen."""
    case, results, _ = clean_cases("molar-46")
    mirrored = moved_case(case, tmp_path / "mirrored", TURN, mirror=True, double=True)
    again = check_case(mirrored, tmp_path / "out", pictures=False).results
    one, other = lengths(results), lengths(again, mirror=True)
    assert one.keys() == other.keys()
    names = sorted(one)
    assert_allclose([other[n] for n in names], [one[n] for n in names], rtol=0, atol=0.1)


def test_the_files_of_a_case_are_only_read(clean_runs):
    run = clean_runs("molar-46")
    assert any(path.name == "molar-46.ply" for path in run.before)
    assert contents(run.case.parent) == run.before
