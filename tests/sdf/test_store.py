"""Fields on disk: the same bits back, and nothing that is broken, foreign or malicious."""

import os

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from reference import shapes

from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.sdf import FieldCache, SdfSettings, build_sdf, field_key, load_sdf, save_sdf
from occlusim.sdf import store as sdf_store

SETTINGS = SdfSettings(voxel_mm=0.2, band_mm=0.5, fine_levels=1)
PARTS = ("lattice", "block_index", "octants", "nodes", "plane")


@pytest.fixture(scope="module")
def ball():
    return Surface.build(shapes.sphere(1.0, 10))


@pytest.fixture(scope="module")
def field(ball):
    return build_sdf(ball, SETTINGS)


def assert_same(one, two):
    assert one.band_mm == two.band_mm
    for part in PARTS:
        assert_array_equal(getattr(one, part), getattr(two, part))


def test_saved_and_loaded_is_the_same_to_the_bit(tmp_path, field, rng):
    path = tmp_path / "ball.sdf.npz"
    save_sdf(path, field, "some key")
    again = load_sdf(path, "some key")
    assert_same(field, again)
    assert_same(field, load_sdf(path))
    points = rng.uniform(-1.3, 1.3, (500, 3))
    assert_array_equal(field.sample(points), again.sample(points))
    assert list(tmp_path.iterdir()) == [path]
    with pytest.raises(ValueError, match="read-only"):
        again.nodes[0, 0] = 1


def test_the_key_knows_mesh_settings_and_meeting_places(ball):
    moved = ball.mesh.with_vertices(ball.mesh.vertices + np.array([0, 0, 1e-9]))
    turned = ball.mesh.__class__(ball.mesh.vertices, ball.mesh.faces[:, [1, 2, 0]])
    keys = [
        field_key(ball.mesh, SETTINGS),
        field_key(moved, SETTINGS),
        field_key(turned, SETTINGS),
        field_key(ball.mesh),
        field_key(ball.mesh, SETTINGS, np.zeros((2, 3))),
        field_key(ball.mesh, SETTINGS, np.zeros((3, 3))),
    ]
    assert len(set(keys)) == len(keys)
    assert field_key(ball.mesh, SETTINGS) == keys[0]
    # How much memory may be taken does not change what is built.
    roomy = SdfSettings(voxel_mm=0.2, band_mm=0.5, fine_levels=1, memory_limit_mb=99)
    assert field_key(ball.mesh, roomy) == keys[0]


def test_broken_files_are_refused_by_name(tmp_path, field):
    path = tmp_path / "ball.sdf.npz"
    with pytest.raises(InputError, match=r"ball\.sdf\.npz"):
        load_sdf(path)
    save_sdf(path, field, "key")
    whole = path.read_bytes()
    for size in (0, 10, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        with pytest.raises(InputError, match="build it again"):
            load_sdf(path)
    path.write_bytes(whole)
    with pytest.raises(InputError, match="another mesh"):
        load_sdf(path, "another key")


def rewritten(path, **changes):
    with np.load(path) as archive:
        parts = dict(archive)
    parts.update(changes)
    with path.open("wb") as file:
        np.savez(file, **parts)


def test_pickles_wrong_types_and_dangling_rows_are_refused(tmp_path, field):
    path = tmp_path / "ball.sdf.npz"
    circle = field.octants.copy()
    circle[0, 0] = -2
    outside = field.block_index.copy()
    outside.flat[0] = len(field.nodes)
    beyond = field.octants.copy()
    beyond[-1, 0] = -2 - len(field.octants)
    for changes in (
        {"nodes": np.array([{"a": 1}], dtype=object)},
        {"nodes": field.nodes.astype(np.int32)},
        {"nodes": field.nodes[:, :100]},
        {"nodes": field.nodes[:-1]},
        {"plane": field.plane[:-1]},
        {"block_index": outside},
        {"octants": circle},
        {"octants": beyond},
        {"lattice": np.full(5, np.nan)},
        {"head": np.array("[]")},
        {"head": np.array("not json")},
        {"head": np.array('{"format": 1}')},
    ):
        save_sdf(path, field)
        rewritten(path, **changes)
        with pytest.raises(InputError, match=r"ball\.sdf\.npz"):
            load_sdf(path)


class Harmful:
    """Leaves a trace when it is unpickled."""

    def __init__(self, trace):
        self.trace = trace

    def __reduce__(self):
        return (open, (str(self.trace), "w"))


def test_nothing_in_a_file_is_run(tmp_path, field):
    path = tmp_path / "ball.sdf.npz"
    for part in ("nodes", "head"):
        save_sdf(path, field)
        rewritten(path, **{part: np.array([Harmful(tmp_path / "trace")], dtype=object)})
        with pytest.raises(InputError, match="build it again"):
            load_sdf(path)
        assert not (tmp_path / "trace").exists()


def test_another_format_is_refused(tmp_path, field, monkeypatch):
    path = tmp_path / "old.sdf.npz"
    save_sdf(path, field)
    monkeypatch.setattr(sdf_store, "FORMAT", sdf_store.FORMAT + 1)
    with pytest.raises(InputError, match="format"):
        load_sdf(path)


def test_the_cache_builds_once_and_mends_what_is_broken(tmp_path, ball, field, monkeypatch):
    cache = FieldCache(tmp_path / "fields")
    assert_same(cache.field(ball, SETTINGS), field)
    (path,) = (tmp_path / "fields").iterdir()

    def refuse(*arguments):
        raise AssertionError("built again")

    with monkeypatch.context() as patch:
        patch.setattr(sdf_store, "build_sdf", refuse)
        assert_same(cache.field(ball, SETTINGS), field)
    path.write_bytes(path.read_bytes()[:100])
    assert_same(cache.field(ball, SETTINGS), field)
    assert_same(load_sdf(path), field)


def test_the_cache_drops_what_was_not_used_longest(tmp_path, ball, field):
    size_mb = 1e-6 * sum(getattr(field, part).nbytes for part in PARTS)
    cache = FieldCache(tmp_path, limit_mb=3.0 * size_mb)
    (tmp_path / "mine.txt").write_text("kept")
    meetings = [np.full((1, 3), 50.0 + k) for k in range(4)]
    plain = SdfSettings(voxel_mm=0.2, band_mm=0.5)
    paths = []
    for k, meeting in enumerate(meetings):
        cache.field(ball, SETTINGS if k < 3 else plain, meeting)
        (new,) = set(tmp_path.glob("*.npz")) - set(paths)
        paths.append(new)
        os.utime(new, (1000 + k, 1000 + k))
    cache.field(ball, SETTINGS, meetings[0])  # used again
    tight = FieldCache(tmp_path, limit_mb=1e-6 * (paths[0].stat().st_size * 2.5))
    before = {p for p in paths if p.exists()}
    tight.field(ball, SETTINGS, np.full((1, 3), 99.0))
    left = set(tmp_path.glob("*.npz"))
    assert paths[0] in left
    assert paths[1] not in left
    assert sum(p.stat().st_size for p in left) <= 1e6 * tight.limit_mb
    assert len(before) == 4
    assert (tmp_path / "mine.txt").read_text() == "kept"


def test_a_folder_that_cannot_be_written_is_done_without(tmp_path, ball, field):
    (tmp_path / "file").write_text("in the way")
    assert_same(FieldCache(tmp_path / "file" / "fields").field(ball, SETTINGS), field)
    with pytest.raises(InputError, match="limit_mb"):
        FieldCache(tmp_path, limit_mb=0)
