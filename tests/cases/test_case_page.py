"""The page of a demo case: its numbers are the PLY's, the opposing teeth stand in their place."""

import base64
import json
import re
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def run(clean_cases):
    _, results, folder = clean_cases("molar-46")
    text = (folder / "report.html").read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    return results, folder, json.loads(found.group(1))


def numbers(text, dtype):
    return np.frombuffer(base64.b64decode(text), dtype)


def test_every_field_to_choose_is_the_plys_to_the_bit(run):
    _, folder, data = run
    given, painted = data["scene"]["crowns"]["given"], read_mesh(folder / "crown_gap.ply")
    names = [choice["field"] for choice in data["scene"]["choices"]]
    assert len(names) == 10
    assert "probability_high" in names
    for name in names:
        np.testing.assert_array_equal(
            numbers(given["fields"][name], "<f4"), painted.fields[name].astype(np.float32)
        )


def test_the_spots_are_where_it_is_likely_to_be_high(run):
    """The record is sure to a micrometre: yes where a spot is, no a few micrometres beside."""
    results, folder, _ = run
    part = results["crown"]["probability"]
    for spot in results["crown"]["spots"]:
        assert spot["probability_high"] == 1.0 or spot["normal_depth_um"] < 20.0
        assert spot["probability_high"] == 0.0 or spot["normal_depth_um"] > 5.0
    for name in ("crown_gap.ply", "crown_probability.ply"):
        fields = read_mesh(folder / name).fields
        share, clearance_um = fields["probability_high"], fields["clearance_um"]
        assert share.max() == part["highest"] == part["anywhere"] == 1.0
        assert np.all((share >= 0.0) & (share <= 1.0))
        assert np.all(share[clearance_um < -20.0] == 1.0)
        assert np.all(share[clearance_um > 5.0] == 0.0)
    assert (share * part["n_draws"] == np.round(share * part["n_draws"])).all()


def test_all_movements_together_are_the_least_of_each_and_reach_the_spots(run):
    results, folder, _ = run
    fields = read_mesh(folder / "crown_gap.ply").fields
    each = [v for name, v in fields.items() if re.fullmatch(r"clearance_.+_um", name)]
    assert len(each) == len(results["crown"]["movements"])
    np.testing.assert_array_equal(np.min(each, axis=0), fields["clearance_um"])
    assert fields["clearance_um"].max() == pytest.approx(100.0)
    deepest_um = results["crown"]["spots"][0]["normal_depth_um"]
    # Between vertices 0.2 mm apart a spot can be deeper than at any of them.
    assert -deepest_um - 0.1 < fields["clearance_um"].min() < 3.0 - deepest_um


def test_the_antagonist_on_the_page_stands_at_each_movements_own_gap(run):
    results, _, data = run
    scene = data["scene"]
    antagonist, given = scene["antagonist"], scene["crowns"]["given"]
    vertices = numbers(antagonist["vertices"], "<f4").reshape(-1, 3).astype(float)
    faces = numbers(antagonist["faces"], "<i4").reshape(-1, 3)
    crown = numbers(given["vertices"], "<f4").reshape(-1, 3).astype(float)
    gap_um = numbers(given["fields"]["gap_um"], "<f4")
    movements = {m["name"]: m for m in results["crown"]["movements"]}
    assert [p["name"] for p in scene["poses"]] == ["light", *list(movements)[1:]]
    for pose in scene["poses"]:
        matrix = np.array(pose["matrix"]).reshape(3, 4)
        posed = vertices @ matrix[:, :3].T + matrix[:, 3]
        distance_um = (
            1e3 * Surface.build(TriangleMesh(posed, faces)).closest(crown, 2.0).distance_mm
        )
        if pose["name"] == "light":
            near = np.isfinite(distance_um) & (gap_um < 500.0)
            off_um = np.abs(distance_um - gap_um)[near]
            assert near.sum() > 1000
            assert off_um.max() < 0.05  # coordinates are float32 on the page
        else:
            at_mm = float(re.search(r"at ([\d.]+) mm", pose["label"]).group(1))
            movement = movements[pose["name"]]
            step = int(np.argmin(np.abs(np.array(movement["parameter_mm"]) - at_mm)))
            least_um = movement["gap_um"][step]
            # At vertices 0.2 mm apart the least gap is missed by up to 3 um.
            assert least_um - 0.1 < np.nanmin(distance_um) < least_um + 3.0
            assert at_mm >= 0.25


def test_both_bite_scans_are_on_the_page_in_the_upper_scans_place(run):
    results, _, data = run
    assert len(data["bites"]) == len(results["registration"]["bites"]) == 2
    for bite, part in zip(data["bites"], results["registration"]["bites"], strict=True):
        residual_um = numbers(bite["values"], "<f4")
        known = residual_um[np.isfinite(residual_um)]
        assert len(known) > 500
        assert part["file"] in bite["caption"]
        assert np.median(np.abs(known)) < part["p95_um"]
        assert_allclose(np.median(known), 0.0, rtol=0, atol=part["p95_um"])


CHROMIUM = "/usr/bin/chromium"
SOFTWARE_GL = ("--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader")
GOAL_S = 2.0
BUSY = 15.0
"""Drawing in software on cores shared with other tests takes so many times the goal at most."""

WATCH = """
(() => {
  // What is drawn is kept so that it can be read back; nothing else of the page is changed.
  const get = HTMLCanvasElement.prototype.getContext;
  HTMLCanvasElement.prototype.getContext = function (kind, how) {
    const kept = kind.startsWith("webgl") ? { ...how, preserveDrawingBuffer: true } : how;
    return get.call(this, kind, kept);
  };
  const small = document.createElement("canvas"), n = 24;
  small.width = small.height = n;
  const look = () => {
    const pen = small.getContext("2d", { willReadFrequently: true });
    for (const canvas of document.querySelectorAll("#crown-view canvas")) {
      if (!canvas.width) continue;
      pen.clearRect(0, 0, n, n);
      pen.drawImage(canvas, 0, 0, n, n);
      const seen = pen.getImageData(0, 0, n, n).data;
      let filled = 0;
      for (let k = 0; k < seen.length; k += 4) {
        if (seen[k + 3] > 200 && Math.min(seen[k], seen[k + 1], seen[k + 2]) < 235) filled += 1;
      }
      if (filled > 0.1 * n * n) {
        document.documentElement.dataset.crownSeenMs = performance.now();
        return;
      }
    }
    setTimeout(look, 50);
  };
  addEventListener("DOMContentLoaded", look);
})();
"""
"""Notes when the plot of the crown is filled, in ms from the beginning of the navigation."""


def seen_after_s(page, report):
    """Return after what time a page that is opened shows its crown, s."""
    page.add_init_script(WATCH)
    page.goto(report.as_uri(), wait_until="commit")
    page.wait_for_selector("html[data-crown-seen-ms]", state="attached", timeout=180_000)
    return float(page.evaluate("document.documentElement.dataset.crownSeenMs")) / 1000.0


@pytest.mark.needs_browser
@pytest.mark.parametrize("name", ["molar-36-low"])
def test_the_largest_page_soon_shows_its_crown(clean_cases, name, capsys):
    from playwright.sync_api import sync_playwright

    report = clean_cases(name)[2] / "report.html"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[*SOFTWARE_GL])
        taken_s = []
        for _ in range(2):
            page = browser.new_page(viewport={"width": 1100, "height": 900})
            taken_s.append(seen_after_s(page, report))
            page.close()
        browser.close()
    with capsys.disabled():
        size = report.stat().st_size / 1e6
        sys.stdout.write(f"\n{size:.1f} MB, crown seen after {min(taken_s):.1f} s in software GL\n")
    assert min(taken_s) < BUSY * GOAL_S
