"""How far a jaw closes until linear gaps carry a load, for many jaws."""

import numpy as np

from occlusim.kernels.jit import shared_kernel

ROUNDS = 60


@shared_kernel(least=16)
def find_openings(
    first, stop, twist, way, gap, lever, weight, load_N, step_rad, still_rad, opening
):  # fmt: skip
    """Write the openings, rad, at which places carry the load.

    twist (n, 6): how each jaw lies off; way (k, 6): change of the places' gaps with it; gap (k,)
    mm; lever (k,) mm/rad, positive; weight (k,) N/mm; opening (n,) is written. The load is convex
    in the opening, so from a jaw that is too closed Newton's method comes from one side; the
    search for one begins `step_rad` beyond first contact.
    """
    n_places = len(gap)
    here = np.empty(n_places)
    pressed = np.empty(n_places, dtype=np.int32)
    for j in range(first, stop):
        turn = -1e300
        for v in range(n_places):
            moved = gap[v]
            for d in range(6):
                moved += way[v, d] * twist[j, d]
            here[v] = moved
            turn = max(turn, -moved / lever[v])
        step = step_rad
        carried = -1.0
        n = 0
        for _ in range(ROUNDS):
            turn -= step
            step *= 2.0
            carried = 0.0
            n = 0
            for v in range(n_places):
                depth = -(here[v] + turn * lever[v])
                if depth > 0.0:
                    carried += depth * weight[v]
                    pressed[n] = v
                    n += 1
            if carried >= load_N:
                break
        for _ in range(ROUNDS):
            carried, stiffness, m = 0.0, 0.0, 0
            for i in range(n):
                v = pressed[i]
                depth = -(here[v] + turn * lever[v])
                if depth > 0.0:
                    carried += depth * weight[v]
                    stiffness += weight[v] * lever[v]
                    pressed[m] = v
                    m += 1
            n = m
            if stiffness == 0.0:
                break
            way_rad = (carried - load_N) / stiffness
            turn += way_rad
            if abs(way_rad) < still_rad:
                break
        opening[j] = turn
