"""The vertical force of an elastic foundation over some thousand faces; serial, cheap to call."""

from occlusim.kernels.jit import inner_kernel, kernel


@inner_kernel
def wet_integral(p, q, r):
    """Return the mean over a triangle of max(0, -phi) for phi linear with corners p, q, r."""
    if p > q:
        p, q = q, p
    if q > r:
        q, r = r, q
    if p > q:
        p, q = q, p
    if p >= 0.0:
        return 0.0
    if r <= 0.0:
        return -(p + q + r) / 3.0
    if q >= 0.0:
        share = (p / (p - q)) * (p / (p - r)) if q > 0.0 else p / (p - r)
        return -share * p / 3.0
    share = (r / (r - p)) * (r / (r - q))
    return -(p + q + r) / 3.0 + share * r / 3.0


@kernel
def support_volume(faces, gap, slope, step, vertical_area):
    """Return the sum over faces of the overlap volume, mm3, weighted by the vertical share.

    faces (F, 3); gap (V,) mm; slope (V,) mm/rad; step rad: the gap is gap + step * slope;
    vertical_area (F,) mm2 is the face's area times the vertical part of its normal.
    """
    total = 0.0
    for i in range(len(faces)):
        a, b, c = faces[i, 0], faces[i, 1], faces[i, 2]
        total += vertical_area[i] * wet_integral(
            gap[a] + step * slope[a], gap[b] + step * slope[b], gap[c] + step * slope[c]
        )
    return total
