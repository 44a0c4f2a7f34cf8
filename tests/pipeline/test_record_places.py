"""Where a record is judged, and which side a bite scan shows, whatever its file is called."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import frame_from_condyles
from occlusim.jaw.landmarks import Landmarks
from occlusim.pipeline.record_places import name_findings, places_of, sides_shown

INCISAL, RIGHT, LEFT = (0.0, 85.0, -35.0), (24.0, 45.0, -33.0), (-24.0, 45.0, -33.0)
FRAME = frame_from_condyles(
    (50.0, 0.0, 0.0), (-50.0, 0.0, 0.0), Landmarks(*(np.array(p) for p in (INCISAL, RIGHT, LEFT)))
)
T_UPPER_LOWER = RigidTransform(np.eye(3), np.array([0.0, 0.0, 2.0]))


def _teeth(upper, lower):
    """Teeth whose centroid tells their number: x = 10 times the position, right positive."""

    def place(tooth):
        side = 1.0 if tooth // 10 in (1, 4) else -1.0
        return np.array([side * 10.0 * (tooth % 10), float(tooth), -30.0])

    def arch(teeth):
        return SimpleNamespace(centroids={tooth: place(tooth) for tooth in teeth})

    return SimpleNamespace(upper=arch(upper), lower=arch(lower))


def _inputs(crown=None, bites=(), files=()):
    crowns = () if crown is None else (crown,)
    return SimpleNamespace(crowns=crowns, bites=bites, bite_files=files)


def _crown(*teeth, x):
    """A crown of some teeth whose middle lies at x."""
    mesh = SimpleNamespace(vertices=np.array([[x - 1.0, 50.0, -30.0], [x + 1.0, 50.0, -30.0]]))
    spec = SimpleNamespace(iso=teeth, is_upper=teeth[0] < 30)
    return SimpleNamespace(spec=spec, surface=SimpleNamespace(mesh=mesh))


def _turned(*crowns):
    """Inputs that can be turned to each of some crowns."""

    def for_crown(index):
        one = crowns[index]
        return SimpleNamespace(crown_spec=one.spec, crown=one.surface)

    return SimpleNamespace(crowns=crowns, for_crown=for_crown)


@pytest.mark.parametrize(
    ("upper", "lower", "teeth"),
    [
        ((16, 26), (46, 36), (46, 36)),
        ((16, 26), (46, 37), (46, 26)),
        ((17,), (47, 38), (47, 38)),
        ((17,), (35,), (17, 0)),
    ],
)
def test_the_first_molar_or_the_nearest_behind_it_stands_for_a_side(upper, lower, teeth):
    places = places_of(_inputs(), T_UPPER_LOWER, FRAME, _teeth(upper, lower))
    assert [place.name for place in places] == ["right_first_molar", "left_first_molar"]
    assert tuple(place.tooth for place in places) == teeth
    for place, landmark, side in zip(places, (RIGHT, LEFT), ("right", "left"), strict=True):
        if place.tooth:
            assert place.words == str(place.tooth)
            lifted = 2.0 if place.tooth > 30 else 0.0  # lower teeth are carried by the record
            assert_allclose(place.point[1:], [place.tooth, -30.0 + lifted], rtol=0, atol=1e-12)
        else:
            assert place.words == f"the last lower tooth on the {side}"
            assert_allclose(place.point, landmark, rtol=0, atol=0)


@pytest.mark.parametrize(("tooth", "is_upper"), [(46, False), (16, True)])
def test_a_crown_is_a_place_and_stands_for_its_tooth(tooth, is_upper):
    inputs = _turned(_crown(tooth, x=26.0))
    teeth = _teeth((16, 26), (36,) if is_upper else (46, 36))
    first, right, _ = places_of(inputs, T_UPPER_LOWER, FRAME, teeth)
    lifted = 0.0 if is_upper else 2.0
    assert (first.name, first.words) == ("crown", f"the crown ({tooth})")
    assert_allclose(first.point, [26.0, 50.0, -30.0 + lifted], rtol=0, atol=1e-12)
    assert (right.tooth, right.point.tolist()) == (tooth, first.point.tolist())


def test_further_crowns_are_places_with_their_tooth_in_the_name():
    inputs = _turned(_crown(46, x=26.0), _crown(37, 36, x=-26.0))
    first, second = places_of(inputs, T_UPPER_LOWER)
    assert (first.name, second.name, second.tooth) == ("crown", "crown_37", 37)
    assert second.words == "the crown (37, 36)"
    assert_allclose(second.point, [-26.0, 50.0, -28.0], rtol=0, atol=1e-12)


def test_without_a_jaw_only_the_crown_is_a_place():
    assert places_of(_inputs(), T_UPPER_LOWER) == ()


def _bite(points):
    points = np.asarray(points, dtype=float)
    surface = SimpleNamespace(
        mesh=SimpleNamespace(vertices=points), vertex_area_mm2=np.ones(len(points))
    )
    evidence = SimpleNamespace(
        vertex=np.arange(len(points)), n_points=len(points), T_upper_bite=RigidTransform.identity()
    )
    return surface, evidence


ROW = np.linspace(46.0, 70.0, 25)
SHOWN = {
    "right": np.column_stack([np.full(25, 22.0), ROW, np.full(25, -33.0)]),
    "left": np.column_stack([np.full(25, -22.0), ROW, np.full(25, -33.0)]),
    "front": np.column_stack([np.linspace(-12.0, 12.0, 25), np.full(25, 82.0), np.full(25, -34.0)]),
}
SHOWN["both sides"] = np.vstack([SHOWN["right"], SHOWN["left"]])


@pytest.mark.parametrize("side", SHOWN)
def test_a_bite_scan_shows_the_side_where_its_matched_surface_lies(side):
    surface, evidence = _bite(SHOWN[side])
    registration = SimpleNamespace(bites=(evidence,))
    assert sides_shown(_inputs(bites=(surface,)), registration, FRAME) == (side,)


def test_a_bite_scan_that_fits_nowhere_shows_no_side():
    surface, evidence = _bite(SHOWN["right"])
    evidence.n_points = 0
    registration = SimpleNamespace(bites=(evidence,))
    assert sides_shown(_inputs(bites=(surface,)), registration, FRAME) == (None,)


@pytest.mark.parametrize(
    ("name", "side", "n"),
    [
        ("bite_left.ply", "right", 1),
        ("BiteRight2.stl", "left", 1),
        ("BITE_LEFT.PLY", "right", 1),
        ("Bite-Right-2.stl", "left", 1),
        ("bite_left.ply", "left", 0),
        ("bite_anterior.ply", "front", 0),
        ("bite_front.ply", "right", 1),
        ("bite_right.ply", "both sides", 1),
        ("leftover.ply", "right", 0),
        ("right_left.ply", "right", 0),
        ("bite_left.ply", None, 0),
    ],
)
def test_a_file_called_after_another_side_is_a_finding(name, side, n):
    files = (SimpleNamespace(path=Path(name)),)
    found = name_findings(_inputs(files=files), (side,))
    assert len(found) == n
    for finding in found:
        assert (finding.severity, finding.code) == ("warning", "bite_side_named_otherwise")
        assert name in finding.message
