"""A bridge divided into its teeth: known connectors are found, whatever way the bridge lies."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.crown.units import divide_units, gaps_in, outer_neighbours
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.axes import ArchOrientation

HERE = ArchOrientation([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
ARCH = np.array([[-25.0, 0.0, 0.0], [25.0, 0.0, 0.0], [0.0, 45.0, 0.0]])
"""A horseshoe's box: its right and left end behind, its front."""

FIRST_MOLAR, SECOND_PREMOLAR, FIRST_PREMOLAR = 11.0, 7.0, 7.0


def tube(line, radius):
    """Return a closed tube of radii (n,) around places (n, 3), in sections square to the way."""
    n, m = len(line), 32
    ahead = np.gradient(line, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    up = np.array([0.0, 0.0, 1.0])
    side = np.cross(ahead, up)
    turn = np.linspace(0, 2 * np.pi, m, endpoint=False)
    ring = np.cos(turn)[:, None, None] * side + np.sin(turn)[:, None, None] * up
    rings = (line + radius[:, None] * ring).transpose(1, 0, 2)
    faces = []
    for i in range(n - 1):
        for k in range(m):
            a, b = i * m + k, i * m + (k + 1) % m
            faces += [(a, a + m, b), (b, a + m, b + m)]
    for k in range(1, m - 1):
        faces += [(0, k, k + 1), ((n - 1) * m, (n - 1) * m + k + 1, (n - 1) * m + k)]
    mesh = TriangleMesh(rings.reshape(-1, 3), np.array(faces))
    return mesh if mesh.volume() > 0 else TriangleMesh(mesh.vertices, mesh.faces[:, ::-1])


def bridge(widths, start=(20.0, 5.0, 0.0), ahead=(-0.1, 1.0, 0.0)):
    """Return a straight bridge of units like beads, and the places (n - 1, 3) of its connectors."""
    ahead = np.array(ahead) / np.linalg.norm(ahead)
    ends = np.cumsum([0.0, *widths])
    t = np.linspace(0.0, ends[-1], 400)
    k = np.clip(np.searchsorted(ends, t, side="right") - 1, 0, len(widths) - 1)
    u = (t - ends[k]) / np.array(widths)[k]
    radius = 1.5 + 2.5 * np.sin(np.pi * u) ** 2
    line = np.array(start) + t[:, None] * ahead
    return tube(line, radius), np.array(start) + ends[1:-1, None] * ahead


def divided(mesh, teeth, T=None):
    T = T or RigidTransform.identity()
    arch = TriangleMesh(T.apply(ARCH), np.array([[0, 1, 2]]))
    return divide_units(mesh.transformed(T), teeth, HERE.transformed(T), arch)


@pytest.mark.parametrize("scale", [0.85, 1.0, 1.15, 1.3])
def test_borders_lie_at_the_connectors_whatever_the_units_widths(scale):
    # Not the handbook's proportions: the molar is narrow, the premolars are wide.
    widths = scale * np.array([10.0, 7.6, 7.4])
    mesh, connectors = bridge(widths)
    units = divided(mesh, (46, 45, 44))
    for place, (behind, before) in zip(connectors, ((46, 45), (45, 44)), strict=True):
        ahead = np.array([-0.1, 1.0, 0.0]) / np.hypot(0.1, 1.0)
        near = [place - 0.2 * ahead, place + 0.2 * ahead]
        assert units.tooth_at(np.array(near)).tolist() == [behind, before]
    assert_allclose(units.length_share, scale, rtol=0.01)
    assert units.is_doubtful == (scale == 1.3)


def test_a_division_turns_with_the_bridge():
    mesh, _ = bridge([FIRST_MOLAR, SECOND_PREMOLAR, FIRST_PREMOLAR])
    T = RigidTransform.exp([0.4, -0.7, 1.1, 12.0, -20.0, 15.0])
    here, there = divided(mesh, (46, 45, 44)), divided(mesh, (46, 45, 44), T)
    moved = mesh.transformed(T)
    # Slabs of 0.1 mm begin elsewhere by rounding: a border may lie one slab further.
    assert_allclose(there.cuts_mm, here.cuts_mm, rtol=0, atol=0.11)
    for tooth, middle in here.centres(mesh).items():
        assert_allclose(there.centres(moved)[tooth], T.apply(middle), rtol=0, atol=0.11)


def test_the_first_tooth_is_the_one_on_the_right_on_either_side():
    mesh, _ = bridge([FIRST_MOLAR, SECOND_PREMOLAR], start=(20.0, 5.0, 0.0))
    centres = divided(mesh, (46, 45)).centres(mesh)
    assert centres[46][1] < centres[45][1]
    left, _ = bridge([SECOND_PREMOLAR, FIRST_MOLAR], (-18.2, 23.0, 0.0), (-0.1, -1.0, 0.0))
    centres = divided(left, (35, 36)).centres(left)
    assert centres[36][1] < centres[35][1]


def test_a_bridge_around_the_front_is_divided_along_its_bow():
    turn = np.linspace(0.95, np.pi - 0.95, 500)
    line = np.column_stack([18.0 * np.cos(turn), 27.0 + 18.0 * np.sin(turn), np.zeros(500)])
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    ends = np.array([0.0, 5.5, 10.5, 15.5, 21.0]) * length[-1] / 21.0
    k = np.clip(np.searchsorted(ends, length, side="right") - 1, 0, 3)
    u = (length - ends[k]) / np.diff(ends)[k]
    mesh = tube(line, 1.2 + 1.5 * np.sin(np.pi * u) ** 2)
    units = divided(mesh, (42, 41, 31, 32))
    for tooth, low, high in zip((42, 41, 31, 32), ends[:-1], ends[1:], strict=True):
        inside = (length > low + 0.4) & (length < high - 0.4)
        assert set(units.tooth_at(line[inside]).tolist()) == {tooth}


@pytest.mark.parametrize(
    ("widths", "teeth"),
    [
        ([FIRST_MOLAR, SECOND_PREMOLAR], (46, 45, 44)),
        ([FIRST_MOLAR, SECOND_PREMOLAR, FIRST_PREMOLAR], (46, 45)),
    ],
)
def test_a_mesh_that_cannot_hold_its_teeth_is_refused(widths, teeth):
    with pytest.raises(InputError, match=r"mm long, and teeth 46, 45"):
        divided(bridge(widths)[0], teeth)


@pytest.mark.parametrize(
    ("teeth", "mesial", "distal"),
    [
        ((46,), (46, 45), (46, 47)),
        ((46, 45, 44), (44, 43), (46, 47)),
        ((35, 36, 37), (35, 34), (37, 38)),
        ((48, 47), (47, 46), (48, None)),
        ((11,), (11, 21), (11, 12)),
        ((12, 11, 21, 22), (22, 23), (12, 13)),
    ],
)
def test_the_neighbours_of_a_bridge_stand_beyond_its_ends(teeth, mesial, distal):
    assert outer_neighbours(teeth) == (mesial, distal)


def test_a_tooth_between_those_of_a_bridge_is_left_out_only_if_it_is_missing():
    assert gaps_in((46, 44), ()) == [45]
    assert gaps_in((46, 44), (45,)) == []
    assert gaps_in((46, 45, 44), ()) == []
    assert gaps_in((11, 22), ()) == [21]
