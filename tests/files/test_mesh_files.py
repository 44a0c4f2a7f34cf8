"""A mesh file gives all it holds, to the bit, or an error that names file, finding and remedy."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose, assert_array_equal

from occlusim.errors import InputError, MeshError, OutputError
from occlusim.files.inspection import inspect_mesh
from occlusim.files.mesh_files import MM_PER_UNIT, read_mesh, write_ply, write_stl
from occlusim.geometry.mesh import PaintedMesh, TriangleMesh

TETRAHEDRON = TriangleMesh(
    np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]]),
    np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]),
)
STL_TEXT = b"""solid one
 facet normal 0 0 1
  outer loop
   vertex 0 0 0
   vertex 1.5 0 0
   vertex 0 1e1 0
  endloop
 endfacet
 facet normal 0 0 1
  outer loop
   vertex 1.5 0 0
   vertex 1.5 10 0
   vertex 0 10 0
  endloop
 endfacet
endsolid one
"""
PLY_HEADER = """ply
format {style} 1.0
comment made up
element vertex 5
property double x
property float y
property int z
property uchar tooth
element face 2
property list uchar int vertex_indices
property float quality
end_header
"""
PLY_TEXT = PLY_HEADER.format(style="ascii").encode() + (
    b"0 0 0 46\n1 0 0 46\n1 1 0 47\n0 1 0 47\n0.5 2.25 0 0\n4 0 1 2 3 0.5\n3 3 2 4 0.25\n"
)
OBJ_TEXT = b"""# made up
v 0 0 0
v 1 0 0 1.0
v 1 1 0
v 0 1 0
vt 0 0
vn 0 0 1
f 1/1/1 2/1/1 3//1 -1
v 0.5 2 0
f 4 3 \\
 5
"""


def ply_binary(order: str) -> bytes:
    style = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    types = [("x", f"{order}f8"), ("y", f"{order}f4"), ("z", f"{order}i4"), ("tooth", "u1")]
    rows = np.array(
        [(0, 0, 0, 46), (1, 0, 0, 46), (1, 1, 0, 47), (0, 1, 0, 47), (0.5, 2.25, 0, 0)], dtype=types
    )
    body = rows.tobytes()
    for corners, quality in (([0, 1, 2, 3], 0.5), ([3, 2, 4], 0.25)):
        body += bytes([len(corners)]) + np.array(corners, dtype=f"{order}i4").tobytes()
        body += np.array(quality, dtype=f"{order}f4").tobytes()
    return PLY_HEADER.format(style=style).encode() + body


def stl_binary() -> bytes:
    facet = np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    rows = np.zeros(2, dtype=facet)
    rows["c"] = [[[0, 0, 0], [1.5, 0, 0], [0, 10, 0]], [[1.5, 0, 0], [1.5, 10, 0], [-0.0, 10, 0]]]
    return b"solid of course".ljust(80) + (2).to_bytes(4, "little") + rows.tobytes()


WHOLE = {
    "text.stl": STL_TEXT,
    "binary.stl": stl_binary(),
    "text.ply": PLY_TEXT,
    "little.ply": ply_binary("<"),
    "big.ply": ply_binary(">"),
    "text.obj": OBJ_TEXT,
}


def saved(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def mesh_or_refusal(path: Path) -> tuple[TriangleMesh | None, str]:
    """Return the mesh, or the words of the error; anything else that is raised fails the test."""
    try:
        return read_mesh(path).mesh, ""
    except MeshError as error:
        return None, str(error)


@pytest.mark.parametrize("name", ["text.stl", "binary.stl"])
def test_stl_corners_of_equal_coordinates_are_one_vertex(name, tmp_path):
    file = read_mesh(saved(tmp_path, name, WHOLE[name]))
    assert_array_equal(file.mesh.vertices, [[0, 0, 0], [1.5, 0, 0], [0, 10, 0], [1.5, 10, 0]])
    assert_array_equal(file.mesh.faces, [[0, 1, 2], [1, 3, 2]])


@pytest.mark.parametrize("name", ["text.ply", "little.ply", "big.ply"])
def test_ply_keeps_numbers_of_vertices_and_cuts_polygons(name, tmp_path):
    file = read_mesh(saved(tmp_path, name, WHOLE[name]))
    assert len(file.mesh.vertices) == 5
    assert len(file.mesh.faces) == 3
    assert_array_equal(file.fields["tooth"], [46, 46, 47, 47, 0])
    assert_allclose(file.mesh.face_areas().sum(), 1.0 + 0.625, rtol=1e-12, atol=0)
    assert file.is_double
    assert {remark.code for remark in file.remarks} == {"polygons_cut", "face_numbers_dropped"}


def test_obj_takes_negative_corners_slashes_and_continued_lines(tmp_path):
    file = read_mesh(saved(tmp_path, "a.OBJ", OBJ_TEXT))
    assert_allclose(file.mesh.face_areas().sum(), 1.5, rtol=1e-12, atol=0)
    assert {remark.code for remark in file.remarks} == {"polygons_cut"}


@pytest.mark.parametrize(("unit", "factor"), MM_PER_UNIT.items())
def test_units_become_mm_and_back(unit, factor, tmp_path):
    write_ply(tmp_path / "a.ply", PaintedMesh(TETRAHEDRON), float64=True, units=unit)
    file = read_mesh(tmp_path / "a.ply", units=unit)
    assert file.mm_per_unit == factor
    assert_allclose(file.mesh.vertices, TETRAHEDRON.vertices, rtol=1e-15, atol=0)
    plain = read_mesh(tmp_path / "a.ply")
    assert_allclose(plain.mesh.vertices * factor, TETRAHEDRON.vertices, rtol=1e-15, atol=0)


@pytest.mark.parametrize("name", WHOLE)
def test_a_file_cut_anywhere_gives_its_mesh_or_a_named_error(name, tmp_path):
    data = WHOLE[name]
    whole = read_mesh(saved(tmp_path, name, data)).mesh
    n_read = 0
    for length in range(len(data)):
        path = saved(tmp_path, name, data[:length])
        mesh, words = mesh_or_refusal(path)
        if mesh is None:
            assert str(path) in words
            assert "What to do:" in words
        else:
            n_read += 1
            assert length >= len(data) - 30, "a file that was cut off was taken for whole"
            assert len(mesh.faces) <= len(whole.faces)
    assert n_read <= {"binary.stl": 0, "little.ply": 0, "big.ply": 0}.get(name, 14)


@settings(max_examples=150)
@given(st.sampled_from(sorted(WHOLE)), st.data())
def test_a_file_with_changed_bytes_gives_a_mesh_or_a_named_error(tmp_path_factory, name, data):
    raw = bytearray(WHOLE[name])
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path = saved(tmp_path_factory.getbasetemp(), f"changed-{name}", bytes(raw))
    mesh, words = mesh_or_refusal(path)
    assert str(path) in words if mesh is None else np.isfinite(mesh.vertices).all()


def test_an_obj_cut_among_its_faces_is_refused_or_tells_of_loose_vertices(tmp_path):
    path = tmp_path / "ball.obj"
    trimesh.creation.icosphere(subdivisions=2, radius=5.0).export(path)
    data = path.read_bytes()
    middle = data.index(b"f ") + (len(data) - data.index(b"f ")) // 2
    line_end = data.index(b"\n", middle) + 1
    for length in range(line_end - 8, line_end):
        mesh, words = mesh_or_refusal(saved(tmp_path, "cut.obj", data[:length]))
        assert mesh is None
        assert "What to do:" in words
    report = inspect_mesh(saved(tmp_path, "cut.obj", data[:line_end]))
    severity = {finding.code: finding.severity for finding in report.findings}
    assert severity["unused_vertices"] == "warning"


BAD = {
    "nan.ply": (PLY_TEXT.replace(b"0.5 2.25", b"nan 2.25"), "not a number (NaN"),
    "inf.obj": (OBJ_TEXT.replace(b"v 0.5 2", b"v inf 2"), "not a number (NaN"),
    "index.ply": (PLY_TEXT.replace(b"3 3 2 4", b"3 3 2 5"), "the first is 5"),
    "index.obj": (OBJ_TEXT.replace(b"f 4 3", b"f 9 3"), "the first is 8"),
    "negative.obj": (OBJ_TEXT.replace(b"3//1 -1", b"3//1 -9"), "corner -9"),
    "zero.obj": (OBJ_TEXT.replace(b"3//1 -1", b"3//1 0"), "corner 0"),
    "points.obj": (b"v 0 0 0\nv 1 0 0\n", "no faces: the file holds 2 points"),
    "word.obj": (OBJ_TEXT.replace(b"0.5 2 0", b"0.5 two 0"), "'two' is not a number"),
    "underscore.obj": (OBJ_TEXT.replace(b"0.5 2 0", b"1_0 2 0"), "'1_0' is not a number"),
    "short.obj": (OBJ_TEXT.replace(b"0.5 2 0", b"0.5 2"), "a vertex of 2 numbers"),
    "huge.obj": (OBJ_TEXT.replace(b"0.5 2 0", b"1e300 2 0"), "absurd"),
    "promise.ply": (PLY_TEXT.replace(b"face 2", b"face 3"), "the header promises 3 rows of 'face'"),
    "promise4e9.ply": (
        ply_binary("<").replace(b"vertex 5", b"vertex 4000000000"),
        "promises 4000000000 rows of 'vertex'",
    ),
    "more.ply": (PLY_TEXT + b"7 7 7\n", "follow the last row"),
    "more_bytes.ply": (ply_binary(">") + b"more", "4 bytes follow the last row"),
    "again.ply": (PLY_TEXT.replace(b"float y", b"float x"), "names 'x' again"),
    "noz.ply": (PLY_TEXT.replace(b"int z", b"int w"), "no vertices with x, y and z"),
    "noend.ply": (PLY_TEXT.split(b"end_header")[0], "does not end with 'end_header'"),
    "other.ply": (b"plywood\n", "does not start with the line 'ply'"),
    "type.ply": (PLY_TEXT.replace(b"double x", b"quad x"), "is no property"),
    "length.ply": (PLY_TEXT.replace(b"4 0 1 2 3", b"x 0 1 2 3"), "list length"),
    "corners.ply": (PLY_TEXT.replace(b"4 0 1 2 3", b"4 0 1.5 2 3"), "no whole numbers"),
    "promise.stl": (
        stl_binary()[:80] + (7).to_bytes(4, "little") + stl_binary()[84:],
        "promises 7 triangles, the file holds 2",
    ),
    "fewer.stl": (
        stl_binary()[:80] + (1).to_bytes(4, "little") + stl_binary()[84:],
        "counts 1 triangles, but the file has room for 2",
    ),
    "nan.stl": (STL_TEXT.replace(b"1e1", b"nan"), "not a number (NaN"),
    "two.stl": (STL_TEXT.replace(b"1.5 0 0", b"1.5 0", 1), "line 5 of a text STL"),
    "empty.stl": (b"", "empty"),
    "white.obj": (b" \n\n", "empty"),
    "empty_solid.stl": (b"solid x\nendsolid x\n", "no faces"),
    "a.step": (b"ISO-10303-21;", "unknown kind of mesh file '.step'"),
    "binary.obj": (b"v 0\0 0 0\n", "is no text"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_by_name_finding_and_remedy(name, tmp_path):
    data, words = BAD[name]
    path = saved(tmp_path, name, data)
    with pytest.raises(MeshError) as caught:
        read_mesh(path)
    assert str(path) in str(caught.value)
    assert words in str(caught.value)
    assert "What to do:" in str(caught.value)


def test_missing_files_folders_and_unknown_units_are_named(tmp_path):
    with pytest.raises(MeshError, match="there is no such file"):
        read_mesh(tmp_path / "none.stl")
    (tmp_path / "folder.stl").mkdir()
    with pytest.raises(MeshError, match="cannot be read"):
        read_mesh(tmp_path / "folder.stl")
    with pytest.raises(InputError, match="'feet' given, one of um, mm"):
        read_mesh(tmp_path / "none.stl", units="feet")
    with pytest.raises(OutputError, match="cannot be written"):
        write_stl(tmp_path / "none" / "a.stl", TETRAHEDRON)


coordinates = st.floats(-1000, 1000, width=32)


@settings(max_examples=60)
@given(
    arrays(np.float32, st.tuples(st.integers(3, 30), st.just(3)), elements=coordinates),
    st.integers(1, 20),
    st.integers(0, 2**32 - 1),
)
def test_ply_gives_back_single_precision_to_the_bit(tmp_path_factory, vertices, n_faces, seed):
    rng = np.random.default_rng(seed)
    faces = rng.integers(0, len(vertices), (n_faces, 3))
    gap = rng.normal(size=len(vertices)).astype(np.float32).astype(np.float64)
    gap[0] = np.nan
    painted = PaintedMesh(TriangleMesh(vertices.astype(np.float64), faces), {"gap_um": gap})
    colours = rng.integers(0, 256, (len(vertices), 3))
    path = tmp_path_factory.getbasetemp() / "round.ply"
    write_ply(path, painted, colours)
    file = read_mesh(path)
    assert not file.is_double
    assert file.mesh.vertices.astype(np.float32).tobytes() == vertices.tobytes()
    assert_array_equal(file.mesh.faces, faces)
    assert_array_equal(file.fields["gap_um"], gap)
    for k, name in enumerate(("red", "green", "blue")):
        assert_array_equal(file.fields[name], colours[:, k])


@settings(max_examples=60)
@given(
    arrays(np.float64, st.tuples(st.integers(3, 30), st.just(3)), elements=st.floats(-1e3, 1e3)),
    st.integers(0, 2**32 - 1),
)
def test_ply_gives_back_double_precision_to_the_bit(tmp_path_factory, vertices, seed):
    faces = np.random.default_rng(seed).integers(0, len(vertices), (4, 3))
    path = tmp_path_factory.getbasetemp() / "double.ply"
    write_ply(path, PaintedMesh(TriangleMesh(vertices, faces)), float64=True)
    file = read_mesh(path)
    assert file.is_double
    assert file.mesh.vertices.tobytes() == vertices.tobytes()


@settings(max_examples=60)
@given(
    arrays(np.float32, st.tuples(st.integers(3, 30), st.just(3)), elements=coordinates),
    st.integers(0, 2**32 - 1),
)
def test_stl_gives_back_every_corner(tmp_path_factory, vertices, seed):
    faces = np.random.default_rng(seed).integers(0, len(vertices), (9, 3))
    path = tmp_path_factory.getbasetemp() / "round.stl"
    write_stl(path, TriangleMesh(vertices.astype(np.float64), faces))
    mesh = read_mesh(path).mesh
    assert_array_equal(mesh.vertices[mesh.faces], vertices[faces].astype(np.float64))
    assert len(np.unique(mesh.vertices + 0.0, axis=0)) == len(mesh.vertices)


def test_a_single_precision_coordinate_in_inches_is_written_back_to_the_bit(rng, tmp_path):
    vertices = rng.normal(scale=3, size=(500, 3)).astype(np.float32)
    mesh = TriangleMesh(vertices.astype(np.float64), rng.integers(0, 500, (100, 3)))
    write_ply(tmp_path / "a.ply", PaintedMesh(mesh))
    file = read_mesh(tmp_path / "a.ply", units="inch")
    write_ply(tmp_path / "b.ply", PaintedMesh(file.mesh), units="inch")
    again = read_mesh(tmp_path / "b.ply", units="inch")
    assert again.mesh.vertices.tobytes() == file.mesh.vertices.tobytes()


@pytest.mark.parametrize("ending", ["ply", "stl"])
def test_another_library_reads_the_same_mesh(ending, tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=2, radius=5.0)
    mesh = TriangleMesh(ball.vertices, ball.faces)
    path = tmp_path / f"ball.{ending}"
    if ending == "ply":
        write_ply(path, PaintedMesh(mesh, {"gap_um": np.arange(len(mesh.vertices)) * 0.5}))
    else:
        write_stl(path, mesh)
    other = trimesh.load(path, process=False)
    single = mesh.vertices.astype(np.float32)
    assert_array_equal(other.vertices[other.faces], single[mesh.faces])
    if ending == "ply":
        data = other.metadata["_ply_raw"]["vertex"]["data"]
        assert_array_equal(data["gap_um"].reshape(-1), np.arange(len(mesh.vertices)) * 0.5)
    else:
        assert_allclose(other.face_normals, ball.face_normals, rtol=0, atol=1e-6)
        other.merge_vertices()
        assert other.is_watertight


@pytest.mark.parametrize("ending", ["ply", "stl", "obj"])
def test_files_of_another_library_are_read_the_same(ending, tmp_path):
    ball = trimesh.creation.icosphere(subdivisions=2, radius=5.0)
    path = tmp_path / f"ball.{ending}"
    ball.export(path)
    file = read_mesh(path)
    assert_allclose(
        file.mesh.vertices[file.mesh.faces], ball.vertices[ball.faces], rtol=0, atol=1e-6
    )
    assert len(file.mesh.vertices) == len(ball.vertices)


def test_names_that_a_ply_cannot_hold_are_refused(tmp_path):
    for name in ("two words", "x", "red", ""):
        painted = PaintedMesh(TETRAHEDRON, {name: np.zeros(4)})
        with pytest.raises(InputError, match="cannot name a vertex number"):
            write_ply(tmp_path / "a.ply", painted)
    with pytest.raises(InputError, match=r"colours of shape \(3, 3\)"):
        write_ply(tmp_path / "a.ply", PaintedMesh(TETRAHEDRON), np.zeros((3, 3), dtype=np.uint8))
