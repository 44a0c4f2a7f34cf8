"""What a wrong axis and wrong condylar angles do to the crown, as tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from occlusim.report.numbers import with_unit, written
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS, movement_label


def sensitivity_tables(results: Mapping[str, Any]) -> dict[str, Table | None]:
    """Return the tables of a wrong axis, of each quantity alone, and of all jaws tried.

    Values that are not known, or not computed, give None or the word for it.
    """
    sensitivity = (results.get("crown") or {}).get("sensitivity") or {}
    return {
        "axis_effect": axis_table((results.get("mounting") or {}).get("axis_effect")),
        "guidance_effect": effect_table(sensitivity),
        "sensitivity": spread_table(sensitivity),
    }


def axis_table(effect: Mapping[str, Any] | None) -> Table | None:
    """Return the derivative of each movement's least gap to the axis' place, or None."""
    rows = []
    for movement in (effect or {}).get("movements") or []:
        is_closure = movement.get("name") == "centric"
        key = "least_gap_um_per_mm" if is_closure else "beyond_gap_um_per_mm"
        sigma = movement.get("one_sigma_um" if is_closure else "beyond_one_sigma_um")
        slope = movement.get(key) or {}
        rows.append(
            (
                movement_label(str(movement.get("name"))),
                _tenth(slope.get("forward")),
                _tenth(slope.get("vertical")),
                _tenth(sigma),
            )
        )
    return _numbers("axis_effect_caption", ("col_movement", "col_axis_forward", "col_axis_up",
                                            "col_axis_sigma"), rows)  # fmt: skip


def effect_table(sensitivity: Mapping[str, Any]) -> Table | None:
    """Return what each angle and side shift alone does to each excursion, or None."""
    movements = [m for m in sensitivity.get("movements") or [] if m.get("effects_um")]
    if not movements:
        return None
    rows = []
    for name in movements[0]["effects_um"]:
        if name.startswith("axis_"):
            continue
        ends = [m["effects_um"].get(name) or {} for m in movements]
        cells = (f"{_sign(e.get('lower'))} / {_sign(e.get('higher'))}" for e in ends)
        rows.append((WORDS.get(f"quantity_{name}", name.replace("_", " ")), *cells))
    names = [movement_label(str(m.get("name"))) for m in movements]
    return Table(
        WORDS["guidance_effect_caption"],
        (WORDS["col_quantity"], *names),
        tuple(rows),
        (False, *(True for _ in names)),
    )


def spread_table(sensitivity: Mapping[str, Any]) -> Table | None:
    """Return the least gaps of the nominal jaw, the worst corner and the jaws drawn, or None."""
    samples = sensitivity.get("samples") or 0
    rows = []
    for movement in sensitivity.get("movements") or []:
        corner = movement.get("worst_corner") or {}
        name = movement_label(str(movement.get("name")))
        beyond_mm = movement.get("beyond_mm") or 0.0
        for key, gap in (("least_gap", "least_gap_um"), ("beyond_gap", "beyond_gap_um")):
            spread = movement.get(key) or {}
            if spread.get("nominal_um") is None:
                continue
            where = WORDS["whole_path"] if key == "least_gap" else WORDS["beyond_path"]
            cells = [name, where.format(place=with_unit(beyond_mm, "mm"))]
            cells += [_um(spread.get("nominal_um")), _um(corner.get(gap))]
            if samples > 1:
                cells += [_um(spread.get(f"{n}_um")) for n in ("median", "p5", "p95", "sigma")]
                cells.append(_um(spread.get("worst_um")))
            rows.append(tuple(cells))
    columns = ["col_movement", "col_stretch", "col_nominal", "col_corner"]
    if samples > 1:
        columns += ["col_median", "col_p5", "col_p95", "col_sigma", "col_worst"]
    table = _numbers("sensitivity_caption", tuple(columns), rows, n_words=2)
    if table is None:
        return None
    caption = table.caption.format(n=samples) if samples > 1 else WORDS["corner_caption"]
    return Table(caption, table.columns, table.rows, table.is_number)


def _um(value: Any) -> str:
    return written(value, "um", MINUS)


def _tenth(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return WORDS["unknown"]
    text = f"{value:.1f}"
    return "0.0" if text == "-0.0" else text.replace("-", MINUS)


def _sign(value: float | None) -> str:
    text = _um(value)
    return f"+{text}" if value is not None and value > 0 and text != "0" else text


def _numbers(
    caption: str, columns: tuple[str, ...], rows: Sequence[tuple[str, ...]], n_words: int = 1
) -> Table | None:
    if not rows:
        return None
    return Table(
        WORDS[caption],
        tuple(WORDS[name] for name in columns),
        tuple(rows),
        tuple(k >= n_words for k in range(len(columns))),
    )
