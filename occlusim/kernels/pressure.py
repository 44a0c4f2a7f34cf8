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
    for f in range(len(faces)):
        low, up = lower_slot[f], upper_slot[f]
        for d in range(3):
            relative[d] = 0.0
            if low >= 0:
                relative[d] += shift[low, d]
            if up >= 0:
                relative[d] -= shift[up, d]
        is_pressed = False
        for c in range(3):
            v = faces[f, c]
            g = gap[v]
            for d in range(3):
                g += slope[v, d] * freedom[d] + direction[v, d] * relative[d]
            value[c] = g
            is_pressed = is_pressed or g < 0.0
        if not is_pressed or not pressed_products(value, product):
            continue
        pair = (low + 1) * n_slots + up + 1
        is_met[pair] = True
        for c in range(3):
            v = faces[f, c]
            for d in range(3):
                row[c, d] = slope[v, d]
                row[c, 3 + d] = direction[v, d]
        for a in range(3):
            load[a] = 0.0
            for b in range(3):
                product[a, b] *= weight[f]
                load[a] += product[a, b] * value[b]
            energy += 0.5 * load[a] * value[a]
        for a in range(3):
            for i in range(6):
                moved[a, i] = (
                    product[a, 0] * row[0, i]
                    + product[a, 1] * row[1, i]
                    + product[a, 2] * row[2, i]
                )
        for i in range(6):
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
def corner_loads(gap, weight, area, load, pressed_area, overlap):
    """Write, per face, corner forces, pressed areas and the overlap.

    load (F, 3) N; pressed_area (F, 3) mm2 that each corner stands for; overlap (F,) mm3. gap (F, 3)
    mm at the corners; weight (F,) N/mm is stiffness times the area that counts, area (F,) mm2 its
    own.
    """
    value = np.empty(3)
    product = np.empty((3, 3))
    for f in range(len(gap)):
        overlap[f] = 0.0
        for c in range(3):
            value[c] = gap[f, c]
            load[f, c] = pressed_area[f, c] = 0.0
        if not pressed_products(value, product):
            continue
        for a in range(3):
            depth = 0.0
            for b in range(3):
                depth -= product[a, b] * value[b]
                pressed_area[f, a] += area[f] * product[a, b]
            load[f, a] = weight[f] * depth
            overlap[f] += area[f] * depth
