import sys
from pathlib import Path

import numpy as np
import pytest
from report.made_up import ORIENTATION, meshes, results

from occlusim.errors import OutputError
from occlusim.report.colour import GAP, REDUCTION, srgb_from_oklab
from occlusim.report.mounting_picture import AXIS_OKLAB
from occlusim.report.pictures import can_draw, contact_places, write_pictures

NAMES = ["arches.png", "crown_after.png", "crown_before.png", "crown_reduction.png"]


def stand_in(folder: Path, script: str) -> str:
    """A program that takes the place of the drawing Python."""
    path = folder / "python-stand-in"
    path.write_text(f"#!{sys.executable}\n{script}\n", encoding="utf-8")
    path.chmod(0o755)
    return str(path)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    return write_pictures(folder, results(), meshes(30), ORIENTATION)


def pixels(path: Path) -> np.ndarray:
    import pyvista as pv

    return np.asarray(pv.read(path).point_data.active_scalars)[::5, :3].astype(float)


@pytest.mark.needs_drawing
@pytest.mark.slow
def test_four_pictures_without_a_display(drawn):
    paths, findings = drawn
    assert findings == []
    assert [path.name for path in paths] == NAMES
    assert all(path.is_file() for path in paths)


@pytest.mark.needs_drawing
@pytest.mark.slow
def test_pictures_are_not_empty_and_show_the_colours_of_the_map(drawn):
    paths, _ = drawn
    for path, quantity in zip(paths, (GAP, GAP, GAP, REDUCTION), strict=True):
        shown = pixels(path)
        assert 0.05 < (shown < 250).any(axis=1).mean() < 0.95
        for end in (quantity.colours()[0], quantity.colours()[-1]):  # the number scale holds both
            assert (np.abs(shown - end).max(axis=1) < 4).sum() > 5


@pytest.mark.needs_drawing
@pytest.mark.slow
def test_before_shows_the_high_spots_that_after_does_not(drawn):
    paths, _ = drawn
    warm = {p.stem: (pixels(p) @ [1.0, 0.0, -1.0] > 60.0).sum() for p in paths}
    assert warm["crown_before"] > 1.1 * warm["crown_after"]


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a script with a first line")
@pytest.mark.parametrize(
    ("script", "reason"),
    [
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "ended its process (code -11)"),
        ("raise SystemExit('libEGL is not there')", "libEGL is not there"),
        ("pass", "nothing was drawn"),
        ("import time; time.sleep(60)", "longer than 2 s"),
    ],
)
def test_a_child_that_cannot_draw_leaves_a_finding_and_no_file(tmp_path, script, reason):
    python = stand_in(tmp_path, script)
    folder = tmp_path / "pictures"
    paths, findings = write_pictures(
        folder, results(), meshes(8), ORIENTATION, python=python, time_limit_s=2.0
    )
    assert paths == []
    assert not folder.exists()
    (finding,) = findings
    assert (finding.severity, finding.code) == ("warning", "pictures_left_out")
    assert reason in finding.message
    assert "apt-get install libegl1 libgl1 libx11-6" in finding.message


def test_a_python_that_is_not_there_is_a_finding(tmp_path):
    _, findings = write_pictures(
        tmp_path, results(), meshes(8), ORIENTATION, python=str(tmp_path / "none")
    )
    assert findings[0].code == "pictures_left_out"


def test_can_draw_says_no_where_the_child_dies(tmp_path):
    assert not can_draw(python=str(tmp_path / "none"))


@pytest.mark.needs_drawing
@pytest.mark.slow
def test_can_draw_says_yes_where_it_works():
    assert can_draw()


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a script with a first line")
def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    python = stand_in(
        tmp_path, "import sys, pathlib; (pathlib.Path(sys.argv[3]) / 'a.png').write_bytes(b'x')"
    )
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(OutputError, match="pictures cannot be written"):
        write_pictures(tmp_path / "taken", results(), meshes(8), ORIENTATION, python=python)


@pytest.mark.needs_drawing
@pytest.mark.slow
def test_the_mounting_is_drawn_where_all_its_points_are_known(tmp_path):
    known = results()
    known["mounting"] |= {
        "incisal_mm": [0.0, 40.0, -2.0],
        "right_molar_mm": [25.0, 5.0, -2.0],
        "left_molar_mm": [-25.0, 5.0, -2.0],
        "T_jaw_upper": np.eye(4).tolist(),
    }
    paths, findings = write_pictures(tmp_path, known, meshes(12), ORIENTATION)
    assert findings == []
    shown = pixels(next(path for path in paths if path.name == "mounting.png"))
    axis = 255.0 * srgb_from_oklab(np.array(AXIS_OKLAB))
    assert (np.abs(shown - axis).max(axis=1) < 4).sum() > 50


def test_contacts_are_rings_at_their_patches_and_noise_gets_none():
    pair = {"area_mm2": 0.4, "centroid_mm": [0.0, 0.0, 0.0]}
    patches = [
        {"area_mm2": 0.3, "centroid_mm": [1.0, 0.0, 0.0]},
        {"area_mm2": 0.01, "centroid_mm": [2.0, 0.0, 0.0]},
        {"area_mm2": 0.09, "centroid_mm": None},
    ]
    assert contact_places({"contacts": [pair, pair | {"patches": patches}]}) == [
        [0.0, 0.0, 0.0],
        [1.0, 0.0, 0.0],
    ]
    assert contact_places({}) == []
