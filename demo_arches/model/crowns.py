"""Crowns: an ideal surface, clear in every movement, and then what is built in."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_matrix, diags

from demo_arches.model.fields import rounding_widths
from demo_arches.model.motion import (
    FIRST_STEPS_MM,
    RANGE_MM,
    Guidance,
    apply,
    even_pieces,
    path_steps,
)
from demo_arches.model.remesh import largest_piece, remesh
from demo_arches.model.surface import Field, closest, contour, oriented, project
from demo_arches.model.teeth import Arch, Shape, healing_abutment, prepared_stump

EXCURSION_MM = 0.050
RAMP_MM = 0.5
MARGIN_MM = 0.015
BUMP_RADIUS_MM = 0.9
CLOSED_ROOM_MM = 0.025
OTHER_ROOM_MM = 0.015
MOST_RAISED_MM = 1.1
SIDE_BUMP_RADIUS_MM = 1.3
LEAST_EXCURSION_MM = 0.05
TIGHT_MM = 0.008


def smooth_max(a, b, k):
    """Return the larger, rounded where they differ by less than k."""
    h = np.maximum(k - np.abs(a - b), 0.0)
    return np.maximum(a, b) + h * h / (4 * k)


class CrownField:
    """A closed solid: the tooth's outside, relieved from antagonist and neighbours, hollow."""

    def __init__(self, arch: Arch, row: int, relief, inner: Shape, cement_mm: float) -> None:
        """`relief`: None, or (antagonist Field, clearance in mm) in the recorded bite."""
        self.outer = Field(arch.arrays([row]), what="teeth")
        rows = [i for i in (row - 1, row + 1) if 0 <= i < len(arch.numbers)]
        self.neighbours = Field(arch.arrays(rows), what="teeth")
        hollow = Arch(arch.jaw, [arch.numbers[row]], [inner], arch.origin[row : row + 1].copy(),
                      arch.axes[row : row + 1].copy())  # fmt: skip
        self.inner = Field(hollow.arrays([0]), what="teeth")
        self.relief, self.cement = relief, cement_mm
        self.origin, self.axis = arch.origin[row], arch.axes[row, 2]
        self.bottom = -arch.shapes[row].length + 0.9

    def value(self, p: np.ndarray) -> np.ndarray:
        """Return the field, negative in the crown's material."""
        f = smooth_max(self.outer.value(p), 0.012 - self.neighbours.value(p), 0.02)
        if self.relief is not None:
            antagonist, clearance = self.relief
            near = np.flatnonzero(np.abs(f) < 1.2)
            g, grad = antagonist.gradient(p[near])
            d = g / np.maximum(np.linalg.norm(grad, axis=1), 0.3)
            if clearance > 0.0:  # the field is not exactly a distance
                close = np.flatnonzero(np.abs(d) < clearance + 0.15)
                d[close] = closest(antagonist.gradient, p[near[close]], 7)[0]
            _f, own = self.outer.gradient(p[near])
            f[near] = smooth_max(f[near], clearance - d, rounding_widths(own, -grad))
        f = smooth_max(f, self.cement - self.inner.value(p), 0.10)
        w = (p - self.origin) @ self.axis
        return smooth_max(f, self.bottom - w, 0.12)

    def gradient(self, p: np.ndarray):
        """Return the field and its gradient by differences."""
        h = 1e-4
        q = np.repeat(p[:, None], 4, axis=1)
        for k in range(3):
            q[:, 1 + k, k] += h
        f = self.value(q.reshape(-1, 3)).reshape(-1, 4)
        return f[:, 0], (f[:, 1:] - f[:, :1]) / h

    def project(self, p: np.ndarray, steps: int):
        """Return points on the surface and normals."""
        return project(self.gradient, p, steps)


@dataclass
class Crown:
    """A crown's mesh in the building frame, and what is known of it."""

    jaw: str
    vertices: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    antagonist: Field
    guidance: Guidance
    centric_mm: float
    natural_mm: float
    occlusal: np.ndarray
    spots: list = field(default_factory=list)

    def wanted(self, s: float, loaded: bool = True) -> float:
        """Return the wanted clearance at a step, mm: from the closure's to the excursions'."""
        closed = self.centric_mm + (self.natural_mm if loaded else 0.0)
        return closed + (EXCURSION_MM - closed) * min(1.0, s / RAMP_MM)

    def into_antagonist(self, T: np.ndarray, p: np.ndarray) -> np.ndarray:
        """Return points of the crown in the antagonist's frame, mandible at pose T."""
        return apply(T if self.jaw == "lower" else np.linalg.inv(T), p)

    def gap(self, T: np.ndarray, p: np.ndarray, exact: bool = False) -> np.ndarray:
        """Return distances (n,) from the antagonist at a pose."""
        q = self.into_antagonist(T, p)
        if exact:
            return closest(self.antagonist.gradient, q)[0]
        f, g = self.antagonist.gradient(q)
        return f / np.maximum(np.linalg.norm(g, axis=1), 0.3)

    def excess(self, p: np.ndarray, margin: float = 0.0, loaded: bool = True):
        """Return, by movement, the most by which the wanted gap is missed (n,), and where."""
        out = {}
        f = self.antagonist.value(self.into_antagonist(np.eye(4), p))
        near = np.flatnonzero(f < 1.6)
        for movement, reach in RANGE_MM.items():
            worst, at = np.full(len(p), -9.0), np.zeros(len(p))
            for s in path_steps(reach)[1:]:
                T = self.guidance.pose(movement, s, loaded)
                q = self.into_antagonist(T, p[near])
                d = self.antagonist.value(q)
                close = np.flatnonzero(d < 0.4)
                f, g = self.antagonist.gradient(q[close])
                d[close] = f / np.maximum(np.linalg.norm(g, axis=1), 0.3)
                v = self.wanted(s, loaded) + margin * min(1.0, s / 0.3) - d
                better = v > worst[near]
                worst[near[better]], at[near[better]] = v[better], s
            out[movement] = (worst, at)
        return out


def build_crown(arch: Arch, number: int, relief_mm, antagonist: Field, guidance: Guidance,
                centric_mm: float, implant: bool, log=None,
                margin_mm: float = MARGIN_MM) -> Crown:  # fmt: skip
    """Return a crown that clears every movement by a margin, before anything is built in."""
    row = arch.index(number)
    shape = arch.shapes[row]
    inner = _abutment(shape) if implant else prepared_stump(shape)
    relief = None if relief_mm is None else (antagonist, relief_mm)
    solid = CrownField(arch, row, relief, inner, 0.05)
    centre = arch.origin[row] - 0.5 * shape.length * arch.axes[row, 2]
    box = np.array([8.0, 8.0, 6.5])
    poly = contour(solid.value, (centre - box, centre + box), 0.22)
    faces = poly.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    vertices = np.asarray(poly.points, dtype=np.float64)
    faces = largest_piece(faces)
    faces = oriented(solid.gradient, vertices, faces)

    def size_of(p: np.ndarray, _bend: np.ndarray) -> np.ndarray:
        t = -((p - arch.origin[row]) @ arch.axes[row, 2]) / shape.length
        size = np.interp(t, [0.25, 0.5, 1.0], [0.13, 0.20, 0.27])
        inward = np.abs(solid.inner.value(p) - solid.cement) < 0.05
        size = np.where(inward, 0.27, size)
        return np.minimum(size, 0.075 + 0.15 * np.maximum(antagonist.value(p) - 0.12, 0.0))

    vertices, faces = remesh(vertices, faces, solid.project, size_of, 6)
    normals = solid.project(vertices, 1)[1]
    t = -((vertices - arch.origin[row]) @ arch.axes[row, 2]) / shape.length
    outside = np.abs(solid.inner.value(vertices) - solid.cement) > 0.3
    natural = guidance.natural_gap(_neighbours(number))
    crown = Crown(arch.jaw, vertices, faces, normals, antagonist, guidance, centric_mm, natural,
                  (t < 0.5) & outside)  # fmt: skip
    _clear(crown, margin_mm, log)
    return crown


def _neighbours(number: int) -> list[int]:
    """Return the lower teeth up to two places from a tooth or from its antagonist."""
    quadrant = {1: 4, 2: 3}.get(number // 10, number // 10)
    place = number % 10
    return [10 * quadrant + k for k in range(place - 2, place + 3)
            if 1 <= k <= 7 and 10 * quadrant + k != number]  # fmt: skip


def _abutment(shape: Shape) -> Shape:
    inner = healing_abutment(shape)
    radius = 2.0
    top = -0.58 * shape.length
    lobes = [[*row[:2], top, *row[3:5], top, *row[6:]] for row in inner.lobes]
    return Shape(shape.length, [radius] * 7, [radius] * 7, [-radius] * 7, 2.0, 0.0, 0.6, 3.0,
                 lobes, {})  # fmt: skip


def _spread(faces: np.ndarray, n: int):
    i = np.concatenate([faces[:, 0], faces[:, 1], faces[:, 2]])
    j = np.concatenate([faces[:, 1], faces[:, 2], faces[:, 0]])
    a = coo_matrix((np.ones(2 * len(i)), (np.r_[i, j], np.r_[j, i])), (n, n)).tocsr()
    a.data[:] = 1.0
    a = a + diags(np.ones(n))
    return diags(1.0 / np.asarray(a.sum(axis=1)).ravel()) @ a


def _clear(crown: Crown, margin_mm: float, log=None) -> None:
    """Lower the crown smoothly wherever a movement comes closer than wanted plus a margin."""
    mean = _spread(crown.faces, len(crown.vertices))
    rows = np.flatnonzero(crown.occlusal)
    for turn in range(4):
        over = np.full(len(crown.vertices), -9.0)
        for worst, _ in crown.excess(crown.vertices[rows], margin_mm).values():
            over[rows] = np.maximum(over[rows], worst)
        cut = np.maximum(over, 0.0)
        if log is not None:
            log(f"  clearing {turn}: {np.sum(cut > 0)} vertices, most {1e3 * cut.max():.1f} um")
        if cut.max() < 0.002:
            break
        cut = np.where(cut > 0, cut * 1.1 + 0.001, 0.0)
        wide = cut.copy()
        for _ in range(2):
            wide = np.maximum(cut, mean @ wide)
        crown.vertices = crown.vertices - wide[:, None] * crown.normals


def add_bump(
    crown: Crown, centre: np.ndarray, height: float, radius: float = BUMP_RADIUS_MM
) -> np.ndarray:
    """Return the crown's vertices raised by a smooth bump along its normals."""
    r = np.linalg.norm(crown.vertices - centre, axis=1) / radius
    profile = np.where(r < 1.0, (1.0 - np.minimum(r, 1.0) ** 2) ** 3, 0.0)
    profile[~crown.occlusal] = 0.0
    return crown.vertices + (height * profile)[:, None] * crown.normals


def on_facets(vertices: np.ndarray, faces: np.ndarray, few: np.ndarray) -> np.ndarray:
    """Return some vertices, and even samples of all faces around them, (n, 3)."""
    around = faces[np.isin(faces, few).any(axis=1)]
    inner = np.einsum("gk,fkd->fgd", even_pieces(4), vertices[around])
    return np.concatenate([vertices[few], inner.reshape(-1, 3)])


def depth_at(crown: Crown, vertices: np.ndarray, centre: np.ndarray, movement: str,
             loaded: bool = True):  # fmt: skip
    """Return the exact most missed gap (mm) near a spot, its vertex and step, in one movement.

    The place is sought among vertices; the gap is the least over the faces around it.
    """
    rows = np.flatnonzero(np.linalg.norm(vertices - centre, axis=1) < SIDE_BUMP_RADIUS_MM)
    p = vertices[rows]
    best = (-9.0, 0, 0.0)
    if movement == "centric":
        fine = [0.0]
    else:
        reach = RANGE_MM[movement]
        steps = np.concatenate([FIRST_STEPS_MM[:2], np.arange(0.05, reach + 1e-9, 0.05)])
        rough = np.array([crown.wanted(s, loaded)
                          - crown.gap(crown.guidance.pose(movement, s, loaded), p).min()
                          for s in steps])  # fmt: skip
        s0 = steps[int(rough.argmax())]
        fine = np.clip(np.linspace(s0 - 0.05, s0 + 0.05, 9), 1e-6, reach)
    for s in fine:
        T = crown.guidance.pose(movement, s, loaded)
        few = np.argsort(crown.gap(T, p))[:60]
        d = crown.wanted(s, loaded) - crown.gap(T, p[few], exact=True)
        if d.max() > best[0]:
            best = (float(d.max()), rows[few[int(d.argmax())]], float(s))
            worst = rows[few[np.argsort(-d)[:8]]]
    T = crown.guidance.pose(movement, best[2], loaded)
    gap = crown.gap(T, on_facets(vertices, crown.faces, worst), exact=True)
    return float(crown.wanted(best[2], loaded) - gap.min()), *best[1:]


def deepest(crown: Crown, vertices: np.ndarray, centre: np.ndarray):
    """Return the largest of `depth_at` over the closure and all movements."""
    return max(depth_at(crown, vertices, centre, m) for m in ("centric", *RANGE_MM))


def feet(crown: Crown) -> np.ndarray:
    """Return where the built-in spots come nearest to the antagonist (n, 3), in its frame."""
    places = []
    for spot in crown.spots:
        tried = {m: depth_at(crown, crown.vertices, spot["centre"], m)
                 for m in ("centric", *RANGE_MM)}  # fmt: skip
        movement = max(tried, key=lambda m: tried[m][0])
        _depth, vertex, s = tried[movement]
        T = crown.guidance.pose(movement, s)
        q = crown.into_antagonist(T, crown.vertices[vertex][None])
        places.append(closest(crown.antagonist.gradient, q)[1][0])
    return np.array(places).reshape(-1, 3)


def build_in(crown: Crown, centre: np.ndarray, movement: str, depth_mm: float, start: float, log):
    """Raise a bump until its exact interference is `depth_mm`; note the spot.

    `movement` is the one that it is built into; at the start of another it may be a little deeper.
    """
    height = start
    for _ in range(5):
        vertices = add_bump(crown, centre, height)
        found = deepest(crown, vertices, centre)[0]
        if abs(found - depth_mm) < 2e-5:
            break
        height += depth_mm - found
    crown.vertices = vertices
    crown.spots.append({"movement": movement, "bump_height_um": 1e3 * height,
                        "radius_mm": BUMP_RADIUS_MM, "centre": np.array(centre)})  # fmt: skip
    log(f"  spot {movement} depth {1e3 * found:.2f} um, bump {1e3 * height:.1f} um")


def contact_centres(crown: Crown, n: int, away: np.ndarray, apart: float = 3.0) -> list[np.ndarray]:
    """Return the middles of the broadest centric contacts, far apart and far from a point."""
    rows = np.flatnonzero(crown.occlusal)
    d = crown.gap(np.eye(4), crown.vertices[rows]) - crown.centric_mm
    touching = np.zeros(len(crown.vertices))
    touching[rows[np.abs(d) < 0.002]] = 1.0
    mean = _spread(crown.faces, len(crown.vertices))
    score = touching.copy()
    for _ in range(12):
        score = mean @ score
    score *= touching
    out: list[np.ndarray] = []
    for k in np.argsort(-score):
        p = crown.vertices[k]
        if score[k] > 0 and all(np.linalg.norm(p - q) > apart for q in (away, *out)):
            out.append(p)
        if len(out) == n:
            break
    return out


def room_for(crown: Crown, p: np.ndarray, movement: str):
    """Return how high points may be raised without touching elsewhere, and the movement's excess.

    Elsewhere is the closure and the other movements, each kept clear by more than is wanted;
    below zero where that is not so.
    """
    excess = crown.excess(p)
    closed = crown.gap(crown.guidance.pose("centric", 0.0), p) - crown.wanted(0.0)
    others = np.min([-w for m, (w, _) in excess.items() if m != movement], axis=0)
    room = np.minimum(closed - CLOSED_ROOM_MM, others - OTHER_ROOM_MM)
    return room, excess[movement][0]


def excursion_places(crown: Crown, movements, depth_mm: float, n: int = 16):
    """Return where a bump may interfere most in one movement alone: (centre, movement), best first.

    Judged by distances at the surface as it is, of which a tenth of the height is lost.
    """
    mean = _spread(crown.faces, len(crown.vertices))
    inner = crown.occlusal.astype(float)
    for _ in range(8):
        inner = mean @ inner
    p = crown.vertices[np.flatnonzero(inner > 0.98)]
    found = []
    for movement in movements:
        room, excess = room_for(crown, p, movement)
        score = np.minimum(room, MOST_RAISED_MM) + excess
        score -= 0.1 * np.maximum(depth_mm - excess, 0.0)
        for _ in range(n):
            k = int(score.argmax())
            found.append((float(score[k]), p[k], movement))
            score[np.linalg.norm(p - p[k], axis=1) < 0.5] = -9.0
    found.sort(key=lambda f: -f[0])
    return [(centre, movement) for _score, centre, movement in found[:n]]


def _raised_to(crown: Crown, centre: np.ndarray, movement: str, depth_mm: float):
    """Return vertices raised, clear of all else, towards a depth in one movement, and that depth.

    Also the height of what is raised.
    """
    start = crown.vertices
    near = np.flatnonzero(np.linalg.norm(start - centre, axis=1) < SIDE_BUMP_RADIUS_MM)
    room, excess = room_for(crown, start[near], movement)
    height = depth_mm - float(excess[np.argmin(np.linalg.norm(start[near] - centre, axis=1))])
    room = np.maximum(room, 0.0)
    best = (-9.0, start, 0.0)
    for _ in range(12):
        raised = add_bump(crown, centre, height, SIDE_BUMP_RADIUS_MM)
        wanted = np.einsum("ij,ij->i", (raised - start)[near], crown.normals[near])
        limited = np.maximum(-smooth_max(-wanted, -room, 0.02), 0.0) * (wanted > 0)
        vertices = start.copy()
        vertices[near] += limited[:, None] * crown.normals[near]
        found = depth_at(crown, vertices, centre, movement)[0]
        left, _ = room_for(crown, vertices[near], movement)
        clear = left[limited > 0.002].min(initial=0.0) > -TIGHT_MM
        if clear and abs(found - depth_mm) < abs(best[0] - depth_mm):
            best = (found, vertices, float(limited.max()))
        if clear and abs(found - depth_mm) < 1e-4:
            break
        room = np.maximum(np.where(limited > 0.002, limited + left, room), 0.0)
        height = min(height + (depth_mm - found) * 1.2, 1.6)
    return best


def build_in_excursion(crown: Crown, movements, depth_mm: float, log) -> np.ndarray:
    """Raise a bump, kept clear of all else, that interferes by `depth_mm` in one movement.

    Returns its middle.
    """
    best = (-9.0, crown.vertices, 0.0)
    where = None
    for centre, movement in excursion_places(crown, movements, depth_mm):
        tried = _raised_to(crown, centre, movement, depth_mm)
        log(f"  tried {movement}: {1e3 * tried[0]:.1f} um, raised {1e3 * tried[2]:.0f} um")
        if abs(tried[0] - depth_mm) < abs(best[0] - depth_mm):
            best, where = tried, (centre, movement)
        if abs(best[0] - depth_mm) < 0.003:
            break
    if where is None or best[0] < LEAST_EXCURSION_MM:
        raise RuntimeError("no place on the crown interferes in one movement alone")
    crown.vertices = best[1]
    crown.spots.append({"movement": where[1], "bump_height_um": 1e3 * best[2],
                        "radius_mm": SIDE_BUMP_RADIUS_MM, "centre": where[0]})  # fmt: skip
    return where[0]
