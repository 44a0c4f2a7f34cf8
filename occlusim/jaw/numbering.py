"""Tooth numbers: ISO 3950 inside, the Universal 1-32 read and shown beside it.

ISO 3950:2016: the first digit is the quadrant, 1 to 4 clockwise from the patient's upper right,
the second the position, 1 to 8 from the midline. The Universal numbers run 1-16 over the upper
arch from the patient's right to left and 17-32 over the lower from left to right, so 46 is 30.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from occlusim.errors import InputError

Side = Literal["right", "left"]

UPPER_ARCH: tuple[int, ...] = (*range(18, 10, -1), *range(21, 29))
"""Upper teeth from the patient's right to left."""

LOWER_ARCH: tuple[int, ...] = (*range(48, 40, -1), *range(31, 39))
"""Lower teeth from the patient's right to left."""

_ALL_TEETH = frozenset(UPPER_ARCH + LOWER_ARCH)

_KIND_NAMES = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)


def check_tooth(tooth: int | str) -> int:
    """Return `tooth` as an ISO 3950 number, or raise `InputError` that says what is allowed."""
    try:
        number = int(tooth)
        is_whole = not isinstance(tooth, bool) and number == (
            float(tooth) if not isinstance(tooth, str) else number
        )
    except (TypeError, ValueError):
        number, is_whole = 0, False
    if not is_whole or number not in _ALL_TEETH:
        hint = ""
        if is_whole and 1 <= number <= 32:
            hint = f"; if {number} is a Universal number, give {iso_from_universal(number)}"
        elif is_whole and 51 <= number <= 85:
            hint = "; milk teeth (51 to 85) are not handled"
        raise InputError(
            f"tooth: {tooth!r} given, an ISO 3950 number is wanted: quadrant 1 to 4, then position "
            f"1 to 8 from the midline, such as 46{hint}"
        )
    return number


def check_teeth(teeth: Iterable[int | str]) -> tuple[int, ...]:
    """Return checked tooth numbers in the given order; naming one twice is an `InputError`."""
    numbers = tuple(check_tooth(tooth) for tooth in teeth)
    twice = sorted({tooth for tooth in numbers if numbers.count(tooth) > 1})
    if twice:
        raise InputError(f"teeth: {twice} named more than once; name each tooth once")
    return numbers


def universal_from_iso(tooth: int | str) -> int:
    """Return the Universal number (1-32) of an ISO 3950 tooth."""
    quadrant, position = divmod(check_tooth(tooth), 10)
    return {1: 9 - position, 2: 8 + position, 3: 25 - position, 4: 24 + position}[quadrant]


def iso_from_universal(universal: int | str) -> int:
    """Return the ISO 3950 number of a Universal number (1-32)."""
    try:
        number = int(universal)
    except (TypeError, ValueError):
        number = 0
    if not 1 <= number <= 32:
        raise InputError(
            f"universal: {universal!r} given, a whole number from 1 (upper right third molar) "
            "to 32 (lower right third molar) is wanted"
        )
    if number <= 8:
        return 19 - number
    if number <= 16:
        return 12 + number
    if number <= 24:
        return 55 - number
    return 16 + number


def is_upper(tooth: int) -> bool:
    """Whether the tooth stands in the upper arch."""
    return check_tooth(tooth) < 30


def side_of(tooth: int) -> Side:
    """Return the patient's side the tooth stands on."""
    return "right" if check_tooth(tooth) // 10 in (1, 4) else "left"


def position_of(tooth: int) -> int:
    """Return the position 1 (central incisor) to 8 (third molar)."""
    return check_tooth(tooth) % 10


def is_anterior(tooth: int) -> bool:
    """Whether the tooth is an incisor or a canine."""
    return position_of(tooth) <= 3


def tooth_name(tooth: int) -> str:
    """Return the tooth in words, such as ``lower right first molar``."""
    jaw = "upper" if is_upper(tooth) else "lower"
    return f"{jaw} {side_of(tooth)} {_KIND_NAMES[position_of(tooth) - 1]}"


def arch_of(*, upper: bool) -> tuple[int, ...]:
    """Return the 16 teeth of an arch from the patient's right to left."""
    return UPPER_ARCH if upper else LOWER_ARCH


def arch_index(tooth: int) -> int:
    """Return the place 0-15 of a tooth in its arch, counted from the patient's right."""
    return arch_of(upper=is_upper(tooth)).index(tooth)


def sort_along_arch(teeth: Iterable[int | str]) -> tuple[int, ...]:
    """Return teeth upper arch first, each arch from the patient's right to left."""
    return tuple(
        sorted((check_tooth(t) for t in teeth), key=lambda t: (not is_upper(t), arch_index(t)))
    )


def tooth_step(tooth: int, steps: int) -> int | None:
    """Return the tooth `steps` places further to the patient's left, None beyond the arch."""
    arch = arch_of(upper=is_upper(tooth))
    index = arch.index(tooth) + steps
    return arch[index] if 0 <= index < len(arch) else None


def mesial_neighbour(tooth: int) -> int:
    """Return the next tooth towards (or across) the midline."""
    step = tooth_step(check_tooth(tooth), 1 if side_of(tooth) == "right" else -1)
    if step is None:  # pragma: no cover - every tooth has a mesial neighbour
        raise InputError(f"tooth: {tooth} has no mesial neighbour")
    return step


def distal_neighbour(tooth: int) -> int | None:
    """Return the next tooth away from the midline, None behind a third molar."""
    return tooth_step(check_tooth(tooth), -1 if side_of(tooth) == "right" else 1)


def neighbours(
    tooth: int, n: int = 1, present: Iterable[int] | None = None, missing: Iterable[int] = ()
) -> tuple[int, ...]:
    """Return up to `n` teeth on each side of a tooth, from the patient's right to left.

    Teeth in `missing`, and where `present` is given all that are not in it, are stepped over, so
    that the neighbour of a gap is the tooth beyond it. The tooth itself is not returned.
    """
    check_tooth(tooth)
    if n < 0:
        raise InputError(f"neighbours: n = {n} given, 0 or more is wanted")
    allowed = set(arch_of(upper=is_upper(tooth))) if present is None else set(present)
    allowed -= set(missing)
    arch = arch_of(upper=is_upper(tooth))
    index = arch.index(tooth)
    to_right = [t for t in arch[:index] if t in allowed]
    to_left = [t for t in arch[index + 1 :] if t in allowed]
    return (*to_right[max(len(to_right) - n, 0) :], *to_left[:n])
