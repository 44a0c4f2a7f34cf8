"""Where one tooth ends and the next begins along an unrolled arch, by dynamic programming.

Evidence is the valley between teeth: the crest dips, and the section below it narrows (the
embrasures). Prior is the handbook's mesiodistal width of each tooth times one scale for the arch.
Anchors are the arch's midline and the teeth whose place is known.
Costs are negative logarithms of probabilities, up to constants; the weights are chosen, not fitted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from occlusim.arrays import Float64Array
from occlusim.errors import DegenerateProblem
from occlusim.jaw.arch_map import CELL_MM, STEP_MM, UnrolledArch
from occlusim.jaw.numbering import arch_of, position_of, tooth_step

MESIODISTAL_MM = {
    True: (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5),
    False: (5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0),
}
"""Mesiodistal width of the crown by position 1 to 8, upper (True) and lower, mm.

Wheeler; Ash & Nelson, Wheeler's Dental Anatomy, table of specifications (from memory, except 6
and 5 of the upper arch).
"""

CROWN_LENGTH_MM = {
    True: (10.5, 9.0, 10.0, 8.5, 8.5, 7.5, 7.0, 6.5),
    False: (9.0, 9.5, 11.0, 8.5, 8.0, 7.5, 7.0, 7.0),
}
"""Crown length by position 1 to 8, upper (True) and lower, mm; same table."""

SCALES = np.arange(0.80, 1.181, 0.04)
SCALE_SPREAD = 0.07
WIDTH_SPREAD = 0.085
CONTACT_COST = 2.0
VALLEY_REWARD = 7.0
VALLEY_HALF = 0.5
LACK_PER_MM = 1.0
DIASTEMA_COST = 2.5
DIASTEMA_PER_MM = 0.8
GHOST_COST = 3.0
CLOSED_COST = 7.0
MIDLINE_SPREAD_MM = 2.0
ANCHOR_SPREAD_MM = 0.8
END_COSTS = (2.5, 0.0, 2.5, 5.0, 8.0, 10.0, 12.0, 14.0)
"""Cost of a row that ends with the third molar, the second, the first, and so on."""
LEFTOVER_PER_MM = 0.4
LEFTOVER_MOST = 2.0


@dataclass(frozen=True, slots=True)
class RowEvidence:
    """What the surface says at each arc length, (n,): valley 0 to 1, tooth material 0 to 1."""

    valley: Float64Array
    material: Float64Array


@dataclass(frozen=True, slots=True)
class RowFit:
    """Arc lengths (mm) at which each tooth starts and ends, from the patient's left to right.

    `margin` is by how much the best row with every tooth named one place further costs more.
    """

    spans_mm: dict[int, tuple[float, float]]
    scale: float
    cost: float
    margin: float = 0.0


def row_evidence(arch: UnrolledArch) -> RowEvidence:
    """Return valleys and material along the row."""
    absent = ~np.isfinite(arch.top)
    top = np.where(absent, arch.level - 12.0, arch.top)
    top = ndimage.gaussian_filter1d(top, 0.3 / STEP_MM, mode="nearest")
    size = round(6.0 / STEP_MM) + 1
    crest = ndimage.grey_closing(top, size=size, mode="nearest")
    dip = np.clip((crest - top) / 1.5, 0.0, 2.0)
    local = ndimage.gaussian_filter1d(crest, 1.0 / STEP_MM, mode="nearest")
    above = np.nan_to_num(arch.sections - (local[:, None] - 3.0), nan=0.0)
    area = np.clip(above, 0.0, 3.5).sum(axis=1) * CELL_MM
    area = ndimage.gaussian_filter1d(area, 0.3 / STEP_MM, mode="nearest")
    full = ndimage.grey_closing(area, size=size, mode="nearest")
    narrowing = np.clip((full - area) / np.maximum(full, 2.0), 0.0, 1.0)
    material = np.clip((top - (arch.level - 5.5)) / 2.0, 0.0, 1.0)
    material[absent] = 0.0
    strength_sq = (0.5 * dip + 0.9 * narrowing) ** 2
    return RowEvidence(strength_sq / (strength_sq + VALLEY_HALF**2), material)


@dataclass(slots=True)
class _Problem:
    """One fit at one scale: tooth by tooth costs over the grid of arc lengths."""

    teeth: tuple[int, ...]
    widths_mm: Float64Array
    evidence: RowEvidence
    midline: float
    anchors: Mapping[int, float]
    missing: frozenset[int]
    has: Float64Array
    lacks: Float64Array


def fit_row(
    evidence: RowEvidence,
    midline_mm: float,
    *,
    upper: bool,
    anchors_mm: Mapping[int, float],
    missing: frozenset[int],
) -> RowFit:
    """Return the spans of the teeth that explain the row best.

    Parameters
    ----------
    evidence
        Valleys and material.
    midline_mm
        Arc length of the arch's midline.
    upper
        Which arch.
    anchors_mm
        Arc length of the middle of teeth whose place is known.
    missing
        Teeth that are known to be absent.

    Raises
    ------
    DegenerateProblem
        If no row of teeth fits.
    """
    teeth = arch_of(upper=upper)
    handbook = np.array([MESIODISTAL_MM[upper][position_of(t) - 1] for t in teeth])
    material = evidence.material
    has = np.concatenate([[0.0], np.cumsum(material)]) * STEP_MM
    lacks = np.concatenate([[0.0], np.cumsum(1.0 - material)]) * STEP_MM
    problem = _Problem(
        teeth, handbook, evidence, midline_mm / STEP_MM, anchors_mm, missing, has[:-1], lacks[:-1]
    )
    fits = []
    for scale in SCALES:
        spans, cost = _solve(replace(problem, widths_mm=scale * handbook))
        fits.append(RowFit(spans, float(scale), cost + 0.5 * ((scale - 1.0) / SCALE_SPREAD) ** 2))
    best = min(fits, key=lambda fit: fit.cost)
    if not np.isfinite(best.cost):
        raise DegenerateProblem(
            "teeth: no row of teeth fits the arch; check the tooth numbers given as known and "
            "missing, or give tooth numbers per vertex"
        )
    return replace(best, margin=_naming_margin(problem, best))


def _naming_margin(problem: _Problem, best: RowFit) -> float:
    """Return how much more the row costs if its front tooth bears the name of a neighbour."""
    middle = problem.midline * STEP_MM
    front = min(best.spans_mm, key=lambda t: abs(sum(best.spans_mm[t]) / 2 - middle))
    place = sum(best.spans_mm[front]) / 2
    scaled = replace(problem, widths_mm=best.scale * problem.widths_mm)
    costs = []
    for name in (front, *(tooth_step(front, k) for k in (-1, 1))):
        if name is None or name in problem.missing:
            continue
        anchors = {**problem.anchors, name: problem.anchors.get(name, place)}
        costs.append(_solve(replace(scaled, anchors=anchors))[1])
    return float(min(costs[1:]) - costs[0]) if len(costs) > 1 else np.inf


def _solve(problem: _Problem) -> tuple[dict[int, tuple[float, float]], float]:
    """Return spans and cost of the best row.

    Two states at each arc length: `after_tooth` (a tooth ends here) and `after_gap` (nothing, a
    ghost tooth or a diastema ends here). Each keeps a chain of choices by (kind, from) arrays.
    """
    n = len(problem.has)
    after_tooth = np.full(n, np.inf)
    after_gap = np.full(n, np.inf)
    steps: list[_Step] = []
    best_end = (np.inf, -1, -1)
    for index in range(16):
        opening = _opening_cost(problem, index)
        step = _advance(problem, index, after_tooth, after_gap, opening)
        steps.append(step)
        after_tooth, after_gap = step.after_tooth, step.after_gap
        ending = step.present + _closing_cost(problem, index)
        at = int(np.argmin(ending))
        if ending[at] < best_end[0]:
            best_end = (float(ending[at]), index, at)
    if not np.isfinite(best_end[0]):
        return {}, np.inf
    return _trace(problem, steps, best_end[1], best_end[2]), best_end[0]


@dataclass(slots=True)
class _Step:
    present: Float64Array
    width: np.ndarray
    entry_from_gap: np.ndarray
    after_tooth: Float64Array
    tooth_is_skip: np.ndarray
    after_gap: Float64Array
    gap_kind: np.ndarray
    gap_length: np.ndarray
    diastema: np.ndarray
    opened: np.ndarray


def _opening_cost(problem: _Problem, index: int) -> Float64Array:
    """Return what it costs to begin the row with tooth `index` at each arc length."""
    return _end_cost(problem, index, range(index)) + np.minimum(
        LEFTOVER_PER_MM * problem.has, LEFTOVER_MOST
    )


def _closing_cost(problem: _Problem, index: int) -> Float64Array:
    rest = problem.has[-1] - problem.has
    return _end_cost(problem, 15 - index, range(index + 1, 16)) + np.minimum(
        LEFTOVER_PER_MM * rest, LEFTOVER_MOST
    )


def _end_cost(problem: _Problem, beyond: int, left_out: range) -> float:
    """Return the cost of leaving out the `beyond` teeth at one end of the row."""
    names = [problem.teeth[k] for k in left_out]
    if any(name in problem.anchors for name in names):
        return np.inf
    undeclared = sum(name not in problem.missing for name in names)
    if beyond > 7:
        return np.inf
    return END_COSTS[min(undeclared, 7)] if undeclared else (0.0 if beyond else END_COSTS[0])


def _advance(
    problem: _Problem,
    index: int,
    after_tooth: Float64Array,
    after_gap: Float64Array,
    opening: Float64Array,
) -> _Step:
    """Return the states after tooth `index`, present, absent with a gap, or absent and closed."""
    tooth = problem.teeth[index]
    n = len(problem.has)
    gap_state, diastema = _with_diastemas(problem, after_tooth, after_gap)
    opened = opening < gap_state
    gap_state = np.where(opened, opening, gap_state)
    beside_known = tooth in problem.anchors or problem.teeth[index - 1] in problem.anchors
    contact = after_tooth + (0.0 if beside_known else CONTACT_COST)
    contact = contact - VALLEY_REWARD * problem.evidence.valley
    entry_from_gap = gap_state <= contact
    entry: Float64Array = np.where(entry_from_gap, gap_state, contact)
    if index == 8:
        off = (np.arange(n, dtype=np.float64) - problem.midline) * STEP_MM / MIDLINE_SPREAD_MM
        entry = np.asarray(entry + 0.5 * off**2, dtype=np.float64)
    present, width = _present(problem, index, entry)
    if tooth in problem.missing:
        present = np.full(n, np.inf)
    ghost, ghost_length = _ghost(problem, index, np.minimum(gap_state, after_tooth))
    skip_cost = 0.5 if tooth in problem.missing else CLOSED_COST
    if tooth in problem.anchors:
        ghost, skip_cost = np.full(n, np.inf), np.inf
    tooth_skipped, gap_skipped = after_tooth + skip_cost, gap_state + skip_cost
    tooth_is_skip = tooth_skipped < present
    gap_kind = np.where(ghost <= gap_skipped, 1, 2)
    return _Step(
        present,
        width,
        entry_from_gap,
        np.where(tooth_is_skip, tooth_skipped, present),
        tooth_is_skip,
        np.minimum(ghost, gap_skipped),
        gap_kind,
        ghost_length,
        diastema,
        opened,
    )


def _with_diastemas(
    problem: _Problem, after_tooth: Float64Array, after_gap: Float64Array
) -> tuple[Float64Array, np.ndarray]:
    """Return the state after a gap that may be a diastema of up to 4 mm, and its length."""
    best, length = after_gap.copy(), np.zeros(len(after_gap), dtype=np.int64)
    for k in range(2, round(4.0 / STEP_MM) + 1):
        filled = problem.has[k:] - problem.has[:-k]
        cost = after_tooth[:-k] + DIASTEMA_COST + DIASTEMA_PER_MM * k * STEP_MM
        cost = cost + 2.0 * LACK_PER_MM * filled
        better = cost < best[k:]
        best[k:][better] = cost[better]
        length[k:][better] = k
    return best, length


def _present(problem: _Problem, index: int, entry: Float64Array) -> tuple[Float64Array, np.ndarray]:
    """Return the cost (n,) of tooth `index` ending at each arc length, and its width in steps."""
    tooth, wanted = problem.teeth[index], problem.widths_mm[index]
    n = len(entry)
    best, width = np.full(n, np.inf), np.zeros(n, dtype=np.int64)
    place = np.arange(n) * STEP_MM
    for k in range(int(0.65 * wanted / STEP_MM), int(1.4 * wanted / STEP_MM) + 1):
        misfit = (k * STEP_MM / wanted - 1.0) / WIDTH_SPREAD
        cost = entry[:-k] + 0.5 * misfit**2
        if tooth in problem.anchors:
            off = place[:-k] + 0.5 * k * STEP_MM - problem.anchors[tooth]
            cost = cost + 0.5 * (off / ANCHOR_SPREAD_MM) ** 2
        else:
            cost = cost + LACK_PER_MM * (problem.lacks[k:] - problem.lacks[:-k])
        better = cost < best[k:]
        best[k:][better] = cost[better]
        width[k:][better] = k
    return best, width


def _ghost(problem: _Problem, index: int, entry: Float64Array) -> tuple[Float64Array, np.ndarray]:
    """Return the cost (n,) of the gap of an absent tooth ending here, and its length in steps."""
    declared = problem.teeth[index] in problem.missing
    wanted = problem.widths_mm[index]
    n = len(entry)
    best, length = np.full(n, np.inf), np.zeros(n, dtype=np.int64)
    for k in range(int(0.25 * wanted / STEP_MM), int(1.4 * wanted / STEP_MM) + 1):
        misfit = (k * STEP_MM / wanted - 0.95) / 0.3
        filled = problem.has[k:] - problem.has[:-k]
        cost = entry[:-k] + 0.25 * misfit**2 + (0.0 if declared else GHOST_COST)
        cost = cost + (0.3 if declared else 1.0) * LACK_PER_MM * filled
        better = cost < best[k:]
        best[k:][better] = cost[better]
        length[k:][better] = k
    return best, length


def _trace(
    problem: _Problem, steps: list[_Step], index: int, at: int
) -> dict[int, tuple[float, float]]:
    """Return the spans by walking the choices back from the end of the last tooth."""
    spans: dict[int, tuple[float, float]] = {}
    state = "tooth"
    first = True
    while index >= 0:
        step = steps[index]
        if state == "tooth":
            if not first and step.tooth_is_skip[at]:
                index -= 1
                continue
            start = at - int(step.width[at])
            spans[problem.teeth[index]] = (start * STEP_MM, at * STEP_MM)
            at = start
            came_by_gap = bool(step.entry_from_gap[at])
        elif step.gap_kind[at] == 1:
            at -= int(step.gap_length[at])
            came_by_gap = _gap_before(problem, steps, index, at)
        else:
            came_by_gap = True
        first = False
        if came_by_gap and step.opened[at]:
            break
        if came_by_gap and step.diastema[at] > 0:
            at -= int(step.diastema[at])
            came_by_gap = False
        state = "gap" if came_by_gap else "tooth"
        index -= 1
    return spans


def _gap_before(problem: _Problem, steps: list[_Step], index: int, at: int) -> bool:
    """Whether the ghost of tooth `index` that starts here follows a gap and not a tooth."""
    if index == 0:
        return True
    before = steps[index - 1]
    gap, _ = _with_diastemas(problem, before.after_tooth, before.after_gap)
    gap = np.minimum(gap, _opening_cost(problem, index))
    return bool(gap[at] <= before.after_tooth[at])
