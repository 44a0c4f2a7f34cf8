"""The kinds of value that a case file may hold: numbers within limits, teeth, points, both sides.

A value that cannot be right is refused with what was given and what is allowed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

from occlusim.arrays import unit_vector
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.numbering import check_tooth


class Section(BaseModel):
    """A table of the case file: fixed once read, and without keys that nobody knows."""

    model_config = ConfigDict(frozen=True, extra="forbid", protected_namespaces=())


def plain_number(value: object) -> float:
    """Return a finite number that is neither text nor a truth value."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{value!r} given, a number is wanted")
    if not np.isfinite(value):
        raise ValueError(f"{value} given, a finite number is wanted")
    return float(value)


def between(low: float, high: float) -> AfterValidator:
    """Return a check that a number is within limits."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"{value:g} given, {low:g} to {high:g} is allowed")
        return value

    return AfterValidator(check)


def _plain_text(value: object) -> object:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{value!r} given, the name of a file in quotes is wanted")
    return value


def _iso(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise ValueError(f'{value!r} given, an ISO 3950 number in quotes, such as "46", is wanted')
    return str(check_tooth(value))


def both_sides(value: object) -> object:
    """Return one number as that of both sides."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return {"right": value, "left": value}
    return value


def _three(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise ValueError(f"{value!r} given, three numbers [x, y, z] are wanted")
    return tuple(plain_number(v) for v in value)


def _unit(value: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = unit_vector(value)
    return float(x), float(y), float(z)


def _rigid(value: object) -> tuple[tuple[float, ...], ...]:
    """Return a rigid matrix; rounding of its digits, up to 1e-4, is taken out of the rotation."""
    rows = list(value) if isinstance(value, list | tuple) else []
    if len(rows) != 4 or any(not isinstance(row, list | tuple) or len(row) != 4 for row in rows):
        raise ValueError("a 4x4 matrix, four rows of four numbers, is wanted")
    matrix = np.array([[plain_number(v) for v in row] for row in rows])
    u, _, vt = np.linalg.svd(matrix[:3, :3])
    nearest = u @ vt
    if np.abs(nearest - matrix[:3, :3]).max() <= 1e-4:
        matrix[:3, :3] = nearest
    rigid = RigidTransform.from_matrix(matrix).matrix
    return tuple(tuple(float(v) for v in row) for row in rigid)


def two_sides(low: float, high: float) -> AfterValidator:
    """Return a check that the numbers of both sides are within limits."""

    def check(sides: Sides) -> Sides:
        for name, value in (("right", sides.right), ("left", sides.left)):
            if not low <= value <= high:
                raise ValueError(f"{name}: {value:g} given, {low:g} to {high:g} is allowed")
        return sides

    return AfterValidator(check)


Number = Annotated[float, BeforeValidator(plain_number)]
FileName = Annotated[Path, BeforeValidator(_plain_text)]
Tooth = Annotated[str, BeforeValidator(_iso)]
Point = Annotated[tuple[float, float, float], BeforeValidator(_three)]
Direction = Annotated[tuple[float, float, float], BeforeValidator(_three), AfterValidator(_unit)]
Matrix = Annotated[tuple[tuple[float, ...], ...], BeforeValidator(_rigid)]


class Sides(Section):
    """A number for the patient's right and one for the left; a single number serves both."""

    right: Number
    left: Number
