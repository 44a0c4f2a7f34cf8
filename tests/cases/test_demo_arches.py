"""Laws of the demo arches: what is promised of the files holds for the files."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose

from demo_arches.model import cases
from demo_arches.model.fields import occlusal_height
from demo_arches.model.motion import pose
from demo_arches.model.surface import Field, contour, oriented
from demo_arches.model.teeth import SIZES, build_arch, shape_of
from demo_arches.noise import CASES, FOLDER, clean_twin, noisy_twin, read_ply, scan_noise, scans_of

FACES_UM = 2.0
"""What the least gap of the crown's vertices to a scan may differ from the truth's, which is over
the crown's faces and the implicit surface: both meshes' faces leave it by up to 0.65 um."""

ARCHES = ("upper_a.ply", "lower_a.ply", "upper_b.ply", "lower_b.ply")


def truth(name: str) -> dict:
    return json.loads((FOLDER / f"{name}.truth.json").read_text())


def edges(faces):
    e = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return np.unique(e, axis=0, return_counts=True)


def test_all_files_are_there_and_small():
    for name in CASES:
        case = tomllib.loads((FOLDER / f"{name}.toml").read_text())
        assert case["id"] == name
        for file in (*scans_of(name), case["crown"]["mesh"]):
            assert (FOLDER / file).is_file()
    shipped = sum(f.stat().st_size for f in FOLDER.rglob("*") if f.is_file() and f.suffix != ".pyc")
    assert shipped < 20e6


@pytest.mark.parametrize("file", ARCHES)
def test_an_arch_is_one_open_manifold_piece_of_the_promised_size(file):
    vertices, faces = read_ply(FOLDER / file)
    assert 150_000 <= len(faces) <= 200_000
    assert np.abs(vertices).max() < 200
    edge, count = edges(faces)
    assert count.max() == 2
    rim = edge[count == 1]
    order = np.bincount(rim.ravel())
    assert set(np.unique(order)) <= {0, 2}
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_winding_consistent
    assert len(trimesh.graph.connected_components(rim, min_len=1)) == 1
    assert len(np.unique(np.sort(faces, axis=1), axis=0)) == len(faces)
    angles = np.degrees(mesh.face_angles.min(axis=1))
    assert np.mean(angles < 15) < 1e-3


@pytest.mark.parametrize("name", CASES)
def test_a_crown_is_watertight_and_faces_out(name):
    vertices, faces = read_ply(FOLDER / "crowns" / f"{name}.ply")
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert 20_000 <= len(faces) <= 60_000
    assert 60 < mesh.volume < 900


def test_noise_is_a_function_of_faces_and_seed_with_zero_mean_and_the_wanted_size():
    _v, faces = read_ply(FOLDER / "bite_left_a.ply")
    n = int(faces.max()) + 1
    a, b = scan_noise(n, faces, 3, 8.0), scan_noise(n, faces, 3, 8.0)
    assert np.array_equal(a, b)
    assert_allclose(a.std(), 0.008, rtol=1e-12, atol=0)
    assert_allclose(a.mean(axis=0), 0, rtol=0, atol=1e-15)
    assert not np.allclose(a, scan_noise(n, faces, 4, 8.0), rtol=0, atol=1e-4)


def test_noise_is_correlated_between_neighbours():
    vertices, faces = read_ply(FOLDER / "bite_left_a.ply")
    noise = scan_noise(len(vertices), faces, 1, 5.0)
    r = np.mean(noise[faces[:, 0]] * noise[faces[:, 1]]) / 0.005**2
    assert 0.6 < r < 0.95


def test_a_clean_twin_lies_on_the_implicit_teeth(tmp_path):
    """Vertices less their noise lie on the surface within the rounding of float32."""
    from demo_arches.build import fields_of, natural_arches

    upper, lower, wear = natural_arches()
    _u, _w, fu, fl, _tu, _tl = fields_of("a", upper, lower, wear)
    clean_twin("molar-46", tmp_path)
    for jaw, field in (("upper", fu), ("lower", fl)):
        vertices, _ = read_ply(tmp_path / f"{jaw}_a.ply")
        T = np.linalg.inv(cases.T_FILE_JAW[jaw])
        some = vertices[::9] @ T[:3, :3].T + T[:3, 3]
        f, g = field.gradient(some)
        off = np.abs(f) / np.linalg.norm(g, axis=1)
        assert off.max() < 5e-5
    rng = np.random.default_rng(0)
    assert np.abs(fu.value(some + rng.normal(0, 0.05, some.shape))).max() > 1e-3


def test_a_noisy_twin_has_other_noise_of_the_same_size(tmp_path):
    noisy_twin("premolar-24", tmp_path / "n", 7)
    clean_twin("premolar-24", tmp_path / "c")
    for file in scans_of("premolar-24"):
        a, b = (read_ply(tmp_path / k / file)[0] for k in ("n", "c"))
        sigma = truth("premolar-24")["noise"][file]["sigma_um"]
        assert_allclose((a - b).std(), 1e-3 * sigma, rtol=1e-3, atol=0)


def test_building_is_deterministic_on_one_tooth():
    def one():
        arch = build_arch("lower", 22)
        field = Field(arch.arrays([arch.index(36)]), what="teeth")
        low = arch.origin[arch.index(36)] - [7, 7, 9]
        return np.asarray(contour(field.value, (low, low + np.array([14, 14, 12])), 0.5).points)

    assert np.array_equal(one(), one())


def test_occlusal_height_is_highest_near_its_cusps():
    shape = shape_of("lower", 6)
    lobes, grooves = np.zeros((9, 12)), np.zeros((9, 6))
    lobes[: len(shape.lobes)], grooves[: len(shape.grooves)] = shape.lobes, shape.grooves
    pit = occlusal_height(0.0, 0.0, lobes, grooves, shape.kappa)
    for k in shape.cusps.values():
        m, b = shape.lobes[k][:2]
        assert occlusal_height(m, b, lobes, grooves, shape.kappa) > pit + 0.5


@pytest.mark.parametrize(("jaw", "number"), [(j, n) for j in SIZES for n in range(1, 8)])
def test_a_tooth_has_the_handbook_size(jaw, number):
    """Mesiodistal and buccolingual widths within 6 % of the handbook table."""
    arch = build_arch(jaw, 3)
    quadrant = 1 if jaw == "upper" else 4
    row = arch.index(10 * quadrant + number)
    field = Field(arch.arrays([row]), what="teeth")
    low = np.array([-6.5, -7.0, -13.0])

    def value(local):
        return field.value(arch.origin[row] + local @ arch.axes[row])

    points = np.asarray(contour(value, (low, [6.5, 7.0, 2.0]), 0.2).points)
    points = points[points[:, 2] > -arch.shapes[row].length]
    _length, md, _neck, bl = SIZES[jaw][number]
    assert_allclose(np.ptp(points[:, 0]), md, rtol=0.06, atol=0)
    assert_allclose(np.ptp(points[:, 1]), bl, rtol=0.06, atol=0)


@pytest.mark.parametrize("movement", ["protrusion", "laterotrusion_right", "laterotrusion_left"])
def test_built_in_kinematics_agree_with_the_engine(movement):
    from occlusim.jaw.guidance import GuidanceSettings, condyle_paths

    settings = GuidanceSettings.from_degrees(inclination_plane="occlusal")
    right, left = condyle_paths(movement, [2.5], settings, 52.5)
    T = pose(movement, 2.5, 0.013)
    for start, end in ((52.5, right[0]), (-52.5, left[0])):
        assert_allclose(T[:3, :3] @ [start, 0, 0] + T[:3, 3], end, rtol=0, atol=1e-10)


@pytest.mark.parametrize("name", CASES)
def test_the_recorded_gap_of_the_truth_is_that_of_the_files(name, tmp_path):
    """The least gap of the shipped crown to the clean antagonist at the true bite."""
    igl = pytest.importorskip("igl")
    clean_twin(name, tmp_path)
    t = truth(name)
    case = tomllib.loads((FOLDER / f"{name}.toml").read_text())
    crown, _ = read_ply(tmp_path / case["crown"]["mesh"])
    T = np.array(t["T_upper_lower"])
    if int(case["crown"]["tooth"]) < 30:
        T = np.linalg.inv(T)
        other = case["scans"]["lower"]
    else:
        other = case["scans"]["upper"]
    v, f = read_ply(tmp_path / other)
    p = np.ascontiguousarray(crown @ T[:3, :3].T + T[:3, 3])
    d = igl.signed_distance(p, v, f.astype(np.int64),
                            sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL)[0]  # fmt: skip
    assert_allclose(1e3 * d.min(), t["recorded_gap_um"], rtol=0, atol=FACES_UM)


def test_the_cases_hold_what_they_are_named_for():
    high = truth("molar-46")["spots"]
    assert sorted(s["movement"].split("_")[0] for s in high) == ["centric", "centric",
                                                                 "laterotrusion"]  # fmt: skip
    centres = np.array([s["centroid_mm"] for s in high])
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    assert apart[np.triu_indices(3, 1)].min() > 2.0
    side = next(s for s in high if s["movement"] != "centric")
    assert side["depth_by_movement_um"]["centric"] < 5
    one = truth("premolar-24")["spots"]
    assert len(one) == 1
    assert one[0]["movement"] != "centric"
    assert abs(truth("premolar-24")["recorded_gap_um"]) < 1.0
    # Lowered by 120 um at its vertices; the truth is the least over its faces.
    assert_allclose(truth("molar-36-low")["recorded_gap_um"], 120.0, rtol=0, atol=2.0)
    assert truth("molar-16-clean")["spots"] == []
    assert 5.0 < truth("molar-16-clean")["recorded_gap_um"] < 15.0
    for name in CASES:
        assert min(truth(name)["spare_elsewhere_um"].values()) > 0


@pytest.mark.slow
@pytest.mark.parametrize("pair", ["a", "b"])
def test_anatomy_lies_within_published_ranges(pair):
    """Sources: see benchmarks/anatomy.py, which prints the same numbers."""
    from benchmarks.anatomy import measure

    r = measure(pair)
    two = 2.0  # standard deviations
    assert abs(r["width_upper_mm"] - 57.92) < two * 4.75
    assert abs(r["width_lower_mm"] - 54.19) < two * 5.31
    assert abs(r["depth_upper_mm"] - 31.59) < two * 2.90
    assert abs(r["depth_lower_mm"] - 28.10) < two * 2.59
    assert 1.95 <= r["overbite_mm"] <= 3.0
    assert 1.95 <= r["overjet_mm"] <= 3.2
    assert 139.2 - 13.9 < r["first_molar_cusp_to_cusp_deg"] < 139.2 + 13.9
    skip = {"a": (24, 34, 46, 16), "b": (16, 36, 46, 26)}[
        pair
    ]  # prepared, or opposite such a tooth
    counts = {n: len(a) for n, a in r["contacts"].items() if n not in skip}
    assert np.median([c for n, c in counts.items() if n % 10 in (4, 5)]) >= 2
    assert np.median([c for n, c in counts.items() if n % 10 in (6, 7)]) >= 3
    assert min(c for n, c in counts.items() if n % 10 >= 4) >= 2
    assert 100.0 <= r["sphere_radius_mm"] <= 112.0


def test_faces_point_out_of_the_teeth():
    arch = build_arch("upper", 3)
    field = Field(arch.arrays([0]), what="teeth")
    low = arch.origin[0] - [7, 7, 6]
    poly = contour(field.value, (low, low + np.array([14, 14, 9])), 0.5)
    faces = oriented(field.gradient, np.asarray(poly.points), poly.faces.reshape(-1, 4)[:, 1:])
    tri = np.asarray(poly.points)[faces]
    n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    _f, g = field.gradient(tri.mean(axis=1))
    assert np.mean(np.einsum("ij,ij->i", n, g) > 0) > 0.999
