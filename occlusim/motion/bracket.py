"""Openings between which a jaw of one freedom comes to rest.

Where condyles are held and teeth are rigid, only the opening is unknown, and what is left over of
the force says which way to go. Contacts come and go between two poses, so a linear step may lead
past a pose that was seen to lie on the other side; then the middle is taken. At an edge, where one
tooth is about to slip past another, the force jumps and no pose balances it: both sides close up.
"""

from __future__ import annotations

from dataclasses import dataclass

EDGE_RAD = 2.5e-6
"""0.2 um at 80 mm: sides so near are one pose."""


@dataclass(slots=True)
class Bracket:
    """The greatest opening known to be too small, and the least known to be too large, rad."""

    too_closed: float = float("-inf")
    too_open: float = float("inf")

    def step(self, opening_rad: float, step_rad: float) -> float:
        """Return a step from an opening, the linear one where it stays between both sides."""
        if step_rad > 0.0:
            self.too_closed = opening_rad
        else:
            self.too_open = opening_rad
        if not self.is_closed or self.too_closed < opening_rad + step_rad < self.too_open:
            return step_rad
        return 0.5 * (self.too_closed + self.too_open) - opening_rad

    @property
    def is_closed(self) -> bool:
        """Whether both sides are known."""
        return float("-inf") < self.too_closed < self.too_open < float("inf")

    @property
    def is_edge(self) -> bool:
        """Whether both sides are one pose."""
        return self.is_closed and self.too_open - self.too_closed < EDGE_RAD
