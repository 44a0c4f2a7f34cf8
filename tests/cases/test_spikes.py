"""A spike of one vertex moves no result that a load defines, and no least gap without a word."""

from dataclasses import replace

import numpy as np
import pytest
from cases import records
from numpy.testing import assert_allclose

from demo_arches.noise import read_ply, write_ply
from occlusim.files.case_file import read_case
from occlusim.geometry.mesh import TriangleMesh
from occlusim.pipeline import jaw_run
from occlusim.pipeline.clock import Clock
from occlusim.pipeline.crown_paths import wanted_functions
from occlusim.pipeline.crown_stage import Region, crown_state
from occlusim.pipeline.inputs import load_inputs
from occlusim.pipeline.jaw_stage import Fields, run_jaw_stage
from occlusim.pipeline.record import take_record
from occlusim.pipeline.spike_findings import spikes_at_crown

SPIKE_MM = 0.5
LAW_MM = 0.002
LEVER_MM = 80.0
"""About the incisors' distance from the hinge axis."""
CROWN = f"crowns/{records.NAME}.ply"


class Run:
    """The case closed on its given bite, without movements."""

    def __init__(self, case):
        self.inputs = load_inputs(read_case(case))
        clock = Clock(lambda _: None)
        self.placed = take_record(self.inputs, clock).placed()
        self.fields = Fields.build(self.inputs)
        self.jaw = run_jaw_stage(self.inputs, self.placed, self.fields, clock)
        self.region = Region.build(self.inputs, self.jaw)

    def crown(self, inputs, field):
        """Return a crown's state in this jaw."""
        return crown_state(inputs, self.jaw, self.region, field, wanted_functions(inputs, self.jaw))

    def spikes(self, inputs, field, recorded_gap_mm):
        """Return what is said of the spikes that these inputs have."""
        pair = self.region.against(field)
        return spikes_at_crown(inputs, pair, self.jaw.model.T_upper_lower, recorded_gap_mm)


def pull(path, vertex):
    """Pull one vertex of a file out by `SPIKE_MM`; return where it then stands and its ring."""
    vertices, faces = read_ply(path)
    mesh = TriangleMesh(vertices, faces)
    around = (faces == vertex).any(axis=1)
    normal = mesh.face_vectors()[around].sum(axis=0)
    vertices[vertex] += SPIKE_MM * normal / np.linalg.norm(normal)
    write_ply(path, vertices, faces)
    return vertices[vertex], mesh.face_areas()[around].sum()


@pytest.fixture(scope="module", autouse=True)
def one_share():
    """Leave out the closures under less than the light load: nothing here looks at them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(jaw_run, "N_HALVINGS", 0)
        yield


@pytest.fixture(scope="module")
def as_scanned(tmp_path_factory):
    """Return the case file, and the case run, its crown included."""
    case = records.given(records.copied(tmp_path_factory.mktemp("plain")), 0.0)
    records.edited(case, (r"^(protru|laterotru)sion_mm = .*?$", r"\1sion_mm = 0.0"))
    run = Run(case)
    return case, run, run.crown(run.inputs, run.fields.crown)


@pytest.fixture(scope="module")
def spiky(as_scanned, tmp_path_factory):
    """Return the run with a spike at the deepest place of a pair, of the crown and beside it.

    One vertex each of the upper scan where it meets the crown, of the loaded 45, of the crown
    where it meets the upper scan; with it what the faces around the 45's carried, N.
    """
    _, plain, _ = as_scanned
    folder = tmp_path_factory.mktemp("spiky")
    case = records.given(records.copied(folder), 0.0)
    records.edited(case, (r"^(protru|laterotru)sion_mm = .*?$", r"\1sion_mm = 0.0"))
    T, inputs = plain.placed.T_upper_lower, plain.inputs
    upper, lower, crown = (s.mesh.vertices for s in (inputs.upper, inputs.lower, inputs.crown))
    at = np.nanargmin(inputs.crown.closest(upper, 1.0, T.inverse()).distance_mm)
    upper_tip, _ = pull(folder / "upper_a.ply", at)
    of_tooth = np.unique(inputs.lower.mesh.faces[plain.placed.lower_tooth == 45])
    light = plain.jaw.run.light.T_upper_lower
    gap_mm = inputs.upper.closest(lower[of_tooth], 1.0, light).distance_mm
    _, area_mm2 = pull(folder / "lower_a.ply", of_tooth[np.nanargmin(gap_mm)])
    stiffness = plain.jaw.model.statics.foundation.stiffness_MPa_per_mm
    carried_N = stiffness * area_mm2 * -np.nanmin(gap_mm)
    at = np.nanargmin(inputs.upper.closest(crown, 1.0, T).distance_mm)
    crown_tip, _ = pull(folder / CROWN, at)
    return Run(case), upper_tip, crown_tip, carried_N


def codes(findings):
    return {(f.code, f.role): f for f in findings}


def test_spikes_of_scans_are_left_out_and_the_jaw_closes_as_before(as_scanned, spiky):
    _, plain, _ = as_scanned
    run, _, _, carried_N = spiky
    found = codes(run.inputs.findings)
    for role in ("upper", "lower"):
        assert found["spikes", role].count == 1
        assert ("left_out_spikes", role) in found
    assert found["spikes", "crown"].count == 1
    assert ("left_out_spikes", "crown") not in found
    points = plain.inputs.lower.mesh.vertices[::50]
    for load in ("light", "heavy"):
        here, there = (getattr(r.jaw.run, load).T_upper_lower.apply(points) for r in (run, plain))
        assert_allclose(here, there, rtol=0, atol=LAW_MM)
    here, there = run.jaw.datum, plain.jaw.datum
    assert_allclose(here.g_nat_mm, there.g_nat_mm, rtol=0, atol=LAW_MM)
    pairs = [{(p.field_tooth, p.body_tooth): p for p in datum.pairs} for datum in (here, there)]
    assert pairs[0].keys() == pairs[1].keys()
    for key, pair in pairs[0].items():
        other = pairs[1][key]
        assert_allclose(pair.mean_gap_mm, other.mean_gap_mm, rtol=0, atol=LAW_MM)
        assert_allclose(pair.load_N, other.load_N, rtol=0, atol=carried_N)


def test_the_raw_gap_remembers_a_spike_opposite_the_crown(as_scanned, spiky):
    _, plain, state = as_scanned
    run, tip, _, _ = spiky
    crown = plain.fields.crown
    least = run.region.against(crown).least_gap(run.placed.T_upper_lower, supported=True)
    assert_allclose(least.supported_gap_mm, state.supported_gap_mm, rtol=0, atol=LAW_MM)
    said = run.spikes(run.inputs, crown, least.gap_mm)
    # The tip is the deepest point: its own distance to the crown is the least gap with it.
    there = run.placed.T_upper_lower.inverse()
    deepest_mm = plain.inputs.crown.closest(tip[None], 2.0, there).distance_mm[0]
    assert deepest_mm < state.recorded_gap_mm - 0.3
    assert_allclose(said.gap_with_mm, deepest_mm, rtol=0, atol=LAW_MM)
    (finding,) = said.findings
    assert (finding.code, finding.severity, finding.role) == (
        "spike_near_crown",
        "warning",
        "upper",
    )
    where = "({:.1f}, {:.1f}, {:.1f}) mm".format(*tip)
    for words in (where, f"{1e3 * said.gap_with_mm:.1f} um instead of {1e3 * least.gap_mm:.1f} um"):
        assert words in finding.message
    # Without a crown that low, the same spike is nothing to tell of.
    assert run.spikes(run.inputs, crown, deepest_mm - 0.1).gap_with_mm is None
    assert plain.spikes(plain.inputs, crown, state.recorded_gap_mm).findings == ()


def test_a_spike_of_the_crown_counts_in_the_raw_gap_alone(as_scanned, spiky):
    _, plain, before = as_scanned
    inputs, tip, field = spiky[0].inputs, spiky[2], spiky[0].fields.crown
    after = plain.crown(inputs, field)
    T = plain.placed.T_upper_lower
    deepest_mm = plain.inputs.upper.closest(tip[None], 2.0, T).distance_mm[0]
    assert_allclose(after.recorded_gap_mm, deepest_mm, rtol=0, atol=LAW_MM)
    assert_allclose(after.supported_gap_mm, before.supported_gap_mm, rtol=0, atol=LAW_MM)
    (centric,), (centric_before,) = after.movements, before.movements
    assert centric.least_mm < centric_before.least_mm - 0.3
    assert_allclose(centric.supported_mm, centric_before.supported_mm, rtol=0, atol=LAW_MM)
    for load in ("light", "heavy"):
        turns = [np.deg2rad(s.closures[load]["rotation_deg"]) for s in (after, before)]
        assert_allclose(LEVER_MM * turns[0], LEVER_MM * turns[1], rtol=0, atol=LAW_MM)
    # The upper's spike is told of only where it comes nearer than what the gap counts already.
    others = tuple(f for f in inputs.findings if f.role == "crown")
    said = plain.spikes(replace(inputs, findings=others), field, after.recorded_gap_mm)
    (finding,) = said.findings
    assert (finding.code, finding.severity, finding.count) == ("spike_on_crown", "warning", 1)
    numbers = (
        f"{1e3 * after.recorded_gap_mm:.1f} um with it and {1e3 * before.recorded_gap_mm:.1f} um"
    )
    assert numbers in finding.message
    assert said.gap_with_mm is None
