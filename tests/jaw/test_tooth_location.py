import numpy as np
import pytest
from jaw.arch_shapes import Arch, make_arch, mirrored
from numpy.testing import assert_allclose

from occlusim.errors import DegenerateProblem, InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import arch_of, neighbours, position_of, side_of
from occlusim.jaw.orientation import ArchOrientation
from occlusim.jaw.tooth_location import locate_teeth

AXES = ArchOrientation(
    np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]), np.array([0, 18.0, 0])
)


def other_side(tooth: int) -> int:
    return next(
        t
        for t in arch_of(upper=tooth < 30)
        if position_of(t) == position_of(tooth) and side_of(t) != side_of(tooth)
    )


def check_places(arch: Arch, found, within_mm: float = 1.5) -> None:
    assert set(found.present) == set(arch.centres)
    for tooth, centre in arch.centres.items():
        assert_allclose(found.centroids[tooth][:2], centre[:2], rtol=0, atol=within_mm)
    right = found.tooth == arch.tooth
    on_teeth = arch.tooth > 0
    # Crowns are cut at a share of their length, so some of the wall near the gum is unnamed.
    named = on_teeth & (found.tooth > 0)
    assert np.mean(right[named]) > 0.97
    high = np.abs(arch.mesh.vertices[:, 2]) < 3.0
    assert np.mean(right[on_teeth & high]) > 0.97


@pytest.mark.parametrize("upper", [True, False])
@pytest.mark.parametrize("scale", [0.92, 1.0, 1.06])
def test_a_whole_arch_is_named(upper: bool, scale: float, rng: np.random.Generator) -> None:
    arch = make_arch(upper=upper, scale=scale, rng=rng)
    found = locate_teeth(arch.mesh, AXES, upper)
    check_places(arch, found)
    assert found.confidence > 0.6


@pytest.mark.parametrize("last", [6, 8])
def test_rows_may_end_with_the_first_or_the_third_molar(last: int) -> None:
    arch = make_arch(upper=False, last=last)
    check_places(arch, locate_teeth(arch.mesh, AXES, False))


@pytest.mark.parametrize(
    ("tooth", "stump_mm"), [(46, 0.0), (36, 3.0), (45, 2.0), (47, 3.5), (34, 4.0), (43, 0.0)]
)
def test_a_crowns_neighbours_are_right_over_a_gap(tooth: int, stump_mm: float) -> None:
    whole = make_arch(upper=False)
    arch = make_arch(upper=False, missing=(tooth,), stump_mm=stump_mm)
    found = locate_teeth(
        arch.mesh, AXES, False, known={tooth: whole.centres[tooth]}, missing=(tooth,)
    )
    for name in neighbours(tooth, 2, present=tuple(arch.centres)):
        assert_allclose(found.centroids[name][:2], arch.centres[name][:2], rtol=0, atol=1.5)


@pytest.mark.parametrize("tooth", [16, 24, 21])
def test_a_crowns_neighbours_are_right_on_a_natural_tooth(tooth: int) -> None:
    arch = make_arch(upper=True)
    check_places(arch, locate_teeth(arch.mesh, AXES, True, {tooth: arch.centres[tooth]}))


def test_a_declared_gap_keeps_the_other_numbers() -> None:
    arch = make_arch(upper=False, missing=(46, 34))
    # The list is the mouth's: teeth of the other arch in it do not matter.
    found = locate_teeth(arch.mesh, AXES, False, missing=(46, 34, 16))
    check_places(arch, found)


def test_an_undeclared_gap_is_seen() -> None:
    arch = make_arch(upper=False, missing=(46,))
    check_places(arch, locate_teeth(arch.mesh, AXES, False))


@pytest.mark.slow
def test_names_move_with_the_scan_and_change_sides_in_a_mirror(rng: np.random.Generator) -> None:
    arch = make_arch(upper=False, missing=(36,), rng=rng)
    still = locate_teeth(arch.mesh, AXES, False, missing=(36,))
    for _ in range(3):
        shift = RigidTransform.exp(rng.normal(size=6) * [2, 2, 2, 60, 60, 60])
        moved = locate_teeth(
            arch.mesh.transformed(shift), AXES.transformed(shift), False, missing=(36,)
        )
        assert np.mean(moved.tooth == still.tooth) > 0.999
    mirror = locate_teeth(mirrored(arch.mesh), AXES, False, missing=(46,))
    assert set(mirror.present) == {other_side(t) for t in still.present}
    for tooth, centre in still.centroids.items():
        assert_allclose(mirror.centroids[other_side(tooth)], centre * [-1, 1, 1], rtol=0, atol=0.7)


def test_given_labels_are_used_as_they_are() -> None:
    arch = make_arch(upper=False)
    found = locate_teeth(arch.mesh, AXES, False, labels=arch.tooth)
    assert found.method == "given"
    assert found.confidence == 1.0
    assert (found.tooth == arch.tooth).all()
    assert found.present == tuple(t for t in arch_of(upper=False) if position_of(t) < 8)
    with pytest.raises(InputError, match="do not belong"):
        locate_teeth(arch.mesh, AXES, True, labels=arch.tooth)
    with pytest.raises(InputError, match="one tooth number per vertex"):
        locate_teeth(arch.mesh, AXES, False, labels=arch.tooth[:-1])


def test_wrong_teeth_and_places_are_refused() -> None:
    arch = make_arch(upper=False)
    place = arch.centres[46]
    with pytest.raises(InputError, match="lower arch"):
        locate_teeth(arch.mesh, AXES, False, {16: place})
    with pytest.raises(InputError, match="off the row of teeth"):
        locate_teeth(arch.mesh, AXES, False, {46: place + np.array([40.0, 0, 0])})


def test_one_side_alone_is_refused() -> None:
    mesh = make_arch(upper=False).mesh
    keep = (mesh.vertices[mesh.faces][:, :, 0] > 12.0).all(axis=1)
    part = mesh.submesh(np.flatnonzero(keep).astype(np.int32))[0]
    with pytest.raises(DegenerateProblem, match="reach around the front"):
        locate_teeth(part, AXES, False)
