"""Contacts kept: the published rule of the foil, the rule of the crown, patches that vanish."""

import numpy as np
import pytest
from crown.block_shapes import block
from numpy.testing import assert_allclose

from occlusim.crown.contacts_kept import (
    CrownAtLoad,
    FoilRule,
    Kept,
    Neighbour,
    contact_patches,
    counted,
    judge,
    nearest_height,
    vanished,
)
from occlusim.errors import InputError

FOIL = FoilRule()
GAP = {"holds": 0.0, "slips": 0.02, "uncertain": 0.007}


def at(load, foil, load_N=0.0, *neighbours):
    return CrownAtLoad(load, GAP[foil], load_N, foil, neighbours)


def beside(tooth=47, load_N=5.0, foil="holds", without="holds"):
    return Neighbour(tooth, load_N, float("nan"), foil, without)


@pytest.mark.parametrize(
    ("gap_um", "answer"),
    [(-5, "holds"), (6.0, "holds"), (6.01, "uncertain"), (7.99, "uncertain"), (8.0, "slips")],
)
def test_foil_of_8_um_as_published(gap_um, answer):
    assert FOIL.answer(gap_um / 1000) == answer
    assert FOIL.is_published


def test_foil_of_another_thickness_in_proportion_and_what_carries_load_holds():
    thick = FoilRule(0.012)
    assert_allclose([thick.holds_mm, thick.slips_mm], [0.009, 0.012], rtol=1e-12, atol=0)
    assert not thick.is_published
    assert FOIL.answer(0.02, load_N=0.1) == "holds"
    assert FOIL.answer(float("nan")) == "slips"
    with pytest.raises(InputError, match="thickness"):
        FoilRule(0.0)


def test_a_crown_on_a_tooth_holds_like_its_neighbours():
    good = [at(load, "holds", 3.0, beside()) for load in ("light", "heavy")]
    assert judge("tooth", *good, FOIL) == Kept(True, ())
    low = judge("tooth", at("light", "slips", 0.0, beside()), good[1], FOIL)
    assert low.met is False
    assert (low.too_loose, low.too_tight) == (True, False)
    assert "20 µm" in low.reasons[0]
    assert "tooth 47 beside it holds it" in low.reasons[0]
    props = at("light", "holds", 9.0, beside(foil="slips"))
    high = judge("tooth", props, good[1], FOIL)
    assert high.met is False
    assert (high.too_loose, high.too_tight) == (False, True)
    unknown = judge("tooth", at("light", "uncertain", 0.0, beside()), good[1], FOIL)
    assert unknown.met is None
    alone = judge("tooth", at("light", "holds", 3.0, beside(without="slips")), good[1], FOIL)
    assert alone.met is None


def test_an_implant_crown_slips_at_light_load_and_holds_at_heavy_without_carrying_more():
    heavy = at("heavy", "holds", 20.0, beside(45, 10.0), beside(47, 25.0))
    light = at("light", "slips")
    assert judge("implant", light, heavy, FOIL).met is True
    tight = judge("implant", at("light", "holds", 1.0), heavy, FOIL)
    assert tight.met is False
    assert tight.too_tight
    loaded = judge("implant", light, at("heavy", "holds", 25.5, beside(47, 25.0)), FOIL)
    assert loaded.met is False
    assert "25.5 N" in loaded.reasons[0]
    assert "tooth 47: 25.0 N" in loaded.reasons[0]
    loose = judge("implant", light, at("heavy", "slips", 0.0, beside()), FOIL)
    assert (loose.met, loose.too_loose) == (False, True)
    assert judge("implant", light, at("heavy", "holds", 5.0), FOIL).met is None
    both = judge("implant", at("light", "holds", 1.0), at("heavy", "slips", 0.0, beside()), FOIL)
    assert both.too_tight
    assert both.too_loose


def pressed(mesh, *discs):
    """Area and load of the faces of a block's top within discs (x, y, radius)."""
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    on = np.zeros(len(mesh.faces), dtype=bool)
    for x, y, radius in discs:
        on |= (np.hypot(middle[:, 0] - x, middle[:, 1] - y) < radius) & (middle[:, 2] > -0.1)
    area = np.where(on, mesh.face_areas(), 0.0)
    return area, 2.0 * area


def test_patches_are_connected_and_add_up():
    mesh = block(81, 8.0, 2.0)
    area, load = pressed(mesh, (-2, 0, 0.5), (2, 1, 0.3))
    patches = contact_patches(mesh, area, load)
    assert len(patches) == 2
    assert_allclose(sum(p.area_mm2 for p in patches), area.sum(), rtol=1e-12, atol=0)
    assert_allclose(patches[0].centroid, [-2, 0, 0], rtol=0, atol=0.02)
    assert_allclose(patches[1].load_N, 2 * np.pi * 0.09, rtol=0.1, atol=0)
    assert_allclose(patches[0].normal, [0, 0, 1], rtol=0, atol=1e-12)
    assert contact_patches(mesh, 0 * area, load) == ()
    assert len(counted(patches)) == 2
    assert counted(contact_patches(mesh, 1e-4 * area, load)) == ()


def test_a_contact_has_vanished_where_nothing_near_presses_any_more():
    mesh = block(81, 8.0, 2.0)
    before = contact_patches(mesh, *pressed(mesh, (-2, 0, 0.5), (2, 1, 0.3)))
    after = contact_patches(mesh, *pressed(mesh, (-2.4, 0, 0.3)))
    (gone,) = vanished(before, after)
    assert_allclose(gone.centroid, [2, 1, 0], rtol=0, atol=0.02)
    assert vanished(before, ()) == before
    assert vanished(before, before) == ()
    # 0.3 mm from the rim of the patch still counts, more does not.
    for x, n in ((2.75, 0), (3.1, 1)):
        other = contact_patches(mesh, *pressed(mesh, (-2, 0, 0.2), (x, 1, 0.2)))
        assert len(vanished(before, other)) == n


@pytest.mark.parametrize("bound_mm", [-0.0137, -0.1])
def test_the_least_change_of_height_is_found(bound_mm):
    """Too tight above a height, met below it as far as 0.05 mm further down."""
    asked = []

    def kept_at(raise_mm):
        asked.append(raise_mm)
        tight, loose = raise_mm > bound_mm, raise_mm < bound_mm - 0.05
        return Kept(not (tight or loose), (), tight, loose)

    found = nearest_height(kept_at, Kept(False, (), True, False))
    assert found.kept.met
    # Bracketed to 2.5 um, and 3 um inside the range that will do.
    assert bound_mm - 0.0055 <= found.raise_mm <= bound_mm - 0.003
    assert len(asked) < 12


def test_what_is_too_tight_and_too_loose_at_once_is_met_at_no_height():
    assert nearest_height(lambda _mm: Kept(True, ()), Kept(False, (), True, True)) is None

    def narrow(raise_mm):
        return Kept(False, (), raise_mm > -0.03, raise_mm < -0.02)

    def thin(raise_mm):
        tight, loose = raise_mm > -0.03, raise_mm < -0.0325
        return Kept(not (tight or loose), (), tight, loose)

    assert nearest_height(narrow, Kept(False, (), True, False)) is None
    # A range thinner than the way inside is met at its edge.
    found = nearest_height(thin, Kept(False, (), True, False), tolerance_mm=0.0005)
    assert -0.0305 <= found.raise_mm <= -0.03
    assert nearest_height(lambda _mm: Kept(False, (), True), Kept(False, (), True)) is None


def test_a_crown_too_loose_is_to_be_higher():
    def kept_at(raise_mm):
        return Kept(raise_mm >= 0.033, (), False, raise_mm < 0.033)

    found = nearest_height(kept_at, Kept(False, (), False, True))
    assert 0.036 <= found.raise_mm <= 0.0385
