"""What a check found, for Python: numbers, words, gap maps, meshes, and a notebook's display."""

from occlusim.outcome.meshes import OutcomeMesh
from occlusim.outcome.outcome import Outcome, check_outcome, read_outcome

__all__ = ["Outcome", "OutcomeMesh", "check_outcome", "read_outcome"]
