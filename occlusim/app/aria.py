"""What a screen reader is told beside what is seen."""

from __future__ import annotations

from typing import Any


def aria(**values: str) -> dict[str, Any]:
    """Return ``aria-`` attributes by their names without it, for a component of the page."""
    return {f"aria-{name}": value for name, value in values.items()}
