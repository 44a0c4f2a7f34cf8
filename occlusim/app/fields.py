"""The settings that the page offers, by their place in the case file.

What is allowed and what the defaults are is known to `occlusim.case` alone; here stands only how a
setting is asked for. A setting that is left empty is left out of the case file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel

from occlusim.case import Access, Crown, Guidance, Mounting, Movements, Scans, Targets

Kind = Literal["choice", "tooth", "number", "teeth", "point", "direction"]
IN_SPACE: tuple[Kind, ...] = ("point", "direction")
"""Settings of three numbers; points can be picked on the view, directions are typed in."""


@dataclass(frozen=True, slots=True)
class Field:
    """A setting: its key in the case file, how it is asked for, and what may be chosen."""

    key: str
    kind: Kind
    choices: tuple[str, ...] = ()
    advanced: bool = False

    @property
    def preselected(self) -> str | None:
        """The choice that stands where nothing is stated; "" stands for not stated, None: none."""
        if self.kind != "choice" or self.key == "crown.support":
            return None
        return str(Scans.model_fields["units"].default) if self.key == "scans.units" else ""

    @property
    def id(self) -> str:
        """The name of its component on the page: Dash allows no dots."""
        return "field-" + self.key.replace(".", "-")


FIELDS: tuple[Field, ...] = (
    Field("crown.tooth", "tooth"),
    Field("crown.support", "choice", ("tooth", "implant")),
    Field("crown.guidance", "choice", ("none", "shared", "guides")),
    Field("scans.units", "choice", ("mm", "cm", "m", "um", "inch")),
    Field("crown.min_thickness_mm", "number"),
    Field("crown.seating_axis", "direction", advanced=True),
    Field("crown.access.point_mm", "point", advanced=True),
    Field("crown.access.axis", "direction", advanced=True),
    Field("crown.access.diameter_mm", "number", advanced=True),
    Field("crown.access.max_tilt_deg", "number", advanced=True),
    Field("crown.milling.axis", "direction", advanced=True),
    Field("crown.milling.tool_radius_mm", "number", advanced=True),
    Field("targets.centric_um", "number", advanced=True),
    Field("targets.excursion_um", "number", advanced=True),
    Field("guidance.inclination_plane", "choice", ("occlusal", "camper", "frankfort"), True),
    Field("guidance.sagittal_inclination_deg.right", "number", advanced=True),
    Field("guidance.sagittal_inclination_deg.left", "number", advanced=True),
    Field("guidance.bennett_angle_deg.right", "number", advanced=True),
    Field("guidance.bennett_angle_deg.left", "number", advanced=True),
    Field("movements.protrusion_mm", "number", advanced=True),
    Field("movements.laterotrusion_mm", "number", advanced=True),
    Field("teeth.implants", "teeth", advanced=True),
    Field("teeth.missing", "teeth", advanced=True),
    Field("mounting.condyles", "choice", ("measured", "arbitrary"), True),
    Field("mounting.right_condyle_mm", "point", advanced=True),
    Field("mounting.left_condyle_mm", "point", advanced=True),
    Field("mounting.incisal_mm", "point", advanced=True),
    Field("mounting.right_molar_mm", "point", advanced=True),
    Field("mounting.left_molar_mm", "point", advanced=True),
)
BY_KEY: Mapping[str, Field] = {field.key: field for field in FIELDS}
POINT_SCAN: Mapping[str, str] = {
    "crown.access.point_mm": "crown",
    "mounting.right_condyle_mm": "upper",
    "mounting.left_condyle_mm": "upper",
    "mounting.incisal_mm": "lower",
    "mounting.right_molar_mm": "lower",
    "mounting.left_molar_mm": "lower",
}
"""In which scan's coordinates a point is given."""

_SECTIONS: Mapping[str, type[BaseModel]] = {
    "crown.access": Access,
    "crown": Crown,
    "targets": Targets,
    "guidance": Guidance,
    "mounting": Mounting,
    "movements": Movements,
}


def default_of(key: str) -> Any:
    """Return the default of a setting as the case model has it, None where there is none."""
    section = next((name for name in _SECTIONS if key.startswith(f"{name}.")), None)
    if section is None:
        return None
    first, *rest = key.removeprefix(f"{section}.").split(".")
    value = _SECTIONS[section].model_fields[first].get_default()
    for part in rest:
        value = getattr(value, part)
    return value if isinstance(value, int | float | str) else None


def cleaned(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings that are known and not empty, as the page keeps them.

    Raises
    ------
    KeyError
        If a key is none of a setting.
    """
    kept = {}
    for key, value in values.items():
        kind = BY_KEY[key].kind
        if kind in IN_SPACE:
            value = list(value) if isinstance(value, Sequence) else []
            if all(part in (None, "") for part in value):
                continue
        elif value in (None, BY_KEY[key].preselected) or not str(value).strip():
            continue
        kept[key] = value
    return kept


def nested(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings as the tables of a case file."""
    data: dict[str, Any] = {}
    for key, value in values.items():
        *sections, last = key.split(".")
        table = data
        for section in sections:
            table = table.setdefault(section, {})
        table[last] = _teeth(value) if BY_KEY[key].kind == "teeth" else value
    return data


def _teeth(value: object) -> list[str]:
    return [part for part in re.split(r"[\s,;]+", str(value)) if part]


def field_of(loc: Iterable[str | int]) -> str | None:
    """Return the key of the setting that the place of an error belongs to, or None.

    An error of a whole section belongs to its first setting.
    """
    names = [str(part) for part in loc if not isinstance(part, int)]
    while names:
        key = ".".join(names)
        near = [known for known in BY_KEY if known == key or known.startswith(f"{key}.")]
        if near:
            return near[0]
        names.pop()
    return None
