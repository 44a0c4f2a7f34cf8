"""Words for places: analytic crowns whose cusps, ridges and fossae are where they were put."""

import numpy as np
import pytest
from crown.block_shapes import block
from numpy.testing import assert_allclose

from occlusim.crown.location import CrownOrientation, CrownRelief
from occlusim.crown.relief import hills
from occlusim.geometry.mesh import TriangleMesh

TIPS = {"mesiobuccal": (2.4, 2.4), "distobuccal": (-2.4, 2.4)}
TIPS |= {"mesiolingual": (2.4, -2.4), "distolingual": (-2.4, -2.4)}


def hump(x, y, at, height, wide, long=None):
    return height * np.exp(-(((x - at[0]) / wide) ** 2 + ((y - at[1]) / (long or wide)) ** 2) / 2)


def relief_of(cusps, ridges=True):
    """Cusps as Gaussians on a block, x mesial, y buccal, with marginal ridges at x = -+4.2."""

    def height(x, y):
        z = sum(hump(x, y, at, 1.5, 1.1) for at in cusps)
        if ridges:
            z = z + sum(hump(x, y, (m, 0.0), 0.7, 0.35, 1.6) for m in (4.2, -4.2))
        return z

    return height


def relief_on(mesh: TriangleMesh, axes: CrownOrientation) -> tuple[CrownRelief, np.ndarray]:
    normals = np.zeros_like(mesh.vertices)
    np.add.at(normals, mesh.faces.ravel(), np.repeat(mesh.face_vectors(), 3, axis=0))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return CrownRelief(mesh.vertices, mesh.faces, normals, axes), normals


class Words:
    """The words for a place (x mesial, y buccal) on a crown that stands in any quadrant."""

    def __init__(self, height, quadrant=4, tooth=0, n=81):
        turn = np.linalg.qr(np.random.default_rng(quadrant).normal(size=(3, 3)))[0]
        turn *= np.sign(np.linalg.det(turn))
        # In the jaw: occlusal down above, up below; mesial forward; buccal to the tooth's side.
        up = -1.0 if quadrant in (1, 2) else 1.0
        outward = 1.0 if quadrant in (1, 4) else -1.0
        axes = np.stack([[0.0, 1.0, 0.0], [outward, 0.0, 0.0], [0.0, 0.0, up]]) @ turn.T
        inner = "palatal" if up < 0 else "lingual"
        self.flat = block(n, 10.0, 4.0, height)
        faces = self.flat.faces
        if np.linalg.det(axes) < 0:
            faces = np.ascontiguousarray(faces[:, ::-1])
        mesh = TriangleMesh(self.flat.vertices @ axes + 7.0, faces)
        assert mesh.volume() > 0
        self.axes = axes
        orientation = CrownOrientation(axes[2], axes[0], axes[1], inner, tooth)
        self.relief, self.normals = relief_on(mesh, orientation)
        self.vertices = mesh.vertices

    def at(self, x, y):
        top = self.flat.vertices[: len(self.flat.vertices) // 2]
        v = int(np.argmin(np.hypot(top[:, 0] - x, top[:, 1] - y)))
        return self.relief.describe(self.vertices[v], self.normals[v])


@pytest.mark.parametrize("quadrant", [1, 2, 3, 4])
def test_four_cusps_have_their_names_in_every_quadrant(quadrant):
    words = Words(relief_of(TIPS.values()), quadrant)
    inner = "palatal" if quadrant in (1, 2) else "lingual"
    named = {name.replace("lingual", inner): tip for name, tip in TIPS.items()}
    assert set(words.relief.cusps()) == set(named)
    for name, (x, y) in named.items():
        seen = words.axes @ (words.relief.cusps()[name] - 7.0)
        assert_allclose(seen[:2], [x, y], rtol=0, atol=0.15)
        assert words.at(x, y) == f"tip of the {name} cusp"
        m, b = np.sign([x, y])
        assert words.at(x - 0.2 * m, y - 1.0 * b) == f"inner slope of the {name} cusp"
        assert words.at(x + 0.2 * m, y + 1.0 * b) == f"outer slope of the {name} cusp"
        to_mesial = words.at(x + 1.0, y + 0.1)
        assert to_mesial == f"mesial slope of the {name} cusp"
        assert words.at(x - 1.0, y + 0.1) == f"distal slope of the {name} cusp"
    assert words.at(0.0, 0.0) == "central fossa"
    assert words.at(0.0, 2.5) == "between the mesiobuccal and distobuccal cusps"
    assert words.at(0.0, -2.5) == f"between the mesio{inner} and disto{inner} cusps"
    for x, side in ((4.2, "mesial"), (-4.2, "distal")):
        for y in (-0.8, 0.0, 0.8):
            assert words.at(x, y) == f"{side} marginal ridge"


def test_cusps_of_a_premolar_are_named_by_their_side_alone():
    words = Words(relief_of([(0.3, 2.4), (0.8, -2.4)]))
    assert set(words.relief.cusps()) == {"buccal", "lingual"}
    assert words.at(0.3, 2.4) == "tip of the buccal cusp"
    assert words.at(0.6, -1.4) == "inner slope of the lingual cusp"
    assert words.at(0.8, -3.4) == "outer slope of the lingual cusp"


def test_three_buccal_cusps_are_named_as_on_a_lower_first_molar_there_alone():
    tips = [(3.1, 2.4), (0.0, 2.6), (-3.1, 2.2), (2.4, -2.4), (-2.4, -2.4)]
    lower = Words(relief_of(tips, ridges=False), tooth=46, n=101)
    named = {lower.at(x, y) for x, y in tips}
    wanted = ("mesiobuccal", "distobuccal", "distal", "mesiolingual", "distolingual")
    assert named == {f"tip of the {name} cusp" for name in wanted}
    other = Words(relief_of(tips, ridges=False), tooth=37, n=101)
    assert other.at(0.0, 2.6) == "tip of the middle buccal cusp"
    assert other.at(-3.1, 2.2) == "tip of the distobuccal cusp"


def test_where_the_relief_says_nothing_the_words_say_so():
    flat = Words(lambda x, y: 0.0 * (x + y))
    assert flat.relief.cusps() == {}
    assert flat.at(0.0, 0.0) == "occlusal surface, middle part"
    assert flat.at(3.0, 3.0) == "occlusal surface, mesiobuccal part"
    assert flat.at(-3.0, 0.0) == "occlusal surface, distal part"
    dome = Words(lambda x, y: hump(x, y, (0, 0), 2.0, 3.0))
    assert dome.at(2.0, -2.0) == "occlusal surface, mesiolingual part"


def test_a_missing_cusp_does_not_lend_its_place_to_one_across_the_middle():
    """Without a distobuccal cusp its corner is no slope of a lingual one."""
    tips = [at for name, at in TIPS.items() if name != "distobuccal"]

    def height(x, y):
        return relief_of(tips, ridges=False)(x, y) - 0.05 * y

    words = Words(height)
    assert set(words.relief.cusps()) == {"buccal", "mesiolingual", "distolingual"}
    assert words.at(-2.4, 2.4) == "occlusal surface, distobuccal part"
    assert words.at(-2.4, -1.6) == "inner slope of the distolingual cusp"


def test_a_peak_on_the_margin_is_a_cusp_unless_it_is_lower_than_all():
    """A mesiobuccal cusp close to the mesial margin and the middle, as on a turned crown."""
    tips = [(3.6, 0.9), (-2.4, 2.4), (2.0, -2.6), (-2.4, -2.4)]
    words = Words(relief_of(tips, ridges=False))
    assert words.at(3.6, 0.9) == "tip of the mesiobuccal cusp"
    low = Words(lambda x, y: relief_of(tips[1:], False)(x, y) + hump(x, y, tips[0], 0.5, 0.6))
    assert low.at(-2.4, 2.4) == "tip of the buccal cusp"
    assert low.at(3.6, 0.7) == "mesial marginal ridge"


def test_without_a_rise_at_its_end_a_crown_has_no_marginal_ridge():

    def height(x, y):
        cusps = sum(hump(x, y, at, 1.5, 0.8) for at in TIPS.values())
        return cusps + sum(hump(x, y, (m, 0.0), 0.05, 0.35, 1.6) for m in (4.2, -4.2))

    bare = Words(height)
    assert set(bare.relief.cusps()) == set(TIPS)
    for x in (4.2, -4.2):
        for y in (-0.4, 0.0, 0.4):
            assert "ridge" not in bare.at(x, y)


def test_an_axial_wall_is_named_by_its_side():
    words = Words(relief_of(TIPS.values()))
    occlusal, mesial, buccal = words.axes[2], words.axes[0], words.axes[1]
    middle = np.full(3, 7.0) - 2.0 * occlusal
    for normal, side in ((mesial, "mesial"), (-mesial, "distal"), (buccal, "buccal")):
        assert words.relief.describe(middle + 5.0 * normal, normal) == f"axial wall, {side} side"
    assert words.relief.describe(middle - 5.0 * buccal, -buccal) == "axial wall, lingual side"


def test_roughness_below_the_least_prominence_makes_no_cusps(rng):
    rough = rng.normal(scale=0.01, size=(81, 81)).ravel()
    words = Words(lambda x, y: relief_of(TIPS.values())(x, y) + rough)
    assert set(words.relief.cusps()) == set(TIPS)


def test_hills_match_flooding_by_hand(rng):
    """A slow twin: a peak counts where the set above its height less the prominence, around it,
    holds no higher one."""
    n = 12
    grid = np.arange(n * n).reshape(n, n)
    edges = np.concatenate(
        [
            np.stack([grid[1:].ravel(), grid[:-1].ravel()], 1),
            np.stack([grid[:, 1:].ravel(), grid[:, :-1].ravel()], 1),
        ]
    )
    around = {k: set() for k in range(n * n)}
    for a, b in edges.tolist():
        around[a].add(b)
        around[b].add(a)
    for prominence in (0.0, 0.2, 0.5):
        height = rng.random(n * n)
        found = set(hills(height, edges, prominence)[1].tolist())
        wanted = set()
        for v in range(n * n):
            if any(height[w] > height[v] for w in around[v]):
                continue
            seen, stack = {v}, [v]
            while stack:
                for w in around[stack.pop()] - seen:
                    if height[w] > height[v] - prominence:
                        seen.add(w)
                        stack.append(w)
            if height[v] == max(height[w] for w in seen):
                wanted.add(v)
        assert found == wanted
        assert 1 <= len(found) < n * n / 3
