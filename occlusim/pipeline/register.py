"""The bite alone: a case's scans registered, judged and laid into one frame."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from occlusim import __version__
from occlusim.errors import OcclusimError
from occlusim.files.case_file import read_case
from occlusim.files.mesh_files import write_ply
from occlusim.files.results_file import OutputFolder, write_results
from occlusim.geometry.mesh import PaintedMesh
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.clock import Clock, Progress
from occlusim.pipeline.inputs import Inputs, load_inputs
from occlusim.pipeline.output import finding_parts, write_painted
from occlusim.pipeline.placing import mounting_part
from occlusim.pipeline.record import Record, take_record
from occlusim.pipeline.record_part import VERDICT_STATE, registration_part
from occlusim.pipeline.report_meshes import painted_bite
from occlusim.pipeline.retruded import ROLE, take_retruded
from occlusim.registration.bite import BiteRegistration
from occlusim.report.record_summary import record_words

LOWER_FILE = "lower_in_upper.ply"
BITE_FILE = "bite_{number}_in_upper.ply"
"""Files in the upper scan's coordinates; bite scans are numbered from 1 as in the case file."""


@dataclass(frozen=True, slots=True)
class RegisterResult:
    """What a registration gives: the content of results.json and the folder that holds it all."""

    results: dict[str, Any]
    folder: Path

    @property
    def accepted(self) -> bool:
        """False where the record is refused."""
        return bool(self.results["registration"]["accepted"])

    def summary(self) -> str:
        """Return the answer in plain words."""
        return record_words(self.results)


def register_case(
    case_path: Path | str, out: Path | str, *, progress: Progress | None = None
) -> RegisterResult:
    """Register the bite of a case, judge it, and write the aligned scans.

    Parameters
    ----------
    case_path
        The case file; it may be without a crown.
    out
        Folder for the results; files appear in it when the run has ended well, not before. Of a
        refused record only `results.json` is written, without any pose.
    progress
        Called with a few words when a stage begins.

    Raises
    ------
    InputError
        If the case file, a mesh or the folder cannot be used.
    """
    clock = Clock(progress or (lambda _words: None))
    started = datetime.now(UTC).isoformat(timespec="seconds")
    case = read_case(case_path)
    with OutputFolder(out) as folder:
        with clock.stage("read", "reading and checking the meshes"):
            inputs = load_inputs(case, needs_crown=False)
        record = take_record(inputs, clock)
        part = registration_part(inputs, record)
        retruded, noticed = _retruded(record, case.scans.has_retruded, clock)
        if record.registration is not None and record.verdict.accepted:
            with clock.stage("maps", "writing the aligned meshes"):
                write_aligned(folder.work, inputs, record.registration)
        results: dict[str, Any] = {
            "schema": 1,
            "job": "register",
            "occlusim_version": __version__,
            "case_id": case.id,
            "started": started,
            "seconds": {name: round(s, 4) for name, s in clock.seconds.items()},
            "inputs": inputs.input_parts(),
            "findings": finding_parts([*inputs.findings, *record.findings, *noticed]),
            "verdict": {
                "state": VERDICT_STATE[record.verdict.state],
                "high": None,
                "reasons": [str(reason) for reason in record.verdict.reasons],
            },
            "registration": part,
            **retruded,
            **_mounting(inputs, record),
            "settings": case.model_dump(mode="json", include={"registration", "mounting", "teeth"}),
        }
        write_results(folder.work, results)
    return RegisterResult(results, Path(out))


def _retruded(
    record: Record, has_retruded: bool, clock: Clock
) -> tuple[dict[str, Any], tuple[Finding, ...]]:
    """Return what the results say of the retruded record, if the case has one, and its findings.

    It is looked for from the bite and judged at the mounted jaw, so that it needs both.
    """
    if not has_retruded:
        return {}, ()
    try:
        placed = record.placed()
    except OcclusimError as error:
        why = f"the retruded record was not looked at, for it is judged from the bite: {error}"
        return {}, (Finding("warning", "retruded_not_judged", why, ROLE),)
    retruded = take_retruded(placed.inputs, placed, clock)
    if retruded is None:
        return {}, ()
    slide = retruded.slide
    way_mm = None if slide is None else slide.length_mm
    return {"retruded": retruded.part() | {"condyle_way_mm": way_mm}}, retruded.findings


def _mounting(inputs: Inputs, record: Record) -> dict[str, Any]:
    if record.standing is None or not record.verdict.accepted:
        return {}
    return {"mounting": mounting_part(inputs.case, record.standing.frame)}


def write_aligned(folder: Path, inputs: Inputs, registration: BiteRegistration) -> None:
    """Write the lower arch and every bite scan in the upper scan's coordinates.

    A bite scan's `residual_um` is its distance from the arch it lies on, negative inside, NaN where
    it matches neither. Units and precision are those of its own file.
    """
    lower = inputs.file_of("lower")
    moved = PaintedMesh(inputs.lower.mesh.transformed(registration.T_upper_lower))
    write_ply(folder / LOWER_FILE, moved, float64=lower.is_double, units=lower.unit)
    for number, (file, surface, bite) in enumerate(
        zip(inputs.bite_files, inputs.bites, registration.bites, strict=True), start=1
    ):
        painted = painted_bite(surface, bite)
        write_painted(folder / BITE_FILE.format(number=number), painted, file, "residual_um")
