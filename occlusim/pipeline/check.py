"""The main job: one case from its files to an adjusted, proved crown."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from occlusim import __version__
from occlusim.case import Case
from occlusim.files.case_file import read_case
from occlusim.files.results_file import OutputFolder
from occlusim.pipeline.clock import Clock, Progress
from occlusim.pipeline.crown_set import run_crowns, seated_crowns
from occlusim.pipeline.each_crown import crown_findings, joined_verdict, look_at
from occlusim.pipeline.foil import foil_part, foil_words
from occlusim.pipeline.foil_fit import constrain
from occlusim.pipeline.guided import natural_guidance_part
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_stage import Fields, run_natural_jaw
from occlusim.pipeline.motion_part import motion_part
from occlusim.pipeline.output import arch_maps, write_outputs
from occlusim.pipeline.placing import mounting_part
from occlusim.pipeline.record import take_record
from occlusim.pipeline.record_part import registration_part
from occlusim.pipeline.retruded import take_retruded
from occlusim.pipeline.side_by_side import meanwhile
from occlusim.pipeline.sides_stage import run_sides
from occlusim.report.several import further_words, turned_to
from occlusim.report.summary import summary_words


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check gives: the content of results.json and the folder that holds every file."""

    results: dict[str, Any]
    folder: Path

    def summary(self) -> str:
        """Return the answer in plain words, of several crowns one after the other."""
        first = summary_words(turned_to(self.results, 0))
        return "\n".join([first, *further_words(self.results)])


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
            inputs = placed.inputs
            retruded = take_retruded(inputs, placed, clock)
            with clock.stage("fields", "signed-distance fields of both arches and the crown"):
                fields = building()
        with clock.stage("sides", "sides: contacts with the neighbours, path of seating"):
            seated = seated_crowns(inputs, placed)
            sides = [
                run_sides(seat.inputs, seat.placed, field)
                for seat, field in zip(seated, fields.crowns, strict=True)
            ]
        slide = retruded.slide if retruded else None
        natural = run_natural_jaw(inputs, placed, fields, clock, slide)
        placed, natural, fit = constrain(inputs, placed, fields, natural, clock, slide)
        seated = seated_crowns(inputs, placed) if fit else seated
        maps = [partial(arch_maps, inputs, placed, natural.run.light)]
        proved, (arches,) = run_crowns(placed, seated, natural, fields, maps, clock, folder.work)
        foil = foil_part(case.foil, proved[0].jaw)
        doubts = [*foil_words(foil), *(fit.words() if fit else ())]
        crowns = [
            look_at(one, side, field, (foil, doubts), clock, folder.work)
            for one, side, field in zip(proved, sides, fields.crowns, strict=True)
        ]
        jaw = proved[0].jaw
        findings = [*inputs.findings, *placed.record.findings]
        findings += crown_findings(crowns, retruded.findings if retruded else ())
        results = {
            "schema": 1,
            "job": "check",
            "occlusim_version": __version__,
            "case_id": case.id,
            "started": started,
            "seconds": {},
            "inputs": inputs.input_parts(),
            "findings": [],
            "verdict": joined_verdict(crowns),
            "registration": registration_part(inputs, placed.record)
            | ({"foil": fit.part(placed.record.places)} if fit else {}),
            "mounting": mounting_part(case, placed.frame)
            | {"axis_effect": crowns[0].sensitivity.axis_effect_part()},
            "closure": crowns[0].closure_part(),
            "datum": crowns[0].datum_part(),
            "motion": motion_part(placed.frame, placed.T_upper_lower, jaw.run.paths, retruded),
            "guidance": [
                natural_guidance_part(path) for path in jaw.run.paths if path.name != "centric"
            ],
            "crown": crowns[0].part(),
            **({"crowns": [one.whole_part() for one in crowns]} if len(crowns) > 1 else {}),
            "settings": settings_part(case),
        }
        write_outputs(placed, crowns, arches, results, findings, clock, folder.work, pictures)
    return CheckResult(results, Path(out))


def settings_part(case: Case) -> dict[str, Any]:
    """Return the case's settings; `implant` is null, the only one, or a list of several."""
    settings = case.model_dump(mode="json", exclude={"scans": True, "crowns": True})
    implants = settings.pop("implants")
    one = implants[0] if implants else None
    return settings | {"implant": implants if len(implants) > 1 else one}
