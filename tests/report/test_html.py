import base64
import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from report.made_up import (
    AHEAD,
    ORIENTATION,
    T_UPPER_LOWER,
    crown_fields,
    dome,
    meshes,
    results,
)

from occlusim.errors import OutputError
from occlusim.geometry.mesh import PaintedMesh
from occlusim.report import html
from occlusim.report.html import render_report, write_report
from occlusim.report.meshes import ReportMeshes, in_upper_frame
from occlusim.report.scene import MAX_DRAWN_FACES
from occlusim.report.tables import heading_of
from occlusim.report.words import CAUTIONS, LANGUAGES, WORDS

VOID = {"meta", "link", "br", "input", "img", "hr"}


class Page(HTMLParser):
    """Tags, attributes, visible text and script texts of a page; wrong nesting is an error."""

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.text, self.scripts = [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []
        self.visible = re.sub(r"\s+", " ", " ".join(self.text))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] == "script":
            self.scripts[-1] += data
        elif not self.open or self.open[-1] != "style":
            self.text.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


def own_markup(text: str) -> str:
    """The page without the plotting library."""
    return re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)


def data_of(text: str):
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    return json.loads(found.group(1))


def test_every_number_of_the_results_stands_in_the_page_at_its_rounding(page):
    visible = Page(page).visible
    numbers = {
        "spots": ["109", "1.23", "1.38", "58", "0.48", "0.94"],
        "shortfall": ["no, 20 µm have to stay"],
        "movements": ["−98", "−61", "25", "−9", "−94", "−57", "−12", "50", "0.60"],
        "proof": ["−143 µm", "−36 µm", "331 µm"],
        "bite": ["23", "41", "21", "25", "83.4", "79.3", "201", "188"],
        "spread": ["0.006", "0.011", "0.017", "8", "9", "7"],
        "mounting": ["52.10, −41.20, 31.30", "−51.70, −40.90, 30.80"],
        "datum": ["−37 µm", "35 µm", "24 / 34; 25 / 35; 27 / 37"],
        "closure": ["20.0", "200.0", "13.7", "96.4", "68.5", "48.2", "8.0", "7.6", "80.0", "76.0"],
        "contacts": ["15 / 45", "8.4", "84.0", "24 / 34", "3.4", "34.0", "26 / 36", "5.4", "54.0"],
        "inputs": ["ab" * 32, "cd" * 32, "81234", "161777", "15555", "31106", "upper.ply"],
        "versions": ["0.1.0", "2026-01-05, 09:30 UTC", "1.23", "0.88"],
        "settings": [
            "Loads: light (N)",
            "25",
            "Targets: way over which the wanted gap grows (mm)",
            "0.50",
        ],
        "verdict": [
            "Tooth 36 (ISO 3950; Universal 19)",
            "The crown is high.",
            "The answer is doubtful",
            "98.7 %",
        ],
    }
    for part, wanted in numbers.items():
        for number in wanted:
            assert re.search(rf"(?<![\d.−]){re.escape(number)}(?!\d)", visible), (part, number)


def test_a_least_gap_with_left_out_spikes_stands_beside_the_one_without(page):
    case = results()
    case["crown"]["recorded_gap_with_spikes_um"] = -543.7
    words = WORDS["recorded_gap_with_spikes"]
    assert words not in Page(page).visible
    assert f"{words} −544 µm" in Page(render_report(case, None, ORIENTATION)).visible


def test_table_rows_hold_their_own_numbers(page):
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", own_markup(page), re.DOTALL)
    cells = [
        [
            unescape(re.sub(r"<[^>]+>", "", c)).strip()
            for c in re.findall(r"<t[hd].*?</t[hd]>", r, re.DOTALL)
        ]
        for r in rows
    ]
    assert [
        "1",
        "Closing",
        "mesiobuccal cusp",
        "109",
        "1.23",
        "1.38",
        "yes",
        "1",
        "58",
    ] in cells
    assert ["2", "Forward (protrusion)", "30", "−61", "0.60", "−57", "50", "50"] in cells
    assert ["15 / 45", "8.4", "8.4", "84.0", "84.0", "25.2", "25.2"] in cells
    assert [
        "Load on the crown (N)",
        "left out",
        "13.7",
        "left out",
        "96.4",
        "left out",
        "33.1",
    ] in cells


def test_all_cautions_are_there(page):
    visible = Page(page).visible
    assert len(CAUTIONS) == 6
    for caution in CAUTIONS:
        assert caution in visible


@pytest.mark.parametrize(
    "evil", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</script><b>"]
)
def test_whatever_it_is_given_is_escaped(evil):
    case = results()
    case["findings"] = [{"severity": evil, "code": evil, "message": evil}]
    case["case_id"] = evil
    case["verdict"]["reasons"] = [evil]
    case["crown"]["spots"][0]["location"] = evil
    case["crown"]["spots"][0]["id"] = evil
    case["crown"]["movements"][1]["name"] = evil
    case["settings"] = {evil: evil}
    case["inputs"][0]["file"] = evil
    case["registration"]["bites"] = [{evil: evil}]
    text = render_report(case, meshes(20), ORIENTATION)
    page = Page(text)
    assert evil not in own_markup(text)
    assert evil in page.visible
    assert len(page.all("script")) == 3
    assert not [attrs for attrs in page.all("img") if attrs.get("src") == "x"]
    assert data_of(text)["scene"]["spots"][evil]["words"].startswith(f"Spot {evil}, {evil}: ")


def test_nothing_is_fetched(page):
    parsed = Page(page)
    for tag, attrs in parsed.tags:
        for name in ("src", "href", "srcset", "data", "action", "poster"):
            value = attrs.get(name)
            assert value is None or value.startswith(("#", "data:")), (tag, name, value)
    assert not re.search(r"https?:|//[a-z]", re.sub(r"//[^\n]*", "", own_markup(page)))
    assert "url(" not in own_markup(page)
    policy = next(a["content"] for a in parsed.all("meta") if a.get("http-equiv"))
    assert policy.startswith("default-src 'none'")
    assert "http" not in policy
    assert "connect-src" not in policy


def test_headings_tables_and_labels_are_in_order(page):
    parsed = Page(page)
    assert parsed.all("html") == [{"lang": "en"}]
    levels = [int(tag[1]) for tag, _ in parsed.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert set(levels[1:]) <= {2, 3}
    assert [tag for tag, _ in parsed.tags].count("h1") == 1
    n_tables = len(parsed.all("table"))
    assert n_tables > 10
    assert len(parsed.all("caption")) == n_tables
    assert all(attrs.get("scope") in ("col", "row") for attrs in parsed.all("th"))
    ids = [attrs["id"] for _, attrs in parsed.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    named = [attrs["aria-labelledby"] for _, attrs in parsed.tags if "aria-labelledby" in attrs]
    assert set(named) <= set(ids)
    markup = own_markup(page)
    for control in re.findall(r"<(?:select|input)[^>]*>", markup):
        before = markup[: markup.index(control)]
        assert before.rindex("<label") > before.rfind("</label>")


def contrast(first: str, second: str) -> float:
    """WCAG 2.2 contrast ratio of two #rrggbb colours (1.4.3, relative luminance)."""

    def luminance(colour):
        value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
        linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_and_focus_have_contrast_aa(page):
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", page))
    for text in ("ink", "soft"):
        assert contrast(colours[text], colours["paper"]) > 4.5
        assert contrast(colours[text], colours["back"]) > 4.5
    assert contrast(colours["focus"], colours["paper"]) > 3.0
    assert ":focus-visible" in page


def test_the_packed_numbers_are_the_fields_to_float32(page):
    scene = data_of(page)["scene"]
    given = meshes(20)
    for name, painted in (("given", given.crown), ("adjusted", given.adjusted)):
        for field, values in painted.fields.items():
            packed = np.frombuffer(base64.b64decode(scene["crowns"][name]["fields"][field]), "<f4")
            np.testing.assert_array_equal(packed, values.astype(np.float32))
    faces = np.frombuffer(base64.b64decode(scene["crowns"]["given"]["faces"]), "<i4")
    np.testing.assert_array_equal(faces.reshape(-1, 3), given.crown.mesh.faces)
    assert [choice["field"] for choice in scene["choices"]] == [
        "clearance_um",
        "clearance_centric_um",
        "clearance_protrusion_um",
        "clearance_laterotrusion_right_um",
        "gap_um",
        "reduction_um",
        "thickness_um",
        "probability_high",
    ]
    assert len(scene["choices"]) == len(given.crown.fields)


def test_the_antagonist_stands_where_its_pose_says_in_the_upper_scans_frame(page):
    scene = data_of(page)["scene"]
    given = meshes(20)
    drawn = np.frombuffer(base64.b64decode(scene["antagonist"]["vertices"]), "<f4").reshape(-1, 3)
    upper, _ = in_upper_frame(results(), given)
    assert_allclose(drawn, upper.antagonist.mesh.vertices, rtol=0, atol=1e-5)
    assert [pose["name"] for pose in scene["poses"]] == ["light", "protrusion"]
    assert scene["poses"][1]["label"] == "2 Forward (protrusion), at 0.40 mm"
    matrix = np.array(scene["poses"][1]["matrix"]).reshape(3, 4)
    posed = drawn @ matrix[:, :3].T + matrix[:, 3]
    in_crowns_frame = AHEAD.apply(given.antagonist.mesh.vertices)
    assert_allclose(posed, T_UPPER_LOWER.apply(in_crowns_frame), rtol=0, atol=1e-5)


def test_bite_scans_carry_their_residuals_and_are_seen_from_their_side(page):
    for bite, painted, sign in zip(data_of(page)["bites"], meshes(8).bites, (1, -1), strict=True):
        values = np.frombuffer(base64.b64decode(bite["values"]), "<f4")
        np.testing.assert_array_equal(values, painted.fields["residual_um"].astype(np.float32))
        assert bite["scene"]["camera"]["eye"]["x"] == pytest.approx(2.0 * sign)
        assert bite["quantity"] == "residual"
    assert "bite_left.ply: how far" in data_of(page)["bites"][1]["caption"]


def test_minor_spots_are_folded_away(page):
    assert "table-spots_minor" not in page
    case = results()
    minor = case["crown"]["spots"][0] | {"minor": True}
    case["crown"]["spots"] += [minor | {"id": k, "depth_um": float(k)} for k in (3, 4, 5)]
    text = own_markup(render_report(case, meshes(8), ORIENTATION))
    shown, folded = text.index('id="table-spots"'), text.index('id="table-spots_minor"')
    between = text[shown:folded]
    assert between.count("<tr class=") == 2
    assert re.search(r"<details>\s*<summary[^>]*>With them go 3 minor places of 3 to 5", between)


def test_spots_are_looked_at_along_the_surface_normal(page):
    eyes = data_of(page)["scene"]["spots"]
    assert set(eyes) == {"1", "2"}
    for eye in (spot["eye"] for spot in eyes.values()):
        assert np.linalg.norm(eye) == pytest.approx(2.0)
        assert eye[2] > 1.0


def test_a_large_case_stays_under_15_megabytes_and_says_what_was_thinned(tmp_path):
    lump = dome(190)
    crown = PaintedMesh(lump, crown_fields(lump))
    assert len(lump.faces) > 2 * MAX_DRAWN_FACES
    small = meshes(8)
    write_report(
        tmp_path / "report.html",
        results(),
        ReportMeshes(crown, crown, PaintedMesh(lump), small.upper, small.lower),
        ORIENTATION,
    )
    assert (tmp_path / "report.html").stat().st_size < 15e6
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert f"of {len(lump.faces):,} triangles of the crown" in Page(text).visible
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize("state", ["refused", None])
def test_a_case_without_meshes_or_numbers_still_gives_a_page(state):
    case = {"verdict": {"state": state, "high": None, "reasons": ["the bite scan is flat"]}}
    page = Page(render_report(case if state else {}, None, ORIENTATION))
    assert WORDS["no_meshes"] in page.visible
    assert WORDS["no_movements"] in page.visible
    for caution in CAUTIONS:
        assert caution in page.visible
    assert page.all("script") == []


def test_nan_is_not_known_in_words_and_data():
    case = results()
    case["crown"]["spots"][0]["thickness_left_mm"] = float("nan")
    case["crown"]["movements"][1]["gap_um"][3] = np.nan
    case["datum"]["g_nat_um"] = np.float64("nan")
    text = render_report(case, meshes(8), ORIENTATION)
    visible = Page(text).visible
    assert "not known" in visible
    assert "nan" not in visible.lower().split()
    assert "NaN" not in json.dumps(data_of(text)["gaps"])


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(OutputError, match="report cannot be written"):
        write_report(tmp_path / "no" / "report.html", {}, None, ORIENTATION)


def test_a_text_stands_in_one_part_of_a_language_only():
    for language in LANGUAGES.values():
        assert sum(len(part) for part in language.PARTS) == len(language.TEXTS)
        assert language.TEXTS["language"] in LANGUAGES


def test_every_text_is_used():
    root = Path(html.__file__).parent
    files = [*root.glob("*.py"), *(root / "templates").iterdir()]
    sources = "".join(path.read_text(encoding="utf-8") for path in files)
    made = (
        "show_",
        "movement_",
        "phrase_",
        "scale_",
        "state_",
        "sure_",
        "severity_",
        "slide_",
        "motion_",
        "axis_",
        "quantity_",
        "col_",
        "side_words_",
        "tightness_",
        "picture_",
        "record_accepted",
        "record_doubtful",
        "record_refused",
        "retruded_accepted",
        "retruded_doubtful",
        "record_side_",
        "shows_",
        "last_tooth_",
        "access_found",
        "access_partly_outside",
        "access_folded",
        "access_wrong_way",
        "access_misses",
        "access_no_outer_wall",
        "access_already_open",
        "access_on_",
        "access_light",
        "access_heavy",
        "kept_before_",
        "kept_after_",
        "foil_",
        "verb_",
        "load_",
        "way_",
        "several_",
        "key_",
    )
    unused = [
        key for key in WORDS if not key.startswith(made) and not re.search(rf"\b{key}\b", sources)
    ]
    assert unused == []


def test_every_key_that_is_given_words_is_one_of_the_results_or_settings():
    """Their schema and the case's model name every key; a text for none of them is dead."""
    import occlusim

    root = Path(occlusim.__file__).parent
    known = (root / "files" / "results.schema.json").read_text(encoding="utf-8")
    known += "".join(p.read_text(encoding="utf-8") for p in root.glob("case*.py"))
    known += "".join(p.read_text(encoding="utf-8") for p in (root / "pipeline").glob("*.py"))
    names = [key.removeprefix("key_") for key in WORDS if key.startswith("key_")]
    assert [name for name in names if not re.search(rf"\b{name}(_[A-Za-z0-9]+)?\b", known)] == []


def test_a_heading_is_in_the_words_of_the_texts_with_its_unit():
    assert heading_of("guidance: bennett_angle: right_deg") == "Guidance: Bennett angle: right (°)"
    assert heading_of("loads: joint_stiffness_N_per_mm") == "Loads: stiffness of each joint (N/mm)"
    assert heading_of("some_new_um") == "Some new (µm)"
