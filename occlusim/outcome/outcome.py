"""A check from Python: run it, or open the folder that an earlier run left."""

from __future__ import annotations

import json
import shutil
import tempfile
import weakref
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from occlusim.arrays import Float64Array
from occlusim.errors import InputError
from occlusim.outcome.meshes import OutcomeMesh, read_outcome_mesh
from occlusim.outcome.notebook import outcome_html
from occlusim.report.summary import summary_words

MESHES = {
    "crown": "crown_gap.ply",
    "adjusted": "crown_adjusted.ply",
    "reduction": "crown_reduction.ply",
    "probability": "crown_probability.ply",
    "upper": "upper_gap.ply",
    "lower": "lower_gap.ply",
}
"""The meshes of a result and their files, each in the coordinates of the scan it came with."""


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class Outcome:
    """What a check found: the content of results.json and the folder that holds every file.

    A notebook shows the answer and the spots; `report` is the whole page.
    """

    results: dict[str, Any] = field(repr=False)
    folder: Path

    @property
    def report(self) -> Path:
        """The report, one HTML file."""
        return self.folder / "report.html"

    def summary(self) -> str:
        """Return the answer in plain words."""
        return summary_words(self.results)

    def mesh(self, name: str = "crown") -> OutcomeMesh:
        """Return a mesh of the result, read anew from its file.

        Raises
        ------
        InputError
            If there is no mesh of that name; the message lists those there are.
        """
        if name not in MESHES:
            raise InputError(f"mesh: {name!r} given; there are {', '.join(MESHES)}")
        return read_outcome_mesh(self.folder / MESHES[name])

    def gap_um(self, name: str = "crown") -> Float64Array:
        """Return the gap (V,) to the opposing teeth in um at the light closure; NaN is not known.

        One number a vertex of `mesh(name)`, for ``crown``, ``upper`` and ``lower``; negative where
        the surfaces overlap.

        Raises
        ------
        InputError
            If that mesh carries no gap.
        """
        fields = self.mesh(name).fields
        if "gap_um" not in fields:
            known = ", ".join(fields) or "no numbers"
            raise InputError(f"gap_um: mesh {name!r} has {known}; ask crown, upper or lower")
        return fields["gap_um"]

    def _repr_html_(self) -> str:
        return outcome_html(self.results)


def check_outcome(
    case: Path | str,
    out: Path | str | None = None,
    *,
    progress: Callable[[str], None] | None = None,
    pictures: bool = True,
) -> Outcome:
    """Check a crown: register, close, move, find high spots, adjust, and prove it again.

    Parameters
    ----------
    case
        The case file.
    out
        Folder for the results. Without one they lie in a temporary folder, which is removed when
        the outcome is no longer used and at the end of the program.
    progress
        Called with a few words when a stage begins.
    pictures
        Draw the PNG pictures.

    Raises
    ------
    InputError
        If the case file, a mesh or the folder cannot be used.
    OcclusimError
        If the data cannot determine the answer, or the bite record cannot be trusted.
    """
    from occlusim.pipeline import check_case  # noqa: PLC0415  (loads the compiled kernels)

    kept = None if out is not None else Path(tempfile.mkdtemp(prefix="occlusim-"))
    folder = kept / "out" if kept else Path(str(out))
    try:
        found = check_case(case, folder, progress=progress, pictures=pictures)
    except BaseException:
        if kept:
            shutil.rmtree(kept, ignore_errors=True)
        raise
    outcome = Outcome(found.results, folder)
    if kept:
        weakref.finalize(outcome, shutil.rmtree, kept, ignore_errors=True)
    return outcome


def read_outcome(folder: Path | str) -> Outcome:
    """Return what an earlier check left in a folder.

    Raises
    ------
    InputError
        If the folder holds no results of a check that can be read.
    """
    folder = Path(folder)
    path = folder / "results.json"
    try:
        results = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); give the folder that a check wrote"
        ) from None
    except ValueError as error:
        raise InputError(f"{path}: no results: {error}; run the check again") from None
    if not isinstance(results, dict) or results.get("job") != "check":
        raise InputError(f"{path}: no results of a check; give the folder that a check wrote")
    return Outcome(results, folder)
