"""The retruded record of a demo case: registered like the bite, judged, followed or left out."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from cases.records import (
    LEFT,
    RIGHT,
    T_JAW_UPPER,
    T_UPPER_LOWER,
    TRUTH,
    copied,
    edited,
    given,
)
from numpy.testing import assert_allclose
from scipy.spatial import KDTree

from demo_arches.noise import read_ply, write_ply
from occlusim.files.case_file import read_case
from occlusim.files.results_file import validate_results
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.pose import condyle_positions
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_stage import Fields, run_jaw_stage
from occlusim.pipeline.motion_part import motion_part
from occlusim.pipeline.record import take_record
from occlusim.pipeline.register import register_case
from occlusim.pipeline.retruded import take_retruded

pytestmark = pytest.mark.slow

CLOCK = Clock(lambda _words: None)
BACK = RigidTransform.exp([-0.015, 0.002, -0.003, 0.1, -0.8, 0.2])
"""The retruded jaw in the jaw frame: the condyles back and up, the teeth just apart."""

RETRUDED = T_JAW_UPPER.inverse() @ BACK @ T_JAW_UPPER @ T_UPPER_LOWER
FORWARD = T_JAW_UPPER.inverse() @ BACK.inverse() @ T_JAW_UPPER @ T_UPPER_LOWER


def retruded_bite(folder, name):
    """Write the demo's bite scan of a side as it had been taken in the retruded position."""
    vertices, faces = read_ply(folder / name)
    T_upper_bite = RigidTransform.from_matrix(TRUTH["T_upper_bite"][name])
    there = T_upper_bite.apply(vertices)
    to_upper = KDTree(read_ply(folder / "upper_a.ply")[0]).query(there)[0]
    to_lower = KDTree(T_UPPER_LOWER.apply(read_ply(folder / "lower_a.ply")[0])).query(there)[0]
    is_low = to_lower < to_upper
    there[is_low] = (RETRUDED @ T_UPPER_LOWER.inverse()).apply(there[is_low])
    whole = is_low[faces].all(axis=1) | (~is_low[faces]).all(axis=1)
    write_ply(folder / f"retruded_{name}", T_upper_bite.inverse().apply(there), faces[whole])
    return f"retruded_{name}"


@pytest.fixture(scope="module")
def case_file(tmp_path_factory):
    """Return the demo case with retruded bite scans of both sides, its true bite given."""
    folder = tmp_path_factory.mktemp("slide")
    case = given(copied(folder), 0.0)
    names = [retruded_bite(folder, name) for name in (RIGHT, LEFT)]
    return edited(case, (r"\n\[crown\]", f"\nretruded_bites = {json.dumps(names)}\n\n[crown]"))


@pytest.fixture(scope="module")
def mounted(case_file):
    """Return that case read and mounted."""
    inputs = load_inputs(read_case(case_file))
    return inputs, take_record(inputs, CLOCK).placed()


def with_pose(inputs, pose, **movements):
    """Return the case with a given retruded pose instead of the bite scans."""
    old = inputs.case
    matrix = tuple(map(tuple, pose.matrix.tolist()))
    case = old.model_copy(
        update={
            "scans": old.scans.model_copy(update={"T_upper_lower_retruded": matrix}),
            "movements": old.movements.model_copy(update=movements),
        }
    )
    return replace(inputs, case=case, retruded_bites=())


def test_retruded_bite_scans_find_the_retruded_condyles(mounted):
    inputs, placed = mounted
    record = take_retruded(inputs, placed, CLOCK)
    assert (record.source, record.state) == ("bite scans", "accepted"), record.reasons
    teeth = placed.frame.landmarks.right_molar
    error = record.T_upper_lower @ RETRUDED.inverse()
    assert np.linalg.norm(error.apply(teeth) - teeth) < 0.02
    # 20 um at the teeth, three times as much at the condyles, which lie behind all scans.
    wanted = condyle_positions(placed.frame, RETRUDED, T_UPPER_LOWER)
    assert_allclose([record.slide.right, record.slide.left], wanted, rtol=0, atol=0.06)


def test_a_retruded_record_that_cannot_be_trusted_leaves_the_slide_out(mounted):
    inputs, placed = mounted
    whole = inputs.retruded_bites[0].mesh
    forward = whole.vertices[whole.faces[:, 0]] @ (whole.vertices[0] - whole.vertices.mean(axis=0))
    few = np.flatnonzero(forward >= np.quantile(forward, 0.96)).astype(np.int32)
    bite = Surface.build(whole.submesh(few)[0])
    record = take_retruded(replace(inputs, retruded_bites=(bite,)), placed, CLOCK)
    assert (record.state, record.slide) == ("refused", None)
    assert record.part()["T_upper_lower"] is None
    (finding,) = record.findings
    assert (finding.severity, finding.code) == ("warning", "slide_left_out")
    assert "the retruded record was refused: " in finding.message


@pytest.mark.parametrize(
    ("pose", "severity", "code", "words"),
    [
        (FORWARD, "warning", "slide_left_out", "0.80 mm in front"),
        (T_UPPER_LOWER, "info", "no_slide", "same place"),
    ],
)
def test_places_that_make_no_slide_are_said(mounted, pose, severity, code, words):
    inputs, placed = mounted
    record = take_retruded(with_pose(inputs, pose), placed, CLOCK)
    assert (record.source, record.slide) == ("given pose", None)
    (finding,) = record.findings
    assert (finding.severity, finding.code) == (severity, code)
    assert words in finding.message


def test_the_slide_of_a_given_pose_is_followed_through_the_teeth(mounted):
    inputs, placed = mounted
    inputs = with_pose(inputs, RETRUDED, protrusion_mm=0.0, laterotrusion_mm=0.0, step_mm=0.3)
    record = take_retruded(inputs, placed, CLOCK)
    assert record.findings == ()
    jaw = run_jaw_stage(inputs, placed, Fields.build(inputs), CLOCK, record.slide)
    assert [path.name for path in jaw.run.paths] == ["centric", "retrusive_slide"]
    slide = motion_part(placed.frame, placed.T_upper_lower, jaw.run.paths, record)["slide"]
    # The condyles come forward by 0.8 mm, and so does the jaw; cusps on slopes hold it open behind,
    # so the incisal point rises as it comes home.
    assert slide["forward_mm"] > 0.8
    assert slide["up_mm"] > 0.3


def test_the_bite_alone_judges_the_retruded_record_too(case_file, tmp_path):
    done = register_case(case_file, tmp_path / "out")
    validate_results(done.results)
    part = done.results["retruded"]
    assert (part["source"], part["state"], part["reasons"]) == ("bite scans", "accepted", [])
    pose = RigidTransform.from_matrix(part["T_upper_lower"])
    teeth = T_JAW_UPPER.inverse().apply([0.0, 45.0, -30.0])
    error = pose @ RETRUDED.inverse()
    assert np.linalg.norm(error.apply(teeth) - teeth) < 0.02
    mounting = done.results["mounting"]
    apart = np.subtract(mounting["right_condyle_mm"], mounting["left_condyle_mm"])
    half_mm = 0.5 * np.linalg.norm(apart)
    condyles = half_mm * np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0]])
    way_mm = np.linalg.norm(BACK.apply(condyles) - condyles, axis=1).max()
    assert_allclose(part["condyle_way_mm"], way_mm, rtol=0, atol=0.06)
    told = f"the farther condyle lies {part['condyle_way_mm']:.2f} mm from its place in the bite"
    assert f"The retruded record is accepted: {told}." in done.summary()


def test_a_retruded_record_without_a_bite_is_not_judged_and_that_is_said(case_file, tmp_path):
    """A mirrored bite scan is refused; what hangs on the bite is not told."""
    case = tmp_path / case_file.name
    for path in case_file.parent.rglob("*"):
        if path.is_file():
            (tmp_path / path.relative_to(case_file.parent)).parent.mkdir(exist_ok=True)
            shutil.copy(path, tmp_path / path.relative_to(case_file.parent))
    vertices, faces = read_ply(tmp_path / RIGHT)
    write_ply(tmp_path / RIGHT, vertices * [-1.0, 1.0, 1.0], faces[:, ::-1])
    edited(case, (r"^T_upper_lower = .*?$", f'bites = ["{RIGHT}"]'))
    done = register_case(case, tmp_path / "out")
    validate_results(done.results)
    assert not done.accepted
    assert "retruded" not in done.results
    (finding,) = [f for f in done.results["findings"] if f["code"] == "retruded_not_judged"]
    assert "judged from the bite" in finding["message"]
    assert "retruded record was not looked at" in done.summary()
