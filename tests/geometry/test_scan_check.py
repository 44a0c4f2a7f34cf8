"""What is wrong with a scan is found, counted and placed; what is right is left alone."""

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes

from occlusim.errors import MeshError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.scan_check import check_scan, clean_scan
from occlusim.geometry.scan_parts import outer_side, scan_parts, spikes
from occlusim.geometry.transform import RigidTransform


def codes(mesh: TriangleMesh, role: str = "") -> dict[str, str]:
    return {finding.code: finding.severity for finding in check_scan(mesh, role)}


def counts(mesh: TriangleMesh, role: str = "") -> dict[str, int]:
    return {finding.code: finding.count for finding in check_scan(mesh, role)}


def ball(radius: float = 4.0, subdivisions: int = 3) -> TriangleMesh:
    made = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    return TriangleMesh(made.vertices, made.faces)


def grid_faces(n: int, m: int) -> np.ndarray:
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a = (i * m + j).reshape(-1)
    return np.concatenate([np.stack([a, a + m, a + 1], 1), np.stack([a + 1, a + m, a + m + 1], 1)])


def swept(section: np.ndarray, wave_mm: float = 0.0, span: float = np.pi) -> TriangleMesh:
    """Sweep a section (m, 2) of (outwards, up) along a parabola-like arch of `span` radians."""
    n = 160
    t = np.linspace(-0.5 * span, 0.5 * span, n)
    path = np.stack([25.0 * np.sin(t), 40.0 * np.cos(t)], axis=1)
    out = np.stack([np.sin(t) / 25.0, np.cos(t) / 40.0], axis=1)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    teeth = 1.0 + 0.2 * np.cos(t * 25.0)[:, None] * (section[:, 1] > 3.0)
    xy = path[:, None, :] + section[None, :, 0, None] * out[:, None, :]
    z = section[None, :, 1] * teeth + wave_mm * np.sin(3.0 * t)[:, None]
    vertices = np.concatenate([xy, z[:, :, None]], axis=2).reshape(-1, 3)
    mesh = TriangleMesh(vertices, grid_faces(n, len(section)))
    top = np.argmax(mesh.vertices[mesh.faces].mean(axis=1)[:, 2])
    return mesh if mesh.face_vectors()[top, 2] > 0 else flipped(mesh)


def flipped(mesh: TriangleMesh) -> TriangleMesh:
    return TriangleMesh(mesh.vertices, mesh.faces[:, ::-1])


def palate(depth_mm: float) -> TriangleMesh:
    """Return a ridge with the vault behind it, teeth up: the vault lies below the border."""
    t = np.linspace(0.0, np.pi, 121)[:, None]
    u = np.concatenate([np.linspace(0.02, 0.6, 25), np.linspace(0.61, 1.0, 70)])[None, :]
    border = np.stack([30.0 * np.cos(t), 48.0 * np.sin(t)], axis=2)
    length = np.linalg.norm(border, axis=2)
    inwards = (1.0 - u) * length
    ridge = 9.0 / (1.0 + ((inwards - 6.5) / 3.8) ** 12)
    vault = depth_mm * np.sin(0.5 * np.pi * np.clip((inwards - 10.0) / (length - 10.0), 0.0, 1.0))
    vertices = np.concatenate([u[..., None] * border, (ridge - vault)[..., None]], axis=2)
    mesh = TriangleMesh(vertices.reshape(-1, 3), grid_faces(121, 95))
    return mesh if mesh.face_vectors()[:, 2].sum() > 0 else flipped(mesh)


U = np.linspace(0.0, 1.0, 33)[:, None]
RIDGE = np.concatenate(
    [[5.0, 0.0] + U * [-1.0, 9.0], [3.8, 9.0] + U * [-7.6, 0.0], [-4.0, 9.0] + U * [-1.0, -9.0]]
)
LOWER = swept(RIDGE, wave_mm=1.5)
PALATE = palate(depth_mm=18.0)
QUADRANT = swept(RIDGE, wave_mm=1.0, span=0.7)
BUCCAL = swept(np.stack([4.0 + 1.5 * np.sin(np.pi * U[:, 0]), 9.0 * U[:, 0]], axis=1), span=0.9)
OPEN = {"horseshoe": LOWER, "palate": PALATE, "quadrant": QUADRANT, "buccal bite": BUCCAL}


def test_a_closed_ball_has_nothing_wrong():
    for role in ("", "crown"):
        assert codes(ball(), role) == {"closed": "info"}


@pytest.mark.parametrize("name", OPEN)
@pytest.mark.parametrize("pose", [np.zeros(6), np.array([1.0, 2.0, -0.5, 300.0, -80.0, 40.0])])
def test_open_scans_know_their_outer_side_in_any_pose(name, pose):
    mesh = OPEN[name].transformed(RigidTransform.exp(pose))
    out = outer_side(scan_parts(mesh), 0)
    assert out > 0.05
    assert_allclose(outer_side(scan_parts(flipped(mesh)), 0), -out, rtol=0.2, atol=0)


def test_inside_out_arches_and_crowns_are_errors_and_bites_warnings():
    assert codes(flipped(LOWER), "lower")["inside_out"] == "error"
    assert codes(flipped(PALATE), "upper")["inside_out"] == "error"
    assert codes(flipped(ball()), "crown")["inside_out"] == "error"
    assert codes(flipped(BUCCAL), "bite")["inside_out"] == "warning"
    for mesh, role in ((LOWER, "lower"), (PALATE, "upper"), (BUCCAL, "bite")):
        assert "inside_out" not in codes(mesh, role)


def test_a_dome_is_closed_over_its_border():
    """Half a ball and its disc: 6 sqrt(pi) V / A^1.5 = 4 / sqrt(27), wherever it lies."""
    n, m = 120, 60
    polar, around = np.meshgrid(
        np.linspace(1e-3, np.pi / 2, m), np.linspace(0, 2 * np.pi, n), indexing="ij"
    )
    around[:, -1] = 0.0
    ball_ = [np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar)]
    dome = TriangleMesh(np.stack(ball_, axis=2).reshape(-1, 3) + 100.0, grid_faces(m, n))
    assert_allclose(abs(outer_side(scan_parts(dome), 0)), 4 / np.sqrt(27), rtol=0.01, atol=0)


def test_a_flat_sheet_has_no_known_outer_side():
    x, y = np.meshgrid(np.linspace(0, 20, 30), np.linspace(0, 12, 20), indexing="ij")
    flat = TriangleMesh(np.stack([x, y, 0 * x], axis=2).reshape(-1, 3), grid_faces(30, 20))
    assert outer_side(scan_parts(flat), 0) == 0.0


@pytest.mark.parametrize(
    ("factor", "unit"), [(1e-3, '"m"'), (1 / 25.4, '"inch"'), (0.1, '"cm"'), (1e3, '"um"')]
)
def test_another_unit_is_told_by_the_size(factor, unit):
    for mesh, role in ((LOWER, "lower"), (ball(), "crown")):
        found = check_scan(TriangleMesh(mesh.vertices * factor, mesh.faces), role)
        assert found[0].code == "unit"
        assert found[0].severity == "error"
        assert unit in found[0].message
    assert "unit" not in codes(LOWER, "lower")


def test_a_size_that_fits_no_unit_is_a_warning():
    assert codes(TriangleMesh(LOWER.vertices * 3.0, LOWER.faces), "lower")["size"] == "warning"


def test_few_turned_faces_are_turned_back_and_many_are_an_error():
    mesh = ball(subdivisions=4)
    faces = mesh.faces.copy()
    few = np.array([7, 8, 900])
    faces[few] = faces[few][:, ::-1]
    broken = TriangleMesh(mesh.vertices, faces)
    findings = check_scan(broken, "crown")
    assert counts(broken, "crown")["faces_turned"] == 3
    cleaned = clean_scan(broken, findings)
    assert codes(cleaned.mesh, "crown") == {"closed": "info"}
    assert_allclose(cleaned.mesh.volume(), mesh.volume(), rtol=1e-12, atol=0)
    assert [finding.code for finding in cleaned.left_out] == ["turned_back"]
    many = np.flatnonzero(mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 2.0)
    faces = mesh.faces.copy()
    faces[many] = faces[many][:, ::-1]
    found = codes(TriangleMesh(mesh.vertices, faces), "crown")
    assert found["faces_inconsistent"] == "error"
    assert counts(TriangleMesh(mesh.vertices, faces), "crown")["faces_inconsistent"] == len(many)


def test_a_one_sided_band_cannot_agree():
    n = 40
    t = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    w = np.array([-2.0, 2.0])
    r = 10.0 + w[None, :] * np.cos(t / 2)[:, None]
    x, y = r * np.cos(t)[:, None], r * np.sin(t)[:, None]
    z = w[None, :] * np.sin(t / 2)[:, None]
    vertices = np.stack([x, y, z], axis=2).reshape(-1, 3)
    i = np.arange(n)
    a, b = 2 * i, 2 * i + 1
    c, d = np.append(a[1:], 1), np.append(b[1:], 0)
    faces = np.concatenate([np.stack([a, c, b], 1), np.stack([b, c, d], 1)])
    found = [f for f in check_scan(TriangleMesh(vertices, faces)) if "inconsistent" in f.code]
    assert "one side only" in found[0].message


def test_borders_are_counted_and_measured():
    made = trimesh.creation.cylinder(radius=4.0, height=8.0, sections=64)
    faces = made.faces[np.abs(made.face_normals[:, 2]) < 0.5]
    tube = TriangleMesh(made.vertices, faces)
    parts = scan_parts(tube)
    rim = 2.0 * 64 * 4.0 * np.sin(np.pi / 64)
    assert_allclose(parts.loop_length_mm, [rim, rim], rtol=1e-9, atol=0)
    assert codes(tube, "crown")["crown_open"] == "warning"
    assert counts(tube, "crown")["crown_open"] == 2
    assert counts(tube, "bite")["holes"] == 1
    assert "closed" not in counts(tube, "bite")


def test_degenerate_and_duplicate_faces_and_specks_are_listed_and_left_out():
    arch = LOWER
    speck = ball(radius=0.2, subdivisions=1)
    n = len(arch.vertices)
    faces = np.concatenate(
        [
            arch.faces,
            arch.faces[:3],
            arch.faces[5:7, [1, 2, 0]],
            [[4, 4, 9]],
            speck.faces + n,
        ]
    )
    vertices = np.concatenate([arch.vertices, np.add(speck.vertices, [0.0, 0.0, 30.0])])
    dirty = TriangleMesh(vertices, faces)
    found = check_scan(dirty, "lower")
    assert {f.code: f.count for f in found if f.severity == "warning"} == {
        "duplicate_faces": 5,
        "degenerate_faces": 1,
        "specks": 1,
    }
    assert "30.0) mm" in next(f.message for f in found if f.code == "specks")
    cleaned = clean_scan(dirty, found)
    assert_array_equal(cleaned.mesh.vertices, arch.vertices)
    assert_array_equal(cleaned.mesh.faces, arch.faces)
    assert_array_equal(cleaned.vertex, np.arange(n))
    assert_array_equal(cleaned.face, np.arange(len(arch.faces)))
    assert {f.code: f.count for f in cleaned.left_out} == {
        "left_out_duplicate_faces": 5,
        "left_out_degenerate_faces": 1,
        "left_out_specks": len(speck.faces),
    }


def test_a_sound_scan_is_not_touched():
    cleaned = clean_scan(LOWER, check_scan(LOWER, "lower"))
    assert cleaned.mesh is LOWER
    assert cleaned.left_out == ()
    named_nothing = clean_scan(TriangleMesh(LOWER.vertices, np.repeat(LOWER.faces, 2, axis=0)), ())
    assert len(named_nothing.mesh.faces) == 2 * len(LOWER.faces)


def test_spikes_are_found_alone_and_left_out_of_arches_but_not_of_crowns():
    mesh = ball(subdivisions=4)
    vertices = mesh.vertices.copy()
    vertices[[10, 500]] *= [[1.3], [0.7]]
    spiky = TriangleMesh(vertices, mesh.faces)
    assert_array_equal(spikes(scan_parts(spiky)), [10, 500])
    found = check_scan(spiky, "lower")
    assert {f.code: f.count for f in found}["spikes"] == 2
    cleaned = clean_scan(spiky, found)
    assert not np.isin([10, 500], cleaned.vertex).any()
    assert len(mesh.faces) - len(cleaned.mesh.faces) <= 12
    assert len(clean_scan(spiky, check_scan(spiky, "crown")).mesh.faces) == len(mesh.faces)
    assert len(spikes(scan_parts(LOWER))) == 0


def test_noise_of_a_scanner_makes_no_spikes(rng):
    mesh = ball(subdivisions=5)  # edges of 0.15 mm, a fine scan
    noisy = mesh.with_vertices(mesh.vertices + rng.normal(scale=0.015, size=mesh.vertices.shape))
    assert len(spikes(scan_parts(noisy))) == 0


def test_three_faces_at_an_edge_and_touching_sheets_are_named():
    mesh = ball()
    fin = np.array([[*mesh.faces[0, [0, 1]], len(mesh.vertices)]])
    vertices = np.concatenate([mesh.vertices, [[0.0, 0.0, 8.0]]])
    finned = TriangleMesh(vertices, np.concatenate([mesh.faces, fin]))
    assert counts(finned)["crowded_edges"] == 1
    other = ball()
    top = np.argmax(mesh.vertices[:, 0])
    bottom = np.argmin(other.vertices[:, 0])
    moved = other.vertices + (mesh.vertices[top] - other.vertices[bottom])
    moved[bottom] = mesh.vertices[top]
    pair = TriangleMesh(
        np.concatenate([mesh.vertices, moved]),
        np.concatenate([mesh.faces, other.faces + len(mesh.vertices)]),
    )
    found = counts(pair)
    assert found["coincident_vertices"] == 1
    assert found["touching_vertices"] == 1


def test_slivers_pieces_and_loose_vertices_are_told():
    mesh = ball()
    vertices = np.concatenate(
        [mesh.vertices, np.add(mesh.vertices, [20.0, 0.0, 0.0]), np.full((1, 3), 9.0)]
    )
    n = len(mesh.vertices)
    pair = TriangleMesh(vertices, np.concatenate([mesh.faces, mesh.faces + n]))
    assert counts(pair)["pieces"] == 2
    assert counts(pair)["unused_vertices"] == 1
    assert "pieces" not in counts(mesh)
    thin = np.array([[0.0, 0, 0], [30, 0, 0], [15, 0.1, 0], [15, 20, 0], [15, 0.05, 9]])
    sliver = TriangleMesh(thin, np.array([[0, 1, 2], [0, 2, 3]]))
    assert counts(sliver)["slivers"] == 1


def test_a_mesh_without_any_area_and_an_unknown_role_are_errors():
    line = TriangleMesh(np.array([[0.0, 0, 0], [10, 0, 0], [20, 0, 0]]), np.array([[0, 1, 2]]))
    assert codes(line)["no_area"] == "error"
    with pytest.raises(MeshError, match="'tooth' given, one of 'upper'"):
        check_scan(ball(), "tooth")


def test_findings_come_worst_first_and_move_with_the_mesh():
    mesh = flipped(LOWER)
    severities = [finding.severity for finding in check_scan(mesh, "lower")]
    assert severities == sorted(severities, key=("error", "warning", "info").index)
    moved = mesh.transformed(RigidTransform.exp([0.3, -0.2, 1.0, 50.0, 20.0, -9.0]))
    assert counts(moved, "lower") == counts(mesh, "lower")


def two(a, b):
    """Return two meshes as one file holds them."""
    return TriangleMesh(
        np.concatenate([a.vertices, b.vertices]),
        np.concatenate([a.faces, b.faces + len(a.vertices)]).astype(np.int32),
    )


def turned_over(mesh):
    return TriangleMesh(mesh.vertices, mesh.faces[:, ::-1])


@pytest.mark.parametrize("inner_first", [True, False])
def test_a_crown_s_shells_are_told_apart(inner_first):
    """One within the other, as a cavity or as material counted twice; two beside each other."""
    outer, inner = shapes.sphere(4.0, 8), shapes.sphere(3.0, 8)
    beside = outer.with_vertices(outer.vertices + np.array([9.0, 0.0, 0.0]))

    def said(a, b):
        return counts(two(b, a) if inner_first else two(a, b), "crown")

    cavity = said(outer, turned_over(inner))
    assert cavity["crown_cavity"] == 1
    assert "crown_nested" not in cavity
    twice = said(outer, inner)
    assert twice["crown_nested"] == 1
    assert "crown_cavity" not in twice
    apart = said(outer, beside)
    assert apart["crown_pieces"] == 2
    assert not {"crown_nested", "crown_cavity"} & set(apart)
    swapped = said(turned_over(outer), inner)
    assert "inside_out" in swapped
    assert not {"crown_nested", "crown_cavity", "crown_pieces"} & set(swapped)


def test_a_second_shell_that_looks_outwards_stops_the_run():
    mesh = two(shapes.sphere(4.0, 8), shapes.sphere(3.0, 8))
    errors = [f.code for f in check_scan(mesh, "crown") if f.severity == "error"]
    assert errors == ["crown_nested"]


def test_specks_of_a_crown_are_said_to_be_kept():
    speck = shapes.sphere(0.1, 2)
    mesh = two(shapes.sphere(4.0, 8), speck.with_vertices(speck.vertices + 6.0))
    words = {role: message(mesh, role) for role in ("crown", "upper")}
    assert "kept" in words["crown"]
    assert "left out" not in words["crown"]
    assert "left out" in words["upper"]


def message(mesh, role):
    return next(f.message for f in check_scan(mesh, role) if f.code == "specks")
