"""The main job: one case from its files to an adjusted, proved crown."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from occlusim import __version__
from occlusim.files.case_file import read_case
from occlusim.files.results_file import OutputFolder
from occlusim.pipeline.access_stage import run_access
from occlusim.pipeline.clock import Clock, Progress
from occlusim.pipeline.crown_stage import run_crown
from occlusim.pipeline.foil import foil_part
from occlusim.pipeline.guided import natural_guidance_part
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_stage import Fields, JawStage, run_jaw_stage
from occlusim.pipeline.motion_part import motion_part
from occlusim.pipeline.output import arch_maps, write_outputs
from occlusim.pipeline.placing import mounting_part
from occlusim.pipeline.record import take_record
from occlusim.pipeline.record_part import registration_part
from occlusim.pipeline.retruded import take_retruded
from occlusim.pipeline.sensitivity_stage import run_sensitivity
from occlusim.pipeline.side_by_side import meanwhile
from occlusim.pipeline.sides_stage import run_sides
from occlusim.pipeline.units import UM
from occlusim.pipeline.verdict import verdict_part
from occlusim.report.summary import summary_words


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check gives: the content of results.json and the folder that holds every file."""

    results: dict[str, Any]
    folder: Path

    def summary(self) -> str:
        """Return the answer in plain words."""
        return summary_words(self.results)


def check_case(
    case_path: Path | str,
    out: Path | str,
    *,
    progress: Progress | None = None,
    pictures: bool = True,
) -> CheckResult:
    """Check a crown: register, close, move, find high spots, adjust, and prove it again.

    Parameters
    ----------
    case_path
        The case file.
    out
        Folder for the results; files appear in it when the run has ended well, not before.
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
    clock = Clock(progress or (lambda _words: None))
    started = datetime.now(UTC).isoformat(timespec="seconds")
    case = read_case(case_path)
    with OutputFolder(out) as folder:
        with clock.stage("read", "reading and checking the meshes"):
            inputs = load_inputs(case)
        with meanwhile(partial(Fields.build, inputs)) as building:
            placed = take_record(inputs, clock).placed()
            retruded = take_retruded(inputs, placed, clock)
            with clock.stage("fields", "signed-distance fields of both arches and the crown"):
                fields = building()
        with clock.stage("sides", "sides: contacts with the neighbours, path of seating"):
            sides = run_sides(inputs, placed, fields.crown)
        slide = retruded.slide if retruded else None
        jaw: JawStage = run_jaw_stage(inputs, placed, fields, clock, slide)
        crown, (arches,) = run_crown(
            inputs,
            placed,
            jaw,
            fields.crown,
            [partial(arch_maps, inputs, placed, jaw)],
            clock,
            folder.work,
        )
        crown = crown.with_field("side_gap_um", sides.side_gap_um)
        with clock.stage("sensitivity", "sensitivity: other axes and condylar angles"):
            sensitivity = run_sensitivity(inputs, jaw, crown, fields.crown)
        with clock.stage("access", "screw access: opening, contacts, walls, tilts"):
            access = run_access(inputs, jaw, crown)
        deepest_um = max((s.depth_mm for s in crown.plan.spots), default=0.0) * UM
        findings = [*inputs.findings, *placed.record.findings, *sides.findings]
        findings += crown.findings
        findings += retruded.findings if retruded else ()
        foil = foil_part(case.foil, jaw)
        findings += access.findings() if access else ()
        findings += sensitivity.findings(deepest_um, case.targets.least_spot_um)
        results = {
            "schema": 1,
            "job": "check",
            "occlusim_version": __version__,
            "case_id": case.id,
            "started": started,
            "seconds": {},
            "inputs": inputs.input_parts(),
            "findings": [],
            "verdict": verdict_part(placed, jaw, crown, foil),
            "registration": registration_part(inputs, placed.record),
            "mounting": mounting_part(case, placed.frame)
            | {"axis_effect": sensitivity.axis_effect_part()},
            "closure": jaw.closure_part(),
            "datum": jaw.datum_part(),
            "motion": motion_part(placed.frame, placed.T_upper_lower, jaw.run.paths, retruded),
            "guidance": [
                natural_guidance_part(path) for path in jaw.run.paths if path.name != "centric"
            ],
            "crown": crown.part()
            | {"sides": sides.part, "sensitivity": sensitivity.part()}
            | ({"access": access.part()} if access else {}),
            "settings": case.model_dump(mode="json", exclude={"scans": True, "crowns": True}),
        }
        for load in ("light", "heavy"):
            results["closure"][load]["with_crown"] = crown.closures[load]
        for part, other in zip(results["closure"]["others"], crown.closures["others"], strict=True):
            part["with_crown"] = other
        results["datum"] |= {"disagreement_um": crown.disagreement_um, "foil": foil}
        write_outputs(
            inputs, placed, jaw, crown, arches, results, findings, clock, folder.work, pictures
        )
    return CheckResult(results, Path(out))
