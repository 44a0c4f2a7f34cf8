"""What of a body lies near a field, gathered face by face; serial, cheap to call."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel


@kernel
def near_faces(faces, is_exact, gap, reach, is_used, touched):
    """Write the faces (F, 3) that have a corner whose gap is known to be below `reach`; how many.

    Writes is_used (V,) for all their corners and touched (F,), of which the first are filled.
    """
    n = 0
    for i in range(len(faces)):
        is_near = False
        for c in range(3):
            v = faces[i, c]
            is_near = is_near or (is_exact[v] and gap[v] < reach)
        if is_near:
            touched[n] = i
            n += 1
            for c in range(3):
                is_used[faces[i, c]] = True
    return n


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


@kernel
def mark_teeth(face, body_tooth, field_face, field_tooth, is_met):
    """Set is_met (t,) for the teeth of some of the body's and of the field's faces."""
    for f in face:
        is_met[body_tooth[f]] = True
    for f in field_face:
        is_met[field_tooth[f]] = True


@inner_kernel
def _lowest(corners, gap):
    """Return which of a face's three corners has the least gap; of equals the first."""
    best = corners[0]
    for c in range(1, 3):
        if gap[corners[c]] < gap[best]:
            best = corners[c]
    return best


@kernel
def lowest_corners(faces, gap, out):
    """Write which point of each face (f, 3) has the least gap (k,)."""
    for f in range(len(faces)):
        out[f] = _lowest(faces[f], gap)


@kernel
def lay_points(
    points, gap, direction, vertex, table, plus, minus, rotation, translation, is_moving,
    centre, right, superior, roll, out_gap, out_direction, slope,
):  # fmt: skip
    """Write gaps as if no tooth had given way, and how they change as the lower side moves.

    points (k, 3), direction (k, 3) and the shifts table[plus[vertex]] - table[minus[vertex]] are in
    the field's frame. Where the field belongs to the jaw that moves, `is_moving`, rotation (3, 3)
    and translation (3,) carry it into the upper frame, and the gap grows the other way. centre,
    right, superior and roll (3,) are the jaw's freedoms there: see `motion.suspension`. Writes
    out_gap (k,), out_direction (k, 3) and slope (k, 3), upper frame.
    """
    p, d = np.empty(3), np.empty(3)
    for i in range(len(points)):
        v = vertex[i]
        a, b = plus[v], minus[v]
        given = 0.0
        for k in range(3):
            given += direction[i, k] * (table[a, k] - table[b, k])
        out_gap[i] = gap[i] - given
        for k in range(3):
            if is_moving:
                r = rotation[k]
                p[k] = r[0] * points[i, 0] + r[1] * points[i, 1] + r[2] * points[i, 2]
                p[k] += translation[k] - centre[k]
                d[k] = -r[0] * direction[i, 0] - r[1] * direction[i, 1] - r[2] * direction[i, 2]
            else:
                p[k] = points[i, k] - centre[k]
                d[k] = direction[i, k]
            out_direction[i, k] = d[k]
        turning = tilting = rising = 0.0
        for k in range(3):
            m, n = (k + 1) % 3, (k + 2) % 3
            turning += d[k] * (p[m] * right[n] - p[n] * right[m])
            tilting += d[k] * (roll[m] * p[n] - roll[n] * p[m])
            rising += 0.5 * d[k] * superior[k]
        slope[i, 0] = turning
        slope[i, 1] = rising + tilting
        slope[i, 2] = rising - tilting


@kernel
def lay_faces(
    faces, face, gap, direction, normal, area, field_face, body_tooth, field_tooth, slot,
    stiffness, body_slot, met_slot, weight,
):  # fmt: skip
    """Write the slots of the teeth on either side of each face (f, 3), and its weight, N/mm.

    gap (k,) and direction (k, 3) are of its corners, normal (f, 3) and area (f,) its own, all in
    one frame; slot (t,) by tooth. A face counts with its area as seen along the gap: the same
    whichever side is integrated. The tooth that it meets is that of the lowest corner.
    """
    for f in range(len(faces)):
        corners = faces[f]
        seen = 0.0
        for c in range(3):
            for k in range(3):
                seen -= normal[f, k] * direction[corners[c], k]
        weight[f] = stiffness * area[f] * max(seen / 3.0, 0.0)
        body_slot[f] = slot[body_tooth[face[f]]]
        met_slot[f] = slot[field_tooth[field_face[_lowest(corners, gap)]]]


@kernel
def pressed_faces(
    faces, gap, slope, direction, lower_slot, upper_slot, change, ways, out, corner_gap, given
):  # fmt: skip
    """Write the faces that are pressed at a state, and their gaps there; return how many.

    gap (k,), slope (k, 3) and direction (k, 3) as `press` of `occlusim.kernels.pressure` takes
    them; `change` (3,) of the freedoms since, `ways` (t + 1, 3) of the teeth, the last row zero.
    Writes out (n,) and, for these, corner_gap (n, 3) and how much of it teeth have `given` (n, 3).
    """
    n = 0
    for f in range(len(faces)):
        is_pressed = False
        low, up = lower_slot[f], upper_slot[f]
        for c in range(3):
            v = faces[f, c]
            way = moved = 0.0
            for k in range(3):
                moved += slope[v, k] * change[k]
                way += direction[v, k] * (ways[low, k] - ways[up, k])
            given[n, c] = way
            corner_gap[n, c] = gap[v] + moved + way
            is_pressed = is_pressed or corner_gap[n, c] < 0.0
        if is_pressed:
            out[n] = f
            n += 1
    return n
