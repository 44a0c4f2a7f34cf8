"""Every benchmark script runs at its smallest, and what it prints of errors holds."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parent.parent / "benchmarks"
NUMBER = r"-?\d+\.\d+"


def printed(name, *arguments):
    """Return what a script prints at its smallest size."""
    run = subprocess.run(
        [sys.executable, str(FOLDER / name), "--quick", *arguments],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return run.stdout


def numbers_of(line, label):
    """Return the numbers of a row behind its label."""
    return [float(x) for x in re.findall(NUMBER, line[line.index(label) + len(label) :])]


def value(text, pattern):
    """Return the number that a pattern's one group finds; it must be there."""
    found = re.search(pattern.replace("NUMBER", f"({NUMBER})"), text)
    assert found, (pattern, text)
    return float(found[1])


@pytest.mark.slow
def test_peers_agree_with_the_closed_form():
    text = printed("bench_peers.py")
    rows = [line for line in text.splitlines() if "occlusim, closest" in line]
    assert len(rows) == 2  # one an order
    for row in rows:
        *_, largest_um, most_um, wrong_percent, unknown_percent = numbers_of(row, "closest")
        # A box has no facets: what is left is rounding in float64.
        assert largest_um < 1e-5
        assert most_um < 1e-5
        assert wrong_percent == 0
        assert unknown_percent == 0
    # A library that is not there is named.
    for name in ("Open3D", "libigl", "fcpw", "point-cloud-utils", "VTK", "trimesh"):
        assert name in text


@pytest.mark.slow
def test_the_band_is_exact_at_its_nodes():
    text = printed("bench_band.py")
    against = r"against exact tree, float64 +\d+ nodes: largest NUMBER um"
    assert value(text, against) < 0.05
    assert value(text, r"against exact tree.*wrong signs NUMBER %") == 0


@pytest.mark.slow
def test_queries_print_their_share_of_the_bound():
    text = printed("bench_queries.py")
    rows = [numbers_of(line, "order") for line in text.splitlines() if " order " in line]
    assert rows
    assert all(row[2] > 0 and row[3] > 0 for row in rows)
    # Voxels of 0.25 mm between cusps of about 1 mm radius: 0.25^2 * 3 / 8 / 1 mm.
    assert value(text, r"exact distances.*median NUMBER um") < 23


@pytest.mark.slow
def test_the_least_gap_keeps_its_tolerance():
    text = printed("bench_poses.py")
    assert value(text, r"thousandth of the tolerance NUMBER um") < 0.11
    assert value(text, r"largest difference NUMBER um") < 0.11


@pytest.mark.slow
@pytest.mark.needs_open3d
def test_the_plain_script_closes_the_same_jaw():
    text = printed("bench_whole.py")
    rows = [line for line in text.splitlines() if re.match(r"  (centric|protrusion) ", line)]
    assert len(rows) == 2
    for row in rows:
        pose_um, opening_um, gap_um, *_ = numbers_of(row, row.split()[0])
        assert max(pose_um, opening_um, gap_um) < 1


@pytest.mark.slow
def test_random_starts_end_at_the_true_pose():
    text = printed("bench_start.py")
    assert "starts: 2, right 2, wrong and not refused 0" in text
    # scan noise of 5 and 8 um; two-sided records are known to some micrometres
    assert value(text, r"largest NUMBER um") < 10.0


@pytest.mark.slow
@pytest.mark.needs_open3d
def test_the_bite_registration_is_exact_and_its_peers_are_named():
    text = printed("bench_registration.py", "noise-free", "target", "speed")
    # Float64 on coordinates of 50 mm.
    assert value(text, r"parts share triangles.*: NUMBER") < 1e-4
    assert value(text, r"fitted order of convergence of the worst: NUMBER") > 1.8
    closed_form = [numbers_of(line, "far")[:2] for line in text.splitlines() if " far " in line]
    assert len(closed_form) == 2
    assert all(closed > 0 and found > 0 for closed, found in closed_form)
    for name in ("ours", "Open3D", "small_gicp"):
        assert name in text


@pytest.mark.slow
def test_varied_jaws_give_the_least_gaps_of_full_paths():
    text = printed("bench_sensitivity.py")
    for where in ("whole path", "excursion proper"):
        # Wanted is 2 um; a closure's trusted step and the gap's tolerance leave 0.5 um below.
        assert value(text, rf"{where}.*largest NUMBER um") < 2.0
        assert value(text, rf"{where}.*least NUMBER um") > -0.5


@pytest.mark.slow
def test_the_jaw_at_rest_is_where_a_general_minimiser_finds_it():
    text = printed("bench_closure.py")
    # Ours ends with steps of 0.1 um; BFGS with forces of 0.001 N on what has 20 N/mm or more.
    assert value(text, r"it ends NUMBER um from ours") < 0.1 + 0.05
    rows = [line for line in text.splitlines() if line.startswith("light 20 N")]
    assert len(rows) == 2
    # A share of the load: Newton's method ends at 1e-10, and the last step is solved.
    assert all(float(row.split()[-1]) < 1e-6 for row in rows)
    assert value(text, r"BFGS takes NUMBER times") > 0


@pytest.mark.slow
def test_the_reduction_keeps_its_promise_by_part():
    text = printed("bench_reduction.py")
    # Promised is the wanted gap less 1 um, over whole facets and at vertices swept again.
    assert value(text, r"over whole facets NUMBER um") > -1.0
    assert value(text, r"at the adjusted vertices NUMBER um") > -1.0
    spots, body = numbers_of(
        next(line for line in text.splitlines() if "removed body" in line), "removed body"
    )
    assert abs(spots - body) < 0.001 * body
