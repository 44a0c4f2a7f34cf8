"""The bite record of a case: registered, mounted, tested and judged, for every command alike."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from occlusim.arrays import BoolArray, Int32Array
from occlusim.errors import DegenerateProblem, OcclusimError, RegistrationRefused
from occlusim.geometry.scan_check import Finding
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.frame import JawFrame
from occlusim.jaw.orientation import ArchOrientation
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.inputs import Inputs
from occlusim.pipeline.placing import Standing, left_out_faces, stand
from occlusim.pipeline.record_checks import (
    contact_findings,
    contact_of,
    height_sigma_mm,
    suspected,
)
from occlusim.pipeline.record_places import Place, name_findings, places_of, sides_shown
from occlusim.pipeline.side_by_side import meanwhile
from occlusim.registration.bite import BiteRegistration, register_bite
from occlusim.registration.consistency import (
    ChanceTest,
    Shift,
    alone_against_joint,
    same_pose_test,
    worst_disagreement,
)
from occlusim.registration.halves import HalvesTest, halves_tests
from occlusim.registration.quality import (
    QualityVerdict,
    Reason,
    RecordContext,
    judge_bite,
    require_accepted,
)
from occlusim.registration.record_contact import RecordContact
from occlusim.registration.shared_frame import SharedFrameSettings, shared_frame_registration

Source = Literal["bite scans", "given pose", "scans share a frame"]


@dataclass(frozen=True, slots=True)
class Record:
    """A bite record with its verdict and what that rests on.

    `registration` is None where no pose was found at all, `standing` where the jaw could not be
    mounted, `problem` says why. Of a refused record no more is tested.
    """

    source: Source
    registration: BiteRegistration | None
    verdict: QualityVerdict
    places: tuple[Place, ...] = ()
    standing: Standing | None = None
    problem: OcclusimError | None = None
    sides: tuple[str | None, ...] = ()
    same_pose: ChanceTest | None = None
    alone: tuple[Shift, ...] = ()
    halves: tuple[HalvesTest, ...] = ()
    contact: RecordContact | None = None
    findings: tuple[Finding, ...] = ()

    def placed(self) -> Placed:
        """Return the mounted case of a record that is not refused.

        Raises
        ------
        RegistrationRefused
            If the record cannot be trusted.
        OcclusimError
            If the jaw could not be mounted.
        """
        require_accepted(self.verdict)
        if self.registration is None or self.standing is None:
            raise self.problem or DegenerateProblem("bite record: the jaw could not be mounted")
        at = self.standing
        return Placed(
            self.registration.T_upper_lower,
            self,
            at.rows.orientation,
            at.frame,
            at.teeth.upper_tooth,
            at.teeth.lower_tooth,
            self.standing.masked,
            self.standing.inputs,
        )


@dataclass(frozen=True, slots=True)
class Placed:
    """The registered, mounted case; the rest as `Standing`."""

    T_upper_lower: RigidTransform
    record: Record
    orientation: ArchOrientation
    frame: JawFrame
    upper_tooth: Int32Array
    lower_tooth: Int32Array
    masked: tuple[BoolArray, ...]
    inputs: Inputs

    def tooth(self, *, upper: bool) -> Int32Array:
        """Return the teeth (F,) of an arch's faces, 0 where there is none."""
        return self.upper_tooth if upper else self.lower_tooth

    def left_out(self, *, upper: bool) -> BoolArray:
        """Return which faces (F,) of an arch any crown stands for."""
        n_faces = len(self.tooth(upper=upper))
        return left_out_faces(self.inputs, self.masked, n_faces, upper=upper)


def take_record(inputs: Inputs, clock: Clock) -> Record:
    """Return the bite record of a case, whatever its verdict.

    Raises
    ------
    InputError
        If the arches look exchanged, or the case's landmarks or condyles cannot be right.
    """
    with clock.stage("register", "registering the bite"):
        source, registration, problem = register(inputs)
    if registration is None:
        return _refused(source, None, problem)
    with clock.stage("mount", "mounting: hinge axis and occlusal plane"):
        early = judge_bite(registration, registration.centre, context=_names(inputs))
        if not early.accepted:
            places = places_of(inputs, registration.T_upper_lower)
            return Record(source, registration, early, places)
        try:
            standing = stand(inputs, registration.T_upper_lower)
        except DegenerateProblem as error:
            standing, problem = None, error
    with clock.stage("judge", "judging the bite record"):
        return _judged(inputs, source, registration, standing, problem)


def register(inputs: Inputs) -> tuple[Source, BiteRegistration | None, OcclusimError | None]:
    """Return how the lower scan's pose is known, the registration, and why there is none."""
    return register_scans(inputs, inputs.bites, inputs.case.scans.given_pose)


def register_scans(
    inputs: Inputs,
    bites: tuple[Surface, ...],
    given: RigidTransform | None,
    start: RigidTransform | None = None,
) -> tuple[Source, BiteRegistration | None, OcclusimError | None]:
    """Return how the lower scan's pose is known, the registration, and why there is none.

    The one place where bite scans are registered. A given pose is the start where there are bite
    scans and the answer where not; `start` is the one without a given pose, identity if absent.
    """
    if bites:
        try:
            begin = given or start or RigidTransform.identity()
            found = register_bite(inputs.upper, inputs.lower, bites, T_upper_lower=begin)
        except (DegenerateProblem, RegistrationRefused) as error:
            return "bite scans", None, error
        return "bite scans", found, None
    pose = given or RigidTransform.identity()
    settings = SharedFrameSettings(inputs.case.registration.given_sigma_um)
    used = inputs.lower.mesh.vertices[np.unique(inputs.lower.mesh.faces)]
    centre = pose.apply(used.mean(axis=0))
    source: Source = "given pose" if given else "scans share a frame"
    return source, shared_frame_registration(pose, centre, settings), None


def _refused(
    source: Source, registration: BiteRegistration | None, problem: OcclusimError | None
) -> Record:
    """Return the record of bite scans that were not found on the arches."""
    reason = Reason(
        "not_found",
        "refused",
        str(problem),
        "check that arches and bite scans belong to one case, and scan the bite again",
    )
    nothing = np.zeros((0, 3))
    verdict = QualityVerdict(
        False, "refused", (reason,), "no direction is fixed", nothing, np.zeros(0)
    )
    return Record(source, registration, verdict, problem=problem)


def _names(inputs: Inputs) -> RecordContext:
    names = [f"bite scan {k} ({f.path.name})" for k, f in enumerate(inputs.bite_files, start=1)]
    return RecordContext(bites=tuple(names))


def _judged(
    inputs: Inputs,
    source: Source,
    registration: BiteRegistration,
    standing: Standing | None,
    problem: OcclusimError | None,
) -> Record:
    """Return the record with every test and the verdict."""
    T_upper_lower = registration.T_upper_lower
    frame = standing.frame if standing else None
    T_jaw_upper = frame.T_jaw_upper if frame else None
    places = places_of(inputs, T_upper_lower, frame, standing.teeth if standing else None)
    if not places:
        words = "the middle of the record"
        places = (Place("record_middle", 0, words, np.asarray(registration.centre)),)
    points = np.array([place.point for place in places])
    sides: tuple[str | None, ...] = (None,) * len(inputs.bites)
    if frame is not None:
        sides = sides_shown(inputs, registration, frame)
    disagreement = worst_disagreement(registration, points)
    sigma_mm = height_sigma_mm(registration, standing, points)
    comparing = partial(halves_tests, registration, inputs.upper, inputs.lower, inputs.bites)
    with meanwhile(comparing) as compared:
        contact = contact_of(inputs, standing, T_upper_lower, sigma_mm)
        halves = compared()
    context = replace(
        _names(inputs),
        places=tuple(place.words for place in places),
        sides=sides,
        disagreement=disagreement,
        suspect=suspected(inputs, registration, standing, disagreement, sides),
        halves=halves,
        contact=contact,
        others=() if problem is None else (_not_mounted(problem),),
    )
    verdict = judge_bite(registration, points, T_jaw_upper=T_jaw_upper, context=context)
    findings = [
        *(standing.teeth.findings if standing else ()),
        *name_findings(inputs, sides),
        *contact_findings(inputs, standing, verdict, T_upper_lower),
    ]
    return Record(
        source,
        registration,
        verdict,
        places,
        standing,
        problem,
        sides,
        same_pose_test(registration),
        tuple(alone_against_joint(registration, points)),
        halves,
        contact,
        tuple(findings),
    )


def _not_mounted(problem: OcclusimError) -> Reason:
    return Reason(
        "not_mounted",
        "doubtful",
        f"the jaw could not be mounted ({problem}): directions are the upper scan's, and no molar "
        "is known",
        "look at the aligned meshes; a whole arch on both sides is wanted for more",
    )
