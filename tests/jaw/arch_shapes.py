"""Simple invented arches with teeth at known places: bumps along a beta-function curve.

Curve: Braun et al. 1998, Angle Orthod 68:29-36, y = 3.0314 D (1/2 + x/W)^0.8 (1/2 - x/W)^0.8 (from
memory). Widths: the handbook table of `occlusim.jaw.row_fit`.
"""

from dataclasses import dataclass

import numpy as np

from occlusim.geometry.mesh import TriangleMesh
from occlusim.jaw.numbering import arch_of, is_upper, position_of, side_of
from occlusim.jaw.row_fit import MESIODISTAL_MM

GRID_MM = 0.5
BUCCOLINGUAL_MM = {
    True: (7.0, 6.0, 8.0, 9.0, 9.0, 11.0, 11.0, 10.0),
    False: (6.0, 6.5, 7.5, 7.5, 8.0, 10.5, 10.0, 9.5),
}
CUSP_OFFSETS = {1: ((0.0, 0.0),), 2: ((0.0, 0.28), (0.0, -0.28))}
MOLAR_CUSPS = ((0.25, 0.28), (-0.25, 0.28), (0.25, -0.28), (-0.25, -0.28))


@dataclass(frozen=True)
class Arch:
    """A mesh in patient axes with the truth: middle of each tooth and cusps (mesial, buccal)."""

    mesh: TriangleMesh
    centres: dict[int, np.ndarray]
    tangents: dict[int, np.ndarray]
    tooth: np.ndarray

    def cusp(self, tooth: int, distal: float, buccal: float) -> np.ndarray:
        """Return a point (2,) at a fraction of the widths from the middle of a tooth."""
        position = position_of(tooth) - 1
        u = self.tangents[tooth]
        outward = np.array([u[1], -u[0]])
        mesial = u if side_of(tooth) == "right" else -u
        md = MESIODISTAL_MM[is_upper(tooth)][position]
        bl = BUCCOLINGUAL_MM[is_upper(tooth)][position]
        return self.centres[tooth][:2] - distal * md * mesial + buccal * bl * outward


def beta_curve(width_mm: float, depth_mm: float) -> np.ndarray:
    """Return points (n, 2) from the patient's right to left, every 0.05 mm or nearer."""
    f = 0.5 * np.cos(np.linspace(0.0, np.pi, 6001))
    shape = np.maximum((0.5 + f) * (0.5 - f), 0.0) ** 0.8
    return np.column_stack([width_mm * f, 3.0314 * depth_mm * shape])


def make_arch(
    *,
    upper: bool,
    last: int = 7,
    missing: tuple[int, ...] = (),
    scale: float = 1.0,
    stump_mm: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Arch:
    """Return an arch whose crowns end at z = 0, lower below, upper above.

    Where a tooth is missing a round stump of `stump_mm` stands in its place.
    """
    curve = beta_curve(61.0, 49.0) if upper else beta_curve(56.0, 46.5)
    curve = curve * scale * (1.0 if last < 8 else 1.15)
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    middle = 0.5 * length[-1]
    centres, tangents, sizes, stumps = {}, {}, {}, []
    for side, sign in (("right", -1.0), ("left", 1.0)):
        run = 0.0
        for position in range(1, last + 1):
            md = MESIODISTAL_MM[upper][position - 1] * scale
            s = middle + sign * (run + 0.5 * md)
            run += md
            tooth = next(
                t for t in arch_of(upper=upper) if side_of(t) == side and position_of(t) == position
            )
            if s < 0 or s > length[-1]:
                raise ValueError("the curve is too short for the teeth")
            at = [np.interp(s, length, curve[:, k]) for k in (0, 1)]
            ahead = [np.interp(s + 0.5, length, curve[:, k]) for k in (0, 1)]
            behind = [np.interp(s - 0.5, length, curve[:, k]) for k in (0, 1)]
            u = np.array(ahead) - np.array(behind)
            if tooth in missing:
                stumps.append(np.array(at))
                continue
            centres[tooth] = np.array([*at, 0.0])
            tangents[tooth] = u / np.linalg.norm(u)
            sizes[tooth] = (md, BUCCOLINGUAL_MM[upper][position - 1] * scale)
    field = _height_field(curve, centres, tangents, sizes, [(at, stump_mm) for at in stumps])
    mesh, tooth = _mesh_of(*field, upper, rng)
    return Arch(mesh, centres, tangents, tooth)


def _height_field(curve, centres, tangents, sizes, stumps):
    low, high = curve.min(axis=0) - 9.0, curve.max(axis=0) + 9.0
    x, y = (np.arange(low[k], high[k], GRID_MM) for k in (0, 1))
    xy = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    off = np.min(np.linalg.norm(xy[:, :, None] - curve[None, None, ::100], axis=3), axis=2)
    z = -7.0 - 0.05 * off**2
    for at, height in stumps:
        z = z + height * np.exp(-((np.linalg.norm(xy - at, axis=2) / 2.5) ** 4))
    owner = np.zeros(z.shape, dtype=np.int16)
    for name, centre in centres.items():
        d = xy - centre[:2]
        u = d @ tangents[name]
        v = d @ np.array([tangents[name][1], -tangents[name][0]])
        md, bl = sizes[name]
        radius = (np.abs(u / (0.5 * md)) ** 2.5 + np.abs(v / (0.5 * bl)) ** 2.5) ** 0.4
        crown = -1.5 - 5.5 * np.minimum(radius, 3.0) ** 8
        position = position_of(name)
        cusps = MOLAR_CUSPS if position > 5 else CUSP_OFFSETS[1 if position < 4 else 2]
        for a, b in cusps:
            wide = (0.45 * md if position < 4 else 1.6, 1.2 if position < 4 else 1.6)
            hump = ((u - a * md) / wide[0]) ** 2 + ((v - b * bl) / wide[1]) ** 2
            crown = crown + 1.5 * np.exp(-hump)
        owner = np.where(crown > z, name, owner)
        z = np.maximum(z, crown)
    return xy, off, z, owner


def _mesh_of(xy, off, z, owner, upper, rng):
    if rng is not None:
        z = z + 0.01 * rng.standard_normal(z.shape)
    n, m = z.shape
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a, b = i * m + j, (i + 1) * m + j
    faces = np.stack([a, b, b + 1, a, b + 1, a + 1], axis=-1).reshape(-1, 3)
    keep = (off.ravel()[faces] < 8.0).all(axis=1)
    faces = faces[keep].astype(np.int32)
    vertices = np.column_stack([xy.reshape(-1, 2), z.ravel()])
    if upper:
        vertices[:, 2] *= -1.0
        faces = faces[:, [0, 2, 1]]
    used, new = np.unique(faces, return_inverse=True)
    mesh = TriangleMesh(vertices[used], new.reshape(-1, 3).astype(np.int32))
    return mesh, owner.ravel()[used]


def mirrored(mesh: TriangleMesh) -> TriangleMesh:
    """Return the mesh with right and left exchanged, faces still outward."""
    return TriangleMesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, [0, 2, 1]])
