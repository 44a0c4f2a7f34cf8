"""The main job: one case from its files to an adjusted, proved crown."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from occlusim import __version__
from occlusim.files.case_file import read_case
from occlusim.files.results_file import OutputFolder
from occlusim.geometry.scan_check import Finding
from occlusim.pipeline.crown_stage import run_crown
from occlusim.pipeline.inputs import Inputs, load_inputs
from occlusim.pipeline.jaw_stage import Fields, JawStage, run_jaw_stage
from occlusim.pipeline.output import arch_maps, write_outputs
from occlusim.pipeline.placing import (
    Placed,
    judge,
    locate_rows,
    mask_crown_place,
    mount,
    mounting_part,
    place_teeth,
    register,
    registration_part,
)
from occlusim.pipeline.side_by_side import meanwhile
from occlusim.pipeline.verdict import verdict_part
from occlusim.report.summary import summary_words

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check gives: the content of results.json and the folder that holds every file."""

    results: dict[str, Any]
    folder: Path

    def summary(self) -> str:
        """Return the answer in plain words."""
        return summary_words(self.results)


class Clock:
    """Seconds by stage, in the order of the run."""

    def __init__(self, progress: Progress) -> None:
        self.seconds: dict[str, float] = {}
        self._progress = progress

    @contextmanager
    def stage(self, name: str, words: str) -> Iterator[None]:
        """Time a stage and say that it begins."""
        self._progress(words)
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


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
            placed, seen = place(inputs, clock)
            with clock.stage("fields", "signed-distance fields of both arches and the crown"):
                fields = building()
        jaw: JawStage = run_jaw_stage(inputs, placed, fields, clock)
        crown, (arches,) = run_crown(
            inputs,
            placed,
            jaw,
            fields.crown,
            [partial(arch_maps, inputs, placed, jaw)],
            clock,
            folder.work,
        )
        findings = [*inputs.findings, *seen, *jaw.findings, *crown.findings]
        results = {
            "schema": 1,
            "occlusim_version": __version__,
            "case_id": case.id,
            "started": started,
            "seconds": {},
            "inputs": inputs.input_parts(),
            "findings": [],
            "verdict": verdict_part(inputs, placed, jaw, crown),
            "registration": registration_part(
                inputs, placed.registration, placed.verdict, placed.T_upper_lower, placed.frame
            ),
            "mounting": mounting_part(case, placed.frame),
            "closure": jaw.closure_part(),
            "datum": jaw.datum_part(),
            "crown": crown.part(),
            "settings": case.model_dump(mode="json", exclude={"scans": True, "crowns": True}),
        }
        for load in ("light", "heavy"):
            results["closure"][load]["with_crown"] = crown.closures[load]
        write_outputs(
            inputs, placed, jaw, crown, arches, results, findings, clock, folder.work, pictures
        )
    return CheckResult(results, Path(out))


def place(inputs: Inputs, clock: Clock) -> tuple[Placed, list[Finding]]:
    """Return the registered, mounted case, and what was noticed.

    Raises
    ------
    OcclusimError
        If the data cannot place it, or the bite record cannot be trusted.
    """
    with clock.stage("register", "registering the bite"):
        T_upper_lower, registration = register(inputs)
    with clock.stage("mount", "mounting: hinge axis and occlusal plane"):
        rows = locate_rows(inputs, T_upper_lower)
        frame = mount(inputs, T_upper_lower, rows)
        verdict = judge(inputs, registration, frame) if registration else None
        upper_tooth, lower_tooth, seen = place_teeth(inputs, rows)
        own_tooth = upper_tooth if inputs.crown_spec.is_upper else lower_tooth
        masked = mask_crown_place(inputs, own_tooth)
    placed = Placed(
        T_upper_lower, registration, verdict, rows.orientation, frame, upper_tooth, lower_tooth,
        masked,
    )  # fmt: skip
    return placed, seen
