"""The tables of the jaw's movements: where each one ends, and the slide."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from occlusim.report.numbers import with_unit, written
from occlusim.report.tables import MINUS, Table
from occlusim.report.words import WORDS, movement_label


def motion_tables(motion: Mapping[str, Any] | None) -> dict[str, Table | None]:
    """Return the tables `motion` and `slide`, each None where there is nothing to say."""
    return {"motion": _ends(motion or {}), "slide": _slide((motion or {}).get("slide"))}


def _ends(motion: Mapping[str, Any]) -> Table | None:
    """Return where each movement ends: the step farthest from the recorded bite."""
    names = ["col_number", "col_movement", "col_end_step", "col_forward", "col_to_right", "col_up"]
    names += ["col_distance", "col_opening", "col_right_condyle", "col_left_condyle"]
    movements = motion.get("movements") or []
    rows = []
    for number, one in enumerate(movements, start=1):
        last = int(np.argmax(np.abs(one["parameter_mm"])))
        moved = np.subtract(one["incisal_jaw_mm"][last], motion["incisal_jaw_mm"]).tolist()
        rows.append(
            (
                str(number),
                movement_label(str(one.get("name"))),
                _cell(one["parameter_mm"][last], "mm"),
                *(_cell(moved[axis], "mm") for axis in (1, 0, 2)),
                _cell(one["incisal_displacement_mm"][last], "mm"),
                _cell(one["opening_deg"][last], "deg"),
                *(
                    # Both start on the hinge axis: y and z are displacements.
                    f"{_cell(place[1], 'mm')} / {_cell(-place[2], 'mm')}"
                    for place in (one[f"{side}_condyle_jaw_mm"][last] for side in ("right", "left"))
                ),
            )
        )
    if not rows:
        return None
    return Table(
        WORDS["motion_caption"],
        tuple(WORDS[name] for name in names),
        tuple(rows),
        tuple(name not in ("col_number", "col_movement") for name in names),
    )


def _cell(value: float, unit: str) -> str:
    return written(value, unit, MINUS)


def _slide(slide: Mapping[str, Any] | None) -> Table | None:
    if not slide:
        return None
    rows = [(WORDS["slide_record"], WORDS[f"slide_{slide.get('state')}"])]
    rows += [(WORDS["slide_reason"], str(reason)) for reason in slide.get("reasons") or []]
    rows += [
        (WORDS[f"slide_{key}"], with_unit(slide.get(f"{key}_mm"), "mm").replace("-", MINUS))
        for key in ("length", "forward", "right", "up")
    ]
    names = (WORDS["col_what"], WORDS["col_value"])
    return Table(WORDS["slide_caption"], names, tuple(rows), (False, False))
