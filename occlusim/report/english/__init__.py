"""English: every text of the report, one module for each part of the page.

Placeholders in braces are filled by `str.format`; what stands in them is already a written number.
Another language is another folder with the same names.
"""

from __future__ import annotations

from collections.abc import Mapping

from occlusim.report.english.access import ACCESS
from occlusim.report.english.answer import ANSWER
from occlusim.report.english.case import CASE, CAUTIONS
from occlusim.report.english.closure import CLOSURE
from occlusim.report.english.crown import CROWN
from occlusim.report.english.kept import KEPT
from occlusim.report.english.keys import KEYS
from occlusim.report.english.movements import MOVEMENTS
from occlusim.report.english.record import RECORD
from occlusim.report.english.several import SEVERAL
from occlusim.report.english.sides import SIDES, VISIT

PARTS: tuple[Mapping[str, str], ...] = (
    ANSWER,
    SEVERAL,
    CROWN,
    MOVEMENTS,
    SIDES,
    ACCESS,
    RECORD,
    CLOSURE,
    KEPT,
    CASE,
    KEYS,
)

TEXTS: Mapping[str, str] = {key: text for part in PARTS for key, text in part.items()}

__all__ = ["CAUTIONS", "PARTS", "TEXTS", "VISIT"]
