"""How far a run has come, by the words of its stages.

The shares are those of a demo case on two cores: a bar that moves evenly on such a case. Nothing
is decided by them; a stage that is not listed leaves the bar where it is.
"""

from __future__ import annotations

STAGES: tuple[tuple[str, float], ...] = (
    ("loading", 0.0),
    ("reading", 0.05),
    ("registering", 0.10),
    ("mounting", 0.17),
    ("judging", 0.20),
    ("signed-distance", 0.22),
    ("sides", 0.23),
    ("jaw", 0.24),
    ("datum", 0.42),
    ("crown", 0.43),
    ("reduction", 0.57),
    ("proof", 0.73),
    ("sensitivity", 0.79),
    ("probability", 0.84),
    ("screw", 0.85),
    ("writing the coloured", 0.86),
    ("drawing", 0.87),
    ("writing the report", 0.97),
)
"""How the words of a stage begin, and which share of a run is done when it begins."""


def share_at(words: str, before: float) -> float:
    """Return the share of a run that is done when a stage begins, never less than before."""
    known = [share for start, share in STAGES if words.startswith(start)]
    return max([before, *known])
