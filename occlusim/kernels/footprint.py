"""What of a body lies near a field, gathered face by face; serial, cheap to call."""

import math

from occlusim.kernels.jit import kernel


@kernel
def touched_faces(faces, is_near, is_used, touched):
    """Write the faces (F, 3) that have a corner in a mask of vertices; return how many.

    Writes is_used (V,) for all their corners and touched (F,), of which the first are filled.
    """
    n = 0
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        if is_near[a] or is_near[b] or is_near[c]:
            touched[n] = i
            n += 1
            is_used[a] = is_used[b] = is_used[c] = True
    return n


@kernel
def place_points(
    body_points, asked, number, rotation, translation, distance, nearest, normals, face,
    points, gap, direction, field_face,
):  # fmt: skip
    """Write points, gaps and directions of growing gap of those points that bear a number.

    `asked` (n,) points of the body have distance, nearest, normals and face in the field's frame;
    `number` (V,) says where in points (k, 3), gap (k,), direction (k, 3) and field_face (k,) they
    are written, -1 nowhere.
    """
    for i in range(len(asked)):
        at = number[asked[i]]
        if at < 0:
            continue
        p = body_points[asked[i]]
        total = 0.0
        for d in range(3):
            r = rotation[d]
            points[at, d] = r[0] * p[0] + r[1] * p[1] + r[2] * p[2] + translation[d]
            direction[at, d] = points[at, d] - nearest[i, d]
            total += direction[at, d] ** 2
        size = math.sqrt(total)
        sign = -1.0 if distance[i] < 0.0 else 1.0
        for d in range(3):
            direction[at, d] = sign * direction[at, d] / size if size > 1e-9 else normals[i, d]
        gap[at] = distance[i]
        field_face[at] = face[i]


@kernel
def place_faces(faces, chosen, number, points, gap, out_faces, out_face, normal, area):
    """Write those of the chosen faces whose corners' gaps are all known; return how many.

    Writes out_faces (n, 3) into points (k, 3), out_face (n,), normal (n, 3) of unit length and
    area (n,), mm2.
    """
    n = 0
    for i in range(len(chosen)):
        a, b, c = (
            number[faces[chosen[i], 0]],
            number[faces[chosen[i], 1]],
            number[faces[chosen[i], 2]],
        )
        if not math.isfinite(gap[a] + gap[b] + gap[c]):
            continue
        ux, uy, uz = (
            points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
        )  # fmt: skip
        vx, vy, vz = (
            points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
        )  # fmt: skip
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = math.sqrt(x * x + y * y + z * z)
        scale = 1.0 / max(double, 1e-300)
        out_faces[n, 0], out_faces[n, 1], out_faces[n, 2] = a, b, c
        out_face[n] = chosen[i]
        normal[n, 0], normal[n, 1], normal[n, 2] = x * scale, y * scale, z * scale
        area[n] = 0.5 * double
        n += 1
    return n
