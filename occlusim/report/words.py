"""The texts of the report in the language it speaks, and the words for a movement.

The texts themselves stand in a folder for each language, `english` being the only one so far.
"""

from __future__ import annotations

from occlusim.jaw.movements import lateroprotrusion_angle_deg
from occlusim.report import english

LANGUAGES = {"en": english}
WORDS = english.TEXTS
CAUTIONS = english.CAUTIONS
VISIT = english.VISIT


def movement_label(name: str) -> str:
    """Return a movement's name for tables, such as ``To the right (laterotrusion)``."""
    return _named("movement", name) or name.replace("_", " ")


def movement_phrase(name: str) -> str:
    """Return a movement as the end of a sentence, such as ``moving to the right``."""
    return _named("phrase", name) or WORDS["phrase_other"].format(name=name.replace("_", " "))


def _named(kind: str, name: str) -> str | None:
    """Return the words for a movement, with its angle where its name tells one."""
    angle_deg = lateroprotrusion_angle_deg(name)
    if angle_deg is None:
        return WORDS.get(f"{kind}_{name}")
    side = name.split("_")[1]
    words = WORDS[f"{kind}_lateroprotrusion_{side}"]
    return WORDS["movement_angle"].format(movement=words, angle=f"{angle_deg:g}")
