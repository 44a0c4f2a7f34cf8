"""Figures of the jaw's movements as plain SVG: border figure and condylar paths, in mm.

One ink for all: movements differ by dash and by the number at the line's end, as in the figure of
the gaps, so the figures print in grey. Both axes of a figure have one scale. They need no script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.report.figures import INK, PAPER
from occlusim.report.gap_figure import DASHES
from occlusim.report.words import WORDS

WIDTH, HEIGHT = 460.0, 430.0
FRAME = (62.0, 14.0, 446.0, 376.0)
"""Left, top, right and bottom of the plotted area, px."""

SVG_DASHES = {
    "solid": "",
    "dash": "9 5",
    "dot": "2 4",
    "dashdot": "9 4 2 4",
    "longdash": "16 6",
    "longdashdot": "16 5 2 5",
}
SOFT, GRID = "#4a5563", "#dfe3e6"
LEAST_SPAN_MM = 0.4
LABEL_ROOM = 26.0
"""Kept free along the frame for the numbers, px."""

TICKS_ABOUT = 7.0


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: the SVG element and what stands below it."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of a figure: points (n, 2), mm; `is_arc` for what opens on the hinge."""

    number: int
    points: Float64Array
    is_arc: bool = False


def motion_figures(motion: Mapping[str, Any] | None) -> list[Figure]:
    """Return the figures of the motion's part of the results; none where it is not known.

    Incisal point: the border figure from the side and from the front, and its tooth-guided part
    enlarged. Condyles: each from the side and from above. Distances count from the recorded bite.
    """
    movements = (motion or {}).get("movements") or []
    if not motion or not movements:
        return []
    incisal = _lines(movements, "incisal_jaw_mm", motion.get("incisal_jaw_mm"))
    arcs = _arcs(movements, motion)
    figures = [
        _figure(f"motion_border_{view}", view, [*arcs, *incisal]) for view in ("side", "front")
    ]
    figures += [_figure(f"motion_guided_{view}", view, incisal) for view in ("side", "front")]
    for view in ("side", "above"):
        for side in ("right", "left"):
            lines = _lines(movements, f"{side}_condyle_jaw_mm", None)
            figures.append(_figure(f"motion_{side}_condyle_{view}", view, lines))
    return figures


def _array(points: Any) -> Float64Array:
    return np.array(points, dtype=np.float64).reshape(-1, 3)


def _lines(movements: Sequence[Mapping[str, Any]], key: str, home: Any) -> list[_Line]:
    """Return one line a movement, from `home` or from where the first movement begins."""
    start = _array(movements[0][key])[0] if home is None else _array(home)[0]
    return [_Line(k, _array(one[key]) - start) for k, one in enumerate(movements, start=1)]


def _arcs(movements: Sequence[Mapping[str, Any]], motion: Mapping[str, Any]) -> list[_Line]:
    numbers = {one.get("name"): k for k, one in enumerate(movements, start=1)}
    home = _array(motion.get("incisal_jaw_mm"))[0]
    return [
        _Line(numbers[arc["name"]], _array(arc["incisal_jaw_mm"]) - home, is_arc=True)
        for arc in (motion.get("border") or {}).get("arcs") or []
        if arc.get("name") in numbers
    ]


def _figure(name: str, view: str, lines: Sequence[_Line]) -> Figure:
    across, up = {
        "side": (lambda p: p[:, 1], lambda p: p[:, 2]),
        "front": (lambda p: -p[:, 0], lambda p: p[:, 2]),
        "above": (lambda p: p[:, 0], lambda p: p[:, 1]),
    }[view]
    flat = [
        _Line(line.number, np.column_stack([across(line.points), up(line.points)]), line.is_arc)
        for line in lines
    ]
    caption = WORDS[name]
    return Figure(
        _svg(flat, caption, WORDS[f"axis_{view}_across"], WORDS[f"axis_{view}_up"]), caption
    )


class _Scale:
    """Millimetres to pixels, one scale for both axes, the data in the middle of the frame."""

    def __init__(self, points: Float64Array) -> None:
        left, top, right, bottom = FRAME
        low, high = points.min(axis=0), points.max(axis=0)
        span = np.maximum(high - low, LEAST_SPAN_MM)
        room = np.array([right - left, bottom - top]) - 2.0 * LABEL_ROOM
        self.px_per_mm = float((room / span).min())
        self.middle = 0.5 * (low + high)
        self.centre = np.array([0.5 * (left + right), 0.5 * (top + bottom)])
        half = 0.5 * np.array([right - left, bottom - top]) / self.px_per_mm
        self.low, self.high = self.middle - half, self.middle + half

    def px(self, points: Float64Array) -> Float64Array:
        """Return points (n, 2), mm, as pixels (n, 2)."""
        return self.centre + (points - self.middle) * [self.px_per_mm, -self.px_per_mm]

    def ticks(self, axis: int) -> tuple[Float64Array, int]:
        """Return even numbers along an axis, and the decimals to write them with."""
        rough = (self.high - self.low).max() / TICKS_ABOUT
        power = 10.0 ** np.floor(np.log10(rough))
        step = float(power * next(k for k in (1.0, 2.0, 5.0, 10.0) if k * power >= rough))
        first, last = np.ceil(self.low[axis] / step), np.floor(self.high[axis] / step)
        decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
        return np.arange(first, last + 0.5) * step, decimals


def _svg(lines: Sequence[_Line], label: str, across: str, up: str) -> str:
    scale = _Scale(np.concatenate([line.points for line in lines]))
    left, top, right, bottom = FRAME
    parts = [
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{escape(label)}" '
        f'font-size="13" fill="{INK}">',
        f'<rect x="{left:g}" y="{top:g}" width="{right - left:g}" height="{bottom - top:g}" '
        f'fill="#f6f7f8" stroke="{SOFT}"/>',
        *_grid(scale),
        f'<text x="{0.5 * (left + right):g}" y="{HEIGHT - 10:g}" text-anchor="middle">'
        f"{escape(across)}</text>",
        f'<text transform="translate(14 {0.5 * (top + bottom):g}) rotate(-90)" '
        f'text-anchor="middle">{escape(up)}</text>',
    ]
    parts += [_drawn(line, scale) for line in lines]
    return "\n".join([*parts, *_numbers(lines, scale), "</svg>"])


def _grid(scale: _Scale) -> list[str]:
    left, top, right, bottom = FRAME
    parts = []
    for axis in (0, 1):
        values, decimals = scale.ticks(axis)
        for value in values:
            x, y = scale.px(np.array([[value, value]]))[0]
            ink = f'stroke="{SOFT if abs(value) < 1e-9 else GRID}"'
            text = f"{value + 0.0:.{decimals}f}".replace("-", "−")
            if axis == 0:
                parts.append(f'<path d="M{x:.1f} {top:g}V{bottom:g}" {ink}/>')
                parts.append(
                    f'<text x="{x:.1f}" y="{bottom + 18:g}" text-anchor="middle">{text}</text>'
                )
            else:
                parts.append(f'<path d="M{left:g} {y:.1f}H{right:g}" {ink}/>')
                parts.append(
                    f'<text x="{left - 6:g}" y="{y + 4:.1f}" text-anchor="end">{text}</text>'
                )
    return parts


def _drawn(line: _Line, scale: _Scale) -> str:
    px = scale.px(line.points)
    if len(px) == 1 and not line.is_arc:
        x, y = px[0]
        return f'<path d="M{x:.1f} {y - 5:.1f}l5 5l-5 5l-5 -5z"/>'
    way = "L".join(f"{x:.1f} {y:.1f}" for x, y in px)
    dash = SVG_DASHES[DASHES[(line.number - 1) % len(DASHES)]]
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    width = "0.9" if line.is_arc else "2"
    return f'<path d="M{way}" fill="none" stroke="{INK}" stroke-width="{width}"{dashes}/>'


def _numbers(lines: Sequence[_Line], scale: _Scale) -> list[str]:
    """Return every line's number beside its end, where no other number stands.

    A guided path's number is white on ink, that of an opening arc ink on white.
    """
    taken: list[Float64Array] = []
    parts = []
    for line in lines:
        px = scale.px(line.points)
        home = scale.px(np.zeros((1, 2)))[0]
        end = px[int(np.argmax(np.linalg.norm(px - home, axis=1)))]
        place = _free_place(end, end - home, taken)
        taken.append(place)
        x, y = place
        ink, back = (INK, PAPER) if line.is_arc else (PAPER, INK)
        parts.append(
            f'<path d="M{end[0]:.1f} {end[1]:.1f}L{x:.1f} {y:.1f}" stroke="{INK}" '
            'stroke-width="0.6"/>'
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8.5" fill="{back}" stroke="{INK}"/>'
            f'<text x="{x:.1f}" y="{y + 4.2:.1f}" text-anchor="middle" font-size="12" '
            f'font-weight="700" fill="{ink}">{line.number}</text>'
        )
    return parts


def _free_place(
    end: Float64Array, outward: Float64Array, taken: list[Float64Array]
) -> Float64Array:
    """Return where a number may stand: near the line's end, first straight on from it."""
    left, top, right, bottom = FRAME
    length = float(np.linalg.norm(outward))
    ahead = np.arctan2(outward[1], outward[0]) if length > 1.0 else 0.0
    best, best_room = end, -np.inf
    for away in (15.0, 26.0, 38.0, 52.0):
        for turn in (0.0, 0.7, -0.7, 1.4, -1.4, 2.1, -2.1, 3.1):
            place = end + away * np.array([np.cos(ahead + turn), np.sin(ahead + turn)])
            if not (left + 9 < place[0] < right - 9 and top + 9 < place[1] < bottom - 9):
                continue
            room = min((float(np.linalg.norm(place - other)) for other in taken), default=np.inf)
            if room > 18.5:
                return place
            if room > best_room:
                best, best_room = place, room
    return best
