"""Crowns: an ideal surface, clear in every movement, and then what is built in."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_matrix, diags
from scipy.spatial import cKDTree

from demo_arches.model.motion import RANGE_MM, STEP_MM, Guidance, apply
from demo_arches.model.remesh import largest_piece, remesh
from demo_arches.model.surface import Field, closest, contour, oriented, project
from demo_arches.model.teeth import Arch, Shape, healing_abutment, prepared_stump

EXCURSION_MM = 0.050
RAMP_MM = 0.5
MARGIN_MM = 0.015
BUMP_RADIUS_MM = 0.95
CUSP_RADIUS_MM = 1.5
ROOM_MM = 0.025


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
            f[near] = smooth_max(f[near], clearance - d, 0.03)
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

    def wanted(self, s: float) -> float:
        """Return the wanted clearance at a step, mm."""
        ramp = (EXCURSION_MM - self.centric_mm) * min(1.0, s / RAMP_MM)
        return self.natural_mm + self.centric_mm + ramp

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
            for s in np.arange(STEP_MM, reach + 1e-9, STEP_MM):
                T = self.guidance.pose(movement, s, loaded)
                q = self.into_antagonist(T, p[near])
                d = self.antagonist.value(q)
                close = np.flatnonzero(d < 0.4)
                f, g = self.antagonist.gradient(q[close])
                d[close] = f / np.maximum(np.linalg.norm(g, axis=1), 0.3)
                v = self.wanted(s) + margin * min(1.0, s / 0.3) - d
                better = v > worst[near]
                worst[near[better]], at[near[better]] = v[better], s
            out[movement] = (worst, at)
        return out


def build_crown(arch: Arch, number: int, relief_mm, antagonist: Field, guidance: Guidance,
                centric_mm: float, implant: bool, log=None) -> Crown:  # fmt: skip
    """Return a crown that fulfils what is wanted of it, before anything is built in."""
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

    def size_of(p: np.ndarray, _n: np.ndarray) -> np.ndarray:
        t = -((p - arch.origin[row]) @ arch.axes[row, 2]) / shape.length
        size = np.interp(t, [0.25, 0.5, 1.0], [0.13, 0.20, 0.27])
        inward = np.abs(solid.inner.value(p) - solid.cement) < 0.05
        size = np.where(inward, 0.27, size)
        return np.minimum(size, 0.12 + 0.15 * np.maximum(antagonist.value(p) - 0.15, 0.0))

    vertices, faces = remesh(vertices, faces, solid.project, size_of, 6)
    normals = solid.project(vertices, 1)[1]
    t = -((vertices - arch.origin[row]) @ arch.axes[row, 2]) / shape.length
    outside = np.abs(solid.inner.value(vertices) - solid.cement) > 0.3
    natural = guidance.natural_gap(_neighbours(number))
    crown = Crown(arch.jaw, vertices, faces, normals, antagonist, guidance, centric_mm, natural,
                  (t < 0.5) & outside)  # fmt: skip
    _clear(crown, log)
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


def _clear(crown: Crown, log=None) -> None:
    """Lower the crown smoothly wherever a movement comes closer than wanted plus a margin."""
    mean = _spread(crown.faces, len(crown.vertices))
    rows = np.flatnonzero(crown.occlusal)
    for turn in range(4):
        over = np.full(len(crown.vertices), -9.0)
        for worst, _ in crown.excess(crown.vertices[rows], MARGIN_MM).values():
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


def add_bump(crown: Crown, centre: np.ndarray, height: float) -> np.ndarray:
    """Return the crown's vertices raised by a smooth bump along its normals."""
    r = np.linalg.norm(crown.vertices - centre, axis=1) / BUMP_RADIUS_MM
    profile = np.where(r < 1.0, (1.0 - np.minimum(r, 1.0) ** 2) ** 3, 0.0)
    profile[~crown.occlusal] = 0.0
    return crown.vertices + (height * profile)[:, None] * crown.normals


def depth_at(crown: Crown, vertices: np.ndarray, centre: np.ndarray, movement: str,
             loaded: bool = True):  # fmt: skip
    """Return the exact most missed gap (mm) near a spot, its vertex and step, in one movement."""
    rows = np.flatnonzero(np.linalg.norm(vertices - centre, axis=1) < BUMP_RADIUS_MM)
    p = vertices[rows]
    wanted = crown.wanted if loaded else (lambda s: crown.wanted(s) - crown.natural_mm)
    best = (-9.0, 0, 0.0)
    if movement == "centric":
        fine = [0.0]
    else:
        reach = RANGE_MM[movement]
        steps = np.arange(0.05, reach + 1e-9, 0.05)
        rough = np.array([wanted(s) - crown.gap(crown.guidance.pose(movement, s, loaded), p).min()
                          for s in steps])  # fmt: skip
        s0 = steps[int(rough.argmax())]
        fine = np.clip(np.linspace(s0 - 0.05, s0 + 0.05, 9), 1e-6, reach)
    for s in fine:
        T = crown.guidance.pose(movement, s, loaded)
        few = np.argsort(crown.gap(T, p))[:60]
        d = wanted(s) - crown.gap(T, p[few], exact=True)
        if d.max() > best[0]:
            best = (float(d.max()), rows[few[int(d.argmax())]], float(s))
    return best


def build_in(crown: Crown, centre: np.ndarray, movement: str, depth_mm: float, start: float, log):
    """Raise a bump until its exact interference in a movement is `depth_mm`; note the spot."""
    height = start
    for _ in range(5):
        vertices = add_bump(crown, centre, height)
        found, vertex, s = depth_at(crown, vertices, centre, movement)
        if abs(found - depth_mm) < 2e-5:
            break
        height += depth_mm - found
    crown.vertices = vertices
    crown.spots.append({"movement": movement, "depth_um": 1e3 * found, "vertex": int(vertex),
                        "at_parameter_mm": s, "bump_height_um": 1e3 * height,
                        "radius_mm": BUMP_RADIUS_MM,
                        "centre": np.array(centre)})  # fmt: skip
    log(f"  spot {movement} depth {1e3 * found:.2f} um, bump {1e3 * height:.1f} um, s {s:.2f}")


def contact_centres(crown: Crown, n: int, apart: float = 2.6) -> list[np.ndarray]:
    """Return the middles of the broadest centric contacts, far apart."""
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
        if score[k] > 0 and all(np.linalg.norm(p - q) > apart for q in out):
            out.append(p)
        if len(out) == n:
            break
    return out


def _too_high(crown: Crown, p: np.ndarray, movement: str):
    """Return the excess in one movement, and by how much points lack room elsewhere, (n,) each.

    Elsewhere is the closure and the other movements, which are to stay clear of a spot.
    """
    excess = {m: worst for m, (worst, _) in crown.excess(p).items()}
    closed = crown.wanted(0.0) - crown.gap(crown.guidance.pose("centric", 0.0), p)
    over = closed + ROOM_MM
    for other, worst in excess.items():
        if other != movement:
            over = np.maximum(over, worst + ROOM_MM)
    return excess[movement], over


def excursion_targets(crown: Crown, movements, depth_mm: float):
    """Return where a lengthened cusp would interfere in one movement alone, nearest first.

    Each is the vertex below, the point above it, and the movement. Looks over points in front of
    the occlusal surface, within the bite but outside the crown.
    """
    tree = cKDTree(crown.vertices)
    rows = np.flatnonzero(crown.occlusal)
    low, high = crown.vertices[rows].min(axis=0) - 0.3, crown.vertices[rows].max(axis=0) + 0.3
    grid = np.stack(np.meshgrid(*[np.arange(a, b, 0.2) for a, b in zip(low, high, strict=True)],
                                indexing="ij"), -1).reshape(-1, 3)  # fmt: skip
    far, below = tree.query(grid)
    out = np.einsum("ij,ij->i", grid - crown.vertices[below], crown.normals[below])
    keep = (far < 1.2) & (out > 0.8 * far) & (far > 0.15) & crown.occlusal[below]
    keep[keep] = crown.gap(np.eye(4), grid[keep]) > 0.0
    p, far, below = grid[keep], far[keep], below[keep]
    found = []
    for movement in movements:
        excess, over = _too_high(crown, p, movement)
        free = np.flatnonzero((excess > depth_mm) & (over < 0.0))
        found += [(far[k], int(below[k]), p[k], movement) for k in free]
    found.sort(key=lambda c: c[0])
    apart: list = []
    for c in found:
        if all(np.linalg.norm(c[2] - q[2]) > 0.5 or c[3] != q[3] for q in apart):
            apart.append(c)
    return [c[1:] for c in apart]


def build_in_excursion(crown: Crown, target, depth_mm: float, log) -> bool:
    """Lengthen a cusp, kept clear of all else, until it interferes by `depth_mm` in one movement.

    Returns whether that was nearly reached; else the crown is left as it was.
    """
    below, point, movement = target
    start = crown.vertices
    centre = start[below]
    way = (point - centre) / np.linalg.norm(point - centre)
    height = float(np.linalg.norm(point - centre))
    r = np.linalg.norm(start - centre, axis=1) / CUSP_RADIUS_MM
    near = np.flatnonzero((r < 1.0) & crown.occlusal)
    profile = (1.0 - r[near] ** 2) ** 3
    room = np.full(len(near), 2.0)
    found = vertex = s = 0.0
    for _ in range(16):
        raised = np.maximum(-smooth_max(-height * profile, -room, 0.04), 0.0) * (room > 0)
        vertices = start.copy()
        vertices[near] += raised[:, None] * way
        _, over = _too_high(crown, vertices[near], movement)
        over = np.where(raised > 0.002, np.maximum(over, 0.0), 0.0)
        found, vertex, s = depth_at(crown, vertices, centre + height * way, movement)
        if over.max() < 0.3 * ROOM_MM and abs(found - depth_mm) < 5e-4:
            break
        room = np.where(over > 0, np.maximum(np.minimum(room, raised) - 1.2 * over, 0.0), room)
        if over.max() < 0.02:
            height = float(np.clip(height + (depth_mm - found), 0.0, 1.5))
    log(f"  {movement}: {1e3 * found:.1f} um, raised {1e3 * raised.max():.0f} um, s {s:.2f}, "
        f"lack elsewhere {1e3 * over.max():.1f} um")  # fmt: skip
    if abs(found - depth_mm) > 0.1 * depth_mm or over.max() > 0.6 * ROOM_MM:
        return False  # what is found exactly is what is noted
    crown.vertices = vertices
    crown.spots.append({"movement": movement, "depth_um": 1e3 * found, "vertex": int(vertex),
                        "at_parameter_mm": s, "bump_height_um": 1e3 * float(raised.max()),
                        "radius_mm": CUSP_RADIUS_MM, "centre": vertices[vertex]})  # fmt: skip
    return True
