"""Plotly figure of the crown's least gap along each movement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.report.figures import INK, PAPER
from occlusim.report.words import WORDS, movement_label

if TYPE_CHECKING:
    import plotly.graph_objects as go

DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
GAP_CEILING_UM = 300.0
HIGHEST_CEILING_UM = 1500.0


def gap_figure(movements: Sequence[Mapping[str, Any]]) -> go.Figure:
    """Return the least gap of the crown against the step of each movement.

    One ink for all lines: movements differ by dash and by the number at the line's end. Lines leave
    the frame above `GAP_CEILING_UM`, so that the range where the crown may touch stays large; the
    frame grows where a movement's least gap would not be seen, up to `HIGHEST_CEILING_UM`.
    """
    import plotly.graph_objects as go  # noqa: PLC0415

    figure = go.Figure()
    ceiling_um = _ceiling(movements)
    lowest_um, highest_um, wanted_named = -40.0, 100.0, False
    for number, movement in enumerate(movements, start=1):
        step_mm = _numbers(movement.get("parameter_mm"))
        gap_um = _numbers(movement.get("gap_um"))
        if len(step_mm) == 0 or len(step_mm) != len(gap_um):
            continue
        if np.isfinite(gap_um).any():
            lowest_um = min(lowest_um, float(np.nanmin(gap_um)) - 15.0)
            highest_um = max(highest_um, float(np.nanmax(gap_um)) + 15.0)
        wanted = movement.get("wanted_gap_um")
        if wanted is not None and not isinstance(wanted, int | float) and len(wanted) > 1:
            figure.add_scatter(
                x=step_mm,
                y=_numbers(wanted),
                mode="lines",
                line={"color": "#8a939c", "width": 1.2},
                name=WORDS["wanted"],
                legendgroup="wanted",
                showlegend=not wanted_named,
                hovertemplate=f"{WORDS['wanted']}: %{{y:.0f}} µm<extra></extra>",
            )
            wanted_named = True
        label = f"{number} {movement_label(str(movement.get('name')))}"
        figure.add_scatter(
            x=step_mm,
            y=gap_um,
            mode="lines" if len(step_mm) > 1 else "markers",
            line={"color": INK, "width": 2.2, "dash": DASHES[(number - 1) % len(DASHES)]},
            marker={"color": INK, "size": 10, "symbol": "diamond"},
            name=label,
            hovertemplate=f"{label}: %{{y:.0f}} µm, %{{x:.2f}} mm<extra></extra>",
        )
        _number_at_end(figure, number, step_mm, gap_um, ceiling_um)
    highest_um = min(highest_um, ceiling_um)
    figure.add_hline(y=0.0, line={"color": INK, "width": 1})
    figure.update_layout(
        margin={"l": 70, "r": 20, "t": 10, "b": 50},
        paper_bgcolor=PAPER,
        plot_bgcolor="#f6f7f8",
        font={"color": INK, "size": 13},
        xaxis={"title": {"text": WORDS["axis_step"]}, "gridcolor": "#dfe3e6", "zeroline": False},
        yaxis={
            "title": {"text": WORDS["axis_gap"]},
            "gridcolor": "#dfe3e6",
            "zeroline": False,
            "range": [lowest_um, highest_um],
        },
        legend={"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0.0},
        hovermode="closest",
    )
    return figure


def _numbers(values: Any) -> Float64Array:
    if values is None:
        return np.zeros(0)
    return np.array([np.nan if v is None else v for v in np.atleast_1d(values)], dtype=np.float64)


def _ceiling(movements: Sequence[Mapping[str, Any]]) -> float:
    lowest = [
        float(np.nanmin(g)) for m in movements if np.isfinite(g := _numbers(m.get("gap_um"))).any()
    ]
    return min(max([GAP_CEILING_UM, *(low + 60.0 for low in lowest)]), HIGHEST_CEILING_UM)


def _number_at_end(
    figure: go.Figure,
    number: int,
    step_mm: Float64Array,
    gap_um: Float64Array,
    ceiling_um: float,
) -> None:
    """Write a line's number where it ends or leaves the frame."""
    inside = np.flatnonzero(np.isfinite(gap_um) & (gap_um <= ceiling_um - 10.0))
    if len(inside) == 0:
        return
    last = inside[-1]
    figure.add_annotation(
        x=float(step_mm[last]),
        y=float(gap_um[last]),
        text=f"<b>{number}</b>",
        showarrow=False,
        font={"color": PAPER, "size": 12},
        bgcolor=INK,
        borderpad=3,
        xshift=10 if len(step_mm) > 1 else 16,
    )
