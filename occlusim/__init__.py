"""occlusim: dental occlusion and contact, from scans to an adjusted crown.

``occlusim.check("case.toml")`` runs the main job; ``occlusim.read_outcome("folder")`` opens what an
earlier run left. Both load the engine when they are called, so that the import itself is quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from occlusim.outcome import Outcome

__version__ = "0.1.0"
__all__ = ["__version__", "check", "read_outcome"]


def check(
    case: Path | str,
    out: Path | str | None = None,
    *,
    progress: Callable[[str], None] | None = None,
    pictures: bool = True,
) -> Outcome:
    """Check a crown and return what was found; see `occlusim.outcome.check_outcome`."""
    from occlusim.outcome import check_outcome  # noqa: PLC0415

    return check_outcome(case, out, progress=progress, pictures=pictures)


def read_outcome(folder: Path | str) -> Outcome:
    """Return what an earlier check left in a folder; see `occlusim.outcome.read_outcome`."""
    from occlusim.outcome import read_outcome as read  # noqa: PLC0415

    return read(folder)
