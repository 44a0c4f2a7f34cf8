"""Energy, forces and stiffness of an elastic foundation between surfaces that yield; serial.

A face's gap is linear over it. Where it is negative the foundation is pressed, and its energy is
half of weight x gap^2 in the mean over the whole face. Everything follows from the integrals of
products of two corner functions over the pressed part, which are exact.
"""

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel


@inner_kernel
def pressed_products(gap, product):
    """Write the means (3, 3) over a face of N_a N_b where the gap (3,) is negative; return if any.

    N_a is 1 at corner a and 0 at the others. The mean is over the whole face, so that the diagonal
    of a face that is pressed all over is 1/6.
    """
    shape = np.empty((4, 3))
    n = 0
    for a in range(3):
        b = (a + 1) % 3
        if gap[a] < 0.0:
            for d in range(3):
                shape[n, d] = 0.0
            shape[n, a] = 1.0
            n += 1
        if (gap[a] < 0.0) != (gap[b] < 0.0):
            t = gap[a] / (gap[a] - gap[b])
            for d in range(3):
                shape[n, d] = 0.0
            shape[n, a] = 1.0 - t
            shape[n, b] = t
            n += 1
    for a in range(3):
        for b in range(3):
            product[a, b] = 0.0
    for k in range(1, n - 1):
        # The share of the face that a part covers is the determinant of its corners.
        x0, x1, x2 = shape[0], shape[k], shape[k + 1]
        share = abs(
            x0[0] * (x1[1] * x2[2] - x1[2] * x2[1])
            - x0[1] * (x1[0] * x2[2] - x1[2] * x2[0])
            + x0[2] * (x1[0] * x2[1] - x1[1] * x2[0])
        )
        for a in range(3):
            for b in range(3):
                whole = (x0[a] + x1[a] + x2[a]) * (x0[b] + x1[b] + x2[b])
                each = x0[a] * x0[b] + x1[a] * x1[b] + x2[a] * x2[b]
                product[a, b] += share * (whole + each) / 12.0
    return n > 0


@kernel
def press(
    faces, gap, direction, slope, lower_slot, upper_slot, weight, freedom, shift, gradient, hessian
):  # fmt: skip
    """Add a foundation's gradient and Hessian; return its energy, N mm.

    faces (F, 3) into gap (k,) mm, direction (k, 3) in which the gap grows as the lower side moves,
    and slope (k, 3), change of the gap with the jaw's three freedoms; lower_slot and upper_slot
    (F,) say which tooth yields on either side, -1 none; weight (F,) N/mm is stiffness times area.
    freedom (3,) and shift (teeth, 3) mm are changes since the gaps were found. Adds to gradient
    (n,) and hessian (n, n), n = 3 + 3 teeth.
    """
    n_slots = len(shift) + 1
    energy = 0.0
    value = np.empty(3)
    product = np.empty((3, 3))
    load = np.empty(3)
    row = np.empty((3, 6))
    moved = np.empty((3, 6))
    relative = np.empty(3)
    # By pair of teeth: what the jaw's freedoms and the two teeth's relative shift feel.
    force = np.zeros((n_slots * n_slots, 6))
    stiffness = np.zeros((n_slots * n_slots, 6, 6))
    is_met = np.zeros(n_slots * n_slots, dtype=np.bool_)
    base = np.empty(len(gap))
    for v in range(len(gap)):
        base[v] = gap[v] + (
            slope[v, 0] * freedom[0] + slope[v, 1] * freedom[1] + slope[v, 2] * freedom[2]
        )
    for f in range(len(faces)):
        low, up = lower_slot[f], upper_slot[f]
        for c in range(3):
            value[c] = base[faces[f, c]]
        if low >= 0 or up >= 0:
            for d in range(3):
                relative[d] = 0.0
                if low >= 0:
                    relative[d] += shift[low, d]
                if up >= 0:
                    relative[d] -= shift[up, d]
            for c in range(3):
                r = direction[faces[f, c]]
                value[c] += r[0] * relative[0] + r[1] * relative[1] + r[2] * relative[2]
        is_pressed = value[0] < 0.0 or value[1] < 0.0 or value[2] < 0.0
        if not is_pressed:
            continue
        pair = (low + 1) * n_slots + up + 1
        is_met[pair] = True
        # What no tooth of the pair feels is not summed.
        n_parts = 6 if low >= 0 or up >= 0 else 3
        for c in range(3):
            v = faces[f, c]
            for d in range(3):
                row[c, d] = slope[v, d]
                row[c, 3 + d] = direction[v, d]
        if value[0] < 0.0 and value[1] < 0.0 and value[2] < 0.0:
            # All of it: the mean of N_a N_b is 1/12, and 1/6 of a corner with itself.
            share = weight[f] / 12.0
            whole = value[0] + value[1] + value[2]
            for a in range(3):
                load[a] = share * (whole + value[a])
            for i in range(n_parts):
                total = row[0, i] + row[1, i] + row[2, i]
                for a in range(3):
                    moved[a, i] = share * (total + row[a, i])
        else:
            pressed_products(value, product)
            for a in range(3):
                load[a] = 0.0
                for b in range(3):
                    product[a, b] *= weight[f]
                    load[a] += product[a, b] * value[b]
            for a in range(3):
                for i in range(n_parts):
                    moved[a, i] = (
                        product[a, 0] * row[0, i]
                        + product[a, 1] * row[1, i]
                        + product[a, 2] * row[2, i]
                    )
        energy += 0.5 * (load[0] * value[0] + load[1] * value[1] + load[2] * value[2])
        for i in range(n_parts):
            force[pair, i] += load[0] * row[0, i] + load[1] * row[1, i] + load[2] * row[2, i]
            for j in range(i + 1):
                stiffness[pair, i, j] += (
                    row[0, i] * moved[0, j] + row[1, i] * moved[1, j] + row[2, i] * moved[2, j]
                )
    place = np.empty(9, dtype=np.int64)
    part = np.empty(9, dtype=np.int64)
    sign = np.empty(9)
    for pair in range(n_slots * n_slots):
        if not is_met[pair]:
            continue
        low, up = pair // n_slots - 1, pair % n_slots - 1
        n = 3
        for d in range(3):
            place[d], part[d], sign[d] = d, d, 1.0
        for side in range(2):
            slot = low if side == 0 else up
            if slot >= 0:
                for d in range(3):
                    place[n], part[n] = 3 + 3 * slot + d, 3 + d
                    sign[n] = 1.0 if side == 0 else -1.0
                    n += 1
        for i in range(n):
            gradient[place[i]] += sign[i] * force[pair, part[i]]
            for j in range(n):
                a, b = max(part[i], part[j]), min(part[i], part[j])
                hessian[place[i], place[j]] += sign[i] * sign[j] * stiffness[pair, a, b]
    return energy


@kernel
def face_loads(
    faces, points, gap, given, direction, weight, area,
    pressed_mm2, overlap, vector, centroid, pressure_centre, yielded,
):  # fmt: skip
    """Write what each face (F, 3) carries.

    points (k, 3) and direction (k, 3), in which the gap grows as the lower side moves; gap (F, 3)
    mm at the corners and how much of it teeth have `given` (F, 3); weight (F,) N/mm is stiffness
    times the area that counts, area (F,) mm2 its own. Writes the pressed area (F,), the overlap
    (F,) mm3, the force (F, 3) N on the lower side, the centroid and the centre of pressure (F, 3)
    of the pressed part (NaN where there is none), and the integral (F,) mm3 of what teeth gave.
    """
    value = np.empty(3)
    product = np.empty((3, 3))
    for f in range(len(faces)):
        pressed_mm2[f] = overlap[f] = yielded[f] = 0.0
        for d in range(3):
            vector[f, d] = centroid[f, d] = pressure_centre[f, d] = 0.0
            value[d] = gap[f, d]
        pressed_products(value, product)
        total = 0.0
        for a in range(3):
            depth = share = 0.0
            for b in range(3):
                depth -= product[a, b] * value[b]
                share += product[a, b]
            v = faces[f, a]
            total += depth
            pressed_mm2[f] += area[f] * share
            overlap[f] += area[f] * depth
            yielded[f] += area[f] * share * given[f, a]
            for d in range(3):
                vector[f, d] += weight[f] * depth * direction[v, d]
                centroid[f, d] += area[f] * share * points[v, d]
                pressure_centre[f, d] += depth * points[v, d]
        for d in range(3):
            centroid[f, d] /= pressed_mm2[f]
            pressure_centre[f, d] /= total
