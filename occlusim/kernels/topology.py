"""Who touches whom in a triangle mesh, and the normals that carry the sign at edges and vertices.

Arrays: `faces` (F, 3) indices into welded vertices; `start` (V + 1,) and `corner` (3 F,) the list
of corners 3 * face + k around each vertex; `link` (F, 3) the face across each edge or -1;
`edge_code` (F, 3) one of the codes below. Edge k of a face runs from its vertex k to k + 1.
"""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel

EDGE_SHARED = 0  # two faces that agree on the orientation
EDGE_OPEN = 1  # one face
EDGE_FLIPPED = 2  # two faces that disagree on the orientation
EDGE_CROWDED = 3  # three faces or more
EDGE_DROPPED = 4  # the face itself takes no part

KEPT, COLLAPSED, DUPLICATE = 0, 1, 2
FAN_LIMIT = 64
FLAT_HEIGHT_MM = 1e-5
FLAT_ASPECT = 1e-7


@kernel
def corner_lists(faces, fate, n_vertices):
    """Return `start` and `corner`: the corners of kept faces around each vertex."""
    start = np.empty(n_vertices + 1, np.int32)
    for v in range(n_vertices + 1):
        start[v] = 0
    for i in range(len(faces)):
        if fate[i] == KEPT:
            for k in range(3):
                start[faces[i, k] + 1] += 1
    for v in range(n_vertices):
        start[v + 1] += start[v]
    place = np.empty(n_vertices, np.int32)
    for v in range(n_vertices):
        place[v] = start[v]
    corner = np.empty(start[n_vertices], np.int32)
    for i in range(len(faces)):
        if fate[i] == KEPT:
            for k in range(3):
                v = faces[i, k]
                corner[place[v]] = 3 * i + k
                place[v] += 1
    return start, corner


@shared_kernel(least=20_000)
def mark_duplicates(first, stop, faces, start, corner, is_flat, fate):
    """Write fate DUPLICATE (F,) for a face whose three vertices an earlier face has too.

    Two flat faces back to back cancel: both go, and what they closed closes without them.
    """
    for i in range(first, stop):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        for q in range(start[a], start[a + 1]):
            g, k = corner[q] // 3, corner[q] % 3
            following, last = faces[g, (k + 1) % 3], faces[g, (k + 2) % 3]
            is_repeat = g < i and following == b and last == c
            is_reverse = g != i and following == c and last == b
            if is_repeat or (is_reverse and (g < i or is_flat[i])):
                fate[i] = DUPLICATE


@shared_kernel(least=5_000)
def link_faces(first, stop, faces, fate, start, corner, link, edge_code):
    """Write the face across each edge (F, 3), -1 where there is none or more than one."""
    for i in range(first, stop):
        for k in range(3):
            link[i, k] = -1
            edge_code[i, k] = EDGE_DROPPED
            if fate[i] != KEPT:
                continue
            a = faces[i, k]
            b = faces[i, (k + 1) % 3]
            n_same = 0
            n_other = 0
            other = -1
            for q in range(start[a], start[a + 1]):
                g = corner[q] // 3
                j = corner[q] % 3
                if g == i:
                    continue
                if faces[g, (j + 1) % 3] == b:
                    n_same += 1
                    other = g
                elif faces[g, (j + 2) % 3] == b:
                    n_other += 1
                    other = g
            if n_same + n_other == 0:
                edge_code[i, k] = EDGE_OPEN
            elif n_same + n_other > 1:
                edge_code[i, k] = EDGE_CROWDED
            elif n_same == 1:
                edge_code[i, k] = EDGE_FLIPPED
                link[i, k] = other
            else:
                edge_code[i, k] = EDGE_SHARED
                link[i, k] = other


@shared_kernel(least=5_000)
def face_geometry(first, stop, vertices, faces, normal, area_mm2, angle, longest, is_flat, is_line):
    """Write unit normals (F, 3), areas, corner angles (F, 3), longest edge and what has no area.

    `is_flat`: lower than scanners and 32-bit files resolve, so its own normal means nothing;
    `is_line`: no area at all in float64, not fit for a closest point.
    """
    for i in range(first, stop):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        ux, uy, uz = (
            vertices[b, 0] - vertices[a, 0],
            vertices[b, 1] - vertices[a, 1],
            vertices[b, 2] - vertices[a, 2],
        )
        wx, wy, wz = (
            vertices[c, 0] - vertices[a, 0],
            vertices[c, 1] - vertices[a, 1],
            vertices[c, 2] - vertices[a, 2],
        )
        ex, ey, ez = wx - ux, wy - uy, wz - uz
        nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        size = math.sqrt(nx * nx + ny * ny + nz * nz)
        ab_sq = ux * ux + uy * uy + uz * uz
        bc_sq = ex * ex + ey * ey + ez * ez
        ca_sq = wx * wx + wy * wy + wz * wz
        side = 0
        if bc_sq > ab_sq:
            side = 1
        if ca_sq > max(ab_sq, bc_sq):
            side = 2
        longest[i] = side
        length = math.sqrt(max(ab_sq, bc_sq, ca_sq))
        is_line[i] = not size > FLAT_ASPECT * length * length
        is_flat[i] = is_line[i] or size < FLAT_HEIGHT_MM * length
        area_mm2[i] = 0.5 * size
        angle[i, 0] = math.atan2(size, ux * wx + uy * wy + uz * wz)
        angle[i, 1] = math.atan2(size, -(ux * ex + uy * ey + uz * ez))
        angle[i, 2] = math.atan2(size, ex * wx + ey * wy + ez * wz)
        inverse = 1.0 / size if size > 0.0 else 0.0
        normal[i, 0], normal[i, 1], normal[i, 2] = nx * inverse, ny * inverse, nz * inverse


@kernel
def lend_normals(link, longest, is_flat, normal):
    """Give flat faces the normal across their longest edge: there they lie on that face.

    A cap (its apex on its longest edge) then turns its apex into a point of that edge. Chains of
    flat faces are followed to the end; where none has a normal the face keeps what it has.
    """
    n = len(link)
    done = np.empty(n, np.bool_)
    for i in range(n):
        done[i] = not is_flat[i]
    left = 1
    while left > 0:
        left = 0
        for i in range(n):
            if done[i]:
                continue
            source = link[i, longest[i]]
            if source < 0 or not done[source]:
                # A second choice only where the first can never be had.
                source = -1
                if link[i, longest[i]] < 0 or is_flat[link[i, longest[i]]]:
                    for k in range(3):
                        g = link[i, k]
                        if g >= 0 and done[g]:
                            source = g
                            break
            if source >= 0:
                for d in range(3):
                    normal[i, d] = normal[source, d]
                done[i] = True
                left += 1


@inner_kernel
def _fan_normal(vertices, faces, start, corner, normal, a, b, out):
    """Write into `out` (3,) the normal of the one wedge above 180 degrees around a crowded edge.

    Only points of such a wedge have the edge as their nearest feature. Returns 0 where the sign
    is known, 1 where the two faces that bound the wedge contradict each other.
    """
    e = np.empty(3)
    length = 0.0
    for d in range(3):
        e[d] = vertices[b, d] - vertices[a, d]
        length += e[d] * e[d]
    for d in range(3):
        e[d] /= math.sqrt(length)
    member = np.empty(FAN_LIMIT, np.int64)
    turn = np.empty(FAN_LIMIT)
    u, w, p = np.empty(3), np.empty(3), np.empty(3)
    n = 0
    for q in range(start[a], start[a + 1]):
        g = corner[q] // 3
        j = corner[q] % 3
        if faces[g, (j + 1) % 3] == b:
            third = faces[g, (j + 2) % 3]
        elif faces[g, (j + 2) % 3] == b:
            third = faces[g, (j + 1) % 3]
        else:
            continue
        if n == FAN_LIMIT:
            return 1
        along = 0.0
        for d in range(3):
            p[d] = vertices[third, d] - vertices[a, d]
            along += p[d] * e[d]
        for d in range(3):
            p[d] -= along * e[d]
        if n == 0:
            size = math.sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2])
            for d in range(3):
                u[d] = p[d] / size if size > 0.0 else 0.0
            w[0] = e[1] * u[2] - e[2] * u[1]
            w[1] = e[2] * u[0] - e[0] * u[2]
            w[2] = e[0] * u[1] - e[1] * u[0]
        x = p[0] * u[0] + p[1] * u[1] + p[2] * u[2]
        y = p[0] * w[0] + p[1] * w[1] + p[2] * w[2]
        angle = math.atan2(y, x)
        # Sorted as they come: a dozen at most.
        at = n
        while at > 0 and turn[at - 1] > angle:
            turn[at] = turn[at - 1]
            member[at] = member[at - 1]
            at -= 1
        turn[at] = angle
        member[at] = g
        n += 1
    widest = 0.0
    first = second = member[0]
    middle = 0.0
    for i in range(n):
        here = turn[i]
        following = turn[i + 1] if i + 1 < n else turn[0] + 2.0 * math.pi
        if following - here > widest:
            widest = following - here
            first = member[i]
            second = member[(i + 1) % n]
            middle = 0.5 * (here + following)
    c, s = math.cos(middle), math.sin(middle)
    side_first = 0.0
    side_second = 0.0
    for d in range(3):
        m = c * u[d] + s * w[d]
        side_first += m * normal[first, d]
        side_second += m * normal[second, d]
        out[d] = normal[first, d] + normal[second, d]
    if widest > math.pi and side_first * side_second <= 0.0:
        return 1
    return 0


@shared_kernel(least=5_000)
def edge_pseudonormals(
    first, stop, vertices, faces, start, corner, link, edge_code, longest, is_flat, normal, out,
    is_open,
):  # fmt: skip
    """Write unit edge pseudonormals (F, 3, 3), and where the sign is not known (F, 3)."""
    total = np.empty(3)
    for i in range(first, stop):
        for k in range(3):
            code = edge_code[i, k]
            is_open[i, k] = EDGE_OPEN <= code <= EDGE_FLIPPED
            for d in range(3):
                total[d] = normal[i, d]
            if code == EDGE_CROWDED:
                a, b = faces[i, k], faces[i, (k + 1) % 3]
                is_open[i, k] = (
                    _fan_normal(vertices, faces, start, corner, normal, a, b, total) != 0
                )
            elif code == EDGE_SHARED:
                g = link[i, k]
                across = 0
                for j in range(3):
                    if link[g, j] == i:
                        across = j
                if is_flat[g] and not is_flat[i] and longest[g] == across:
                    # A flat cap seen over its long edge: the surface goes on behind it.
                    hx = hy = hz = 0.0
                    for j in range(3):
                        h = link[g, j]
                        if j != across and h >= 0:
                            hx += normal[h, 0]
                            hy += normal[h, 1]
                            hz += normal[h, 2]
                    size = math.sqrt(hx * hx + hy * hy + hz * hz)
                    if size > 1e-9:
                        total[0] += hx / size
                        total[1] += hy / size
                        total[2] += hz / size
                else:
                    for d in range(3):
                        total[d] += normal[g, d]
            size = math.sqrt(total[0] ** 2 + total[1] ** 2 + total[2] ** 2)
            if not size > 1e-7:
                is_open[i, k] = True
                size = 1.0
                for d in range(3):
                    total[d] = normal[i, d]
            for d in range(3):
                out[i, k, d] = total[d] / size


@kernel
def split_fans(faces, start, corner, link, edge_code, fan):
    """Write which fan (F, 3) each corner belongs to; return the number of fans.

    Faces around a vertex that are joined by shared edges make one fan. A vertex where two fans
    only touch would add up normals of unrelated sheets, so each fan gets its own normal.
    """
    n_fans = 0
    fan[:, :] = -1
    stack = np.empty(len(corner) + 1, np.int64)
    for v in range(len(start) - 1):
        for q in range(start[v], start[v + 1]):
            f, k = corner[q] // 3, corner[q] % 3
            if fan[f, k] >= 0:
                continue
            stack[0] = corner[q]
            depth = 1
            fan[f, k] = n_fans
            while depth > 0:
                depth -= 1
                f, k = stack[depth] // 3, stack[depth] % 3
                for step in range(2):
                    edge = k if step == 0 else (k + 2) % 3
                    g = link[f, edge]
                    if g < 0 or edge_code[f, edge] != EDGE_SHARED:
                        continue
                    for j in range(3):
                        if faces[g, j] == v and fan[g, j] < 0:
                            fan[g, j] = n_fans
                            stack[depth] = 3 * g + j
                            depth += 1
            n_fans += 1
    return n_fans


@kernel
def fan_pseudonormals(faces, fate, fan, normal, angle, edge_is_open, out, is_open):
    """Write unit angle-weighted pseudonormals of the fans (n, 3), and where none is known (n,)."""
    out[:, :] = 0.0
    is_open[:] = False
    for i in range(len(faces)):
        if fate[i] != KEPT:
            continue
        for k in range(3):
            f = fan[i, k]
            for d in range(3):
                out[f, d] += angle[i, k] * normal[i, d]
            if edge_is_open[i, k] or edge_is_open[i, (k + 2) % 3]:
                is_open[f] = True
    for f in range(len(out)):
        size = math.sqrt(out[f, 0] ** 2 + out[f, 1] ** 2 + out[f, 2] ** 2)
        if size > 1e-9:
            for d in range(3):
                out[f, d] /= size
        else:
            is_open[f] = True
            out[f, 0], out[f, 1], out[f, 2] = 0.0, 0.0, 1.0
