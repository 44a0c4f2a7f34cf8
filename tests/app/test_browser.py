"""The page as a user meets it, in a real browser."""

import json
import re
from pathlib import Path

import pytest
from app.test_jobs import WORKER, until
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from report.made_up import dome

from occlusim.app.english import LABELS, WORDS
from occlusim.demo import demo_case
from occlusim.files.case_file import case_files, read_case
from occlusim.files.mesh_files import write_stl
from occlusim.files.results_file import validate_results
from occlusim.geometry.mesh import TriangleMesh
from occlusim.report.summary import answer

pytestmark = [pytest.mark.slow, pytest.mark.needs_browser]

RUN_MS = 560_000
SIZE = {"upper": 4.0, "lower": 4.0, "bite": 2.5, "crown": 1.0}
"""The dome of 11 mm stands for each file, as large as one of its kind."""
expect.set_options(timeout=60_000)


@pytest.fixture
def files(tmp_path):
    """Small invented files by role; those of the arches are open."""
    mesh = dome(20)
    bowl = TriangleMesh(mesh.vertices, mesh.faces[(mesh.vertices[mesh.faces, 2] > -2).all(axis=1)])
    made = {}
    for role in ("upper", "lower", "bite", "crown"):
        made[role] = tmp_path / f"my {role}.stl"
        whole = mesh if role == "crown" else bowl
        write_stl(made[role], whole.with_vertices(SIZE[role] * whole.vertices))
    return made


def new_case(tab, name="molar"):
    tab.fill("#new-name", name)
    tab.click("#new-button")
    expect(tab.locator("#case-title")).to_have_text(name)


def choose(tab, slot, *paths):
    with tab.expect_file_chooser() as chooser:
        tab.click(f"#choose-{slot}")
    chooser.value.set_files([str(path) for path in paths])


def fill_case(tab, files):
    for slot in ("upper", "lower", "bite", "crown"):
        choose(tab, slot, files[slot])
        expect(tab.locator(f"#files-{slot}")).to_contain_text(files[slot].name)
    tab.click("#field-crown-tooth label:has(input[value='46'])")
    tab.click("#field-crown-support label:has(input[value='implant'])")


def case_on_disk(served, name="molar"):
    return served.page.store.get(name)


def tell(served, kind, name="molar"):
    (served.folder / name / "worker.txt").write_text(kind, encoding="utf-8")


def start(tab):
    """Start the run."""
    expect(tab.locator("#run-button")).to_be_enabled()
    tab.click("#run-button")
    expect(tab.locator("#stage")).to_contain_text("registering the bite")


def test_from_the_files_to_the_adjusted_crown(serve, open_tab):
    """The whole way on the demo's files, with the real check: of a crown that is soon done."""
    served = serve()
    tab = open_tab(served.url)
    new_case(tab)
    spec = read_case(demo_case("molar-16-clean"))
    given = list(case_files(spec))
    for slot in ("upper", "lower", "crown"):
        choose(tab, slot, *[path for role, path in given if role == slot])
    choose(tab, "bite", *[path for role, path in given if role == "bite"])
    for slot in ("upper", "lower", "crown"):
        expect(tab.locator(f"#files-{slot}")).to_contain_text(WORDS["usable"])
    expect(tab.locator("#files-bite .file")).to_have_count(2)
    expect(tab.locator("#run-button")).to_be_disabled()
    expect(tab.locator("#problems")).to_contain_text("Tooth: needed")
    tab.click("#field-crown-tooth label:has(input[value='16'])")
    tab.click("#field-crown-support label:has(input[value='tooth'])")
    tab.get_by_text(WORDS["more_settings"]).click()
    for name, value in (("protrusion_mm", "1"), ("laterotrusion_mm", "1")):
        tab.fill(f"#field-movements-{name}", value)
        tab.keyboard.press("Tab")
    expect(tab.locator("#problems")).to_have_text(WORDS["ready"])
    tab.click("#run-button")
    expect(tab.locator("#stage")).to_contain_text("reading and checking the meshes")
    expect(tab.locator("#choose-upper")).to_be_disabled()
    expect(tab.locator("#result .answer")).to_contain_text("The crown is", timeout=RUN_MS)
    out = served.folder / "molar" / "out"
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    validate_results(results)
    said = answer(results)
    expect(tab.locator("#result .answer")).to_contain_text(said.headline)
    assert said.state == "sound"
    assert [i["file"] for i in results["inputs"]] == [
        "upper.ply", "lower.ply", "bite-1.ply", "bite-2.ply", "crown.ply"
    ]  # fmt: skip
    assert results["settings"]["movements"]["protrusion_mm"] == 1.0
    for words, name in (
        ("download_stl", "crown_adjusted.stl"),
        ("download_ply", "crown_adjusted.ply"),
    ):
        with tab.expect_download() as download:
            tab.get_by_role("link", name=WORDS[words]).click()
        assert download.value.suggested_filename == f"molar-{name}"
        assert Path(download.value.path()).read_bytes() == (out / name).read_bytes()
    frame = tab.frame_locator("iframe.report")
    expect(frame.locator("body")).to_contain_text(said.headline)
    expect(frame.locator("canvas").first).to_be_visible()
    assert tab.locator("iframe.report").get_attribute("sandbox") == (
        "allow-scripts allow-modals allow-downloads"
    )
    tab.click("#to-list")
    row = tab.get_by_role("row", name=re.compile("molar"))
    expect(row).to_contain_text(f"{said.headline} The answer is sound.")
    expect(row).to_contain_text("16 (3)")


def test_cancelling_keeps_nothing_of_the_run_and_the_earlier_result(serve, open_tab, files):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    fill_case(tab, files)
    tell(served, "good")
    expect(tab.locator("#run-button")).to_be_enabled()
    tab.click("#run-button")
    expect(tab.locator("#result")).to_contain_text("The crown is high.")
    before = case_on_disk(served).results()
    tell(served, "endless")
    start(tab)
    tab.click("#cancel-button")
    expect(tab.locator("#ended")).to_contain_text(WORDS["cancelled_words"])
    expect(tab.locator("#ended")).to_contain_text(WORDS["kept_before"])
    expect(tab.locator("#run-button")).to_be_enabled()
    case = case_on_disk(served)
    assert case.results() == before
    assert not (case.folder / ".run").exists()
    tab.click("#field-crown-support label:has(input[value='tooth'])")
    expect(tab.locator("#stale")).to_have_text(WORDS["stale"])


def test_an_error_of_a_run_is_told_in_words(serve, open_tab, files):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    fill_case(tab, files)
    tell(served, "wrong")
    expect(tab.locator("#run-button")).to_be_enabled()
    tab.click("#run-button")
    expect(tab.locator("#ended")).to_contain_text("the crown is 9.9 mm away")


def test_a_bad_file_is_named_at_its_field_and_nothing_is_lost(serve, open_tab, files, tmp_path):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    choose(tab, "upper", files["upper"])
    expect(tab.locator("#files-upper")).to_contain_text("my upper.stl")
    bad = tmp_path / "broken.stl"
    bad.write_bytes(b"no mesh " * 50)
    choose(tab, "upper", bad)
    expect(tab.locator("#upload-error-upper")).to_contain_text("broken.stl")
    expect(tab.locator("#files-upper")).to_contain_text("my upper.stl")
    # The server refuses with a code that browsers write to the console by themselves.
    assert all("422" in words for words in open_tab.wrong)
    open_tab.wrong.clear()
    large = tmp_path / "large.stl"
    with large.open("wb") as file:
        file.truncate(100_000_001)
    choose(tab, "lower", large)
    expect(tab.locator("#upload-error-lower")).to_contain_text("too large; up to 100 MB")
    assert case_on_disk(served).draft()["files"].keys() == {"upper"}


def test_files_can_be_dropped_in_and_removed(serve, open_tab, files):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    data = list(files["crown"].read_bytes())
    tab.evaluate(
        """data => {
            const carried = new DataTransfer();
            carried.items.add(new File([new Uint8Array(data)], "dropped.stl"));
            const slot = document.querySelector(".slot[data-role=crown]");
            const how = {bubbles: true, cancelable: true, dataTransfer: carried};
            for (const kind of ["dragover", "drop"])
                slot.dispatchEvent(new DragEvent(kind, how));
        }""",
        data,
    )
    expect(tab.locator("#files-crown")).to_contain_text("dropped.stl")
    kept = case_on_disk(served).folder / "crown.stl"
    assert kept.read_bytes() == files["crown"].read_bytes()
    tab.get_by_role("button", name="Remove Crown").click()
    expect(tab.locator("#files-crown")).to_contain_text(WORDS["no_file"])
    assert not kept.exists()


def test_a_refresh_in_the_middle_of_a_run_loses_nothing(serve, open_tab, files):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    fill_case(tab, files)
    tell(served, "waits")
    start(tab)
    tab.reload()
    expect(tab.locator("#stage")).to_contain_text("registering the bite")
    expect(tab.locator("#cancel-button")).to_be_visible()
    expect(tab.locator("#files-bite")).to_contain_text("my bite.stl")
    expect(tab.locator("#field-crown-tooth input[value='46']")).to_be_checked()
    expect(tab.locator("#settings-set")).to_have_attribute("disabled", "")
    (served.folder / "molar" / "go.txt").write_text("", encoding="utf-8")
    expect(tab.locator("#result")).to_contain_text("The crown is high.")
    expect(tab.locator("#settings-set")).not_to_have_attribute("disabled", "")


def test_two_tabs_see_the_same(serve, open_tab, files):
    served = serve(WORKER)
    one = open_tab(served.url)
    new_case(one)
    two = open_tab(one.url)
    expect(two.locator("#case-title")).to_have_text("molar")
    fill_case(one, files)
    expect(two.locator("#field-crown-tooth input[value='46']")).to_be_checked()
    expect(two.locator("#files-upper")).to_contain_text("my upper.stl")
    two.fill("#field-crown-min_thickness_mm", "0.8")
    two.keyboard.press("Tab")
    expect(one.locator("#field-crown-min_thickness_mm")).to_have_value("0.8")
    tell(served, "waits")
    start(one)
    expect(two.locator("#stage")).to_contain_text("registering the bite")
    two.click("#cancel-button")
    expect(one.locator("#ended")).to_contain_text(WORDS["cancelled_words"])
    assert case_on_disk(served).draft()["fields"]["crown.min_thickness_mm"] == 0.8


def test_a_landmark_is_set_by_a_click_or_by_the_keyboard(serve, open_tab, files):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    choose(tab, "lower", files["lower"])
    expect(tab.locator("#view canvas").first).to_be_visible()
    tab.get_by_text(WORDS["pick_label"]).click()
    tab.click("#pick label:has-text('Incisal point')")
    box = tab.locator("#view").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def clicked():
        tab.mouse.move(x - 9, y)
        tab.mouse.move(x, y, steps=3)
        tab.wait_for_timeout(1500)
        tab.mouse.down()
        tab.wait_for_timeout(200)
        tab.mouse.up()
        tab.wait_for_timeout(1500)
        return tab.inner_text("#pick-words") != ""

    until(clicked)
    expect(tab.locator("#pick-words")).to_contain_text("Incisal point set to")
    case = case_on_disk(served)
    until(lambda: "mounting.incisal_mm" in case.draft()["fields"])
    point = case.draft()["fields"]["mounting.incisal_mm"]
    vertices = SIZE["lower"] * dome(20).vertices
    assert min(((vertices - point) ** 2).sum(axis=1)) < 1e-6
    tab.get_by_text(WORDS["more_settings"]).click()
    for axis, value in zip("xyz", ("-20", "1.5", "0"), strict=True):
        entry = f"#field-mounting-right_molar_mm-{axis}"
        tab.focus(entry)
        tab.keyboard.type(value)
        tab.keyboard.press("Tab")
    until(lambda: case.draft()["fields"].get("mounting.right_molar_mm") == [-20, 1.5, 0])
    expect(tab.locator("#problems")).to_contain_text("all three or none are wanted")


def test_a_wrong_setting_is_told_at_its_field(serve, open_tab):
    served = serve(WORKER)
    tab = open_tab(served.url)
    new_case(tab)
    tab.fill("#field-crown-min_thickness_mm", "9")
    tab.keyboard.press("Tab")
    expect(tab.locator("#error-field-crown-min_thickness_mm")).to_contain_text(
        "0.1 to 5 is allowed"
    )
    expect(tab.locator("#run-button")).to_be_disabled()


def test_a_name_that_is_not_allowed_is_told(serve, open_tab):
    tab = open_tab(serve(WORKER).url)
    tab.fill("#new-name", "Jane Doe")
    tab.keyboard.press("Enter")
    expect(tab.locator("#new-words")).to_contain_text("never a patient's name")


@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_can_be_used_with_keyboard_and_screen_reader(serve, open_tab, files, width):
    served = serve(WORKER)
    tab = open_tab(served.url, width)
    new_case(tab)
    fill_case(tab, files)
    tab.get_by_text(WORDS["more_settings"]).click()
    found = Axe().run(tab, options={"iframes": False}).response["violations"]
    assert [(wrong["id"], wrong["nodes"][0]["html"]) for wrong in found] == []
    audit = Path(__file__).with_name("audit.js").read_text(encoding="utf-8")
    assert tab.evaluate(audit) == {"unnamed": [], "weak": []}
    ids = tab.evaluate("() => [...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    for key in ("crown.tooth", "crown.support"):
        label = LABELS[key][0]
        assert tab.get_by_role("group", name=label, exact=True).get_by_role("radio").count() >= 2
    expect(tab.get_by_role("radiogroup").first).to_be_attached()
    assert tab.locator("[role=option], [role=listbox]").count() == 0
    tab.focus("#field-crown-tooth input[value='46']")
    tab.keyboard.press("ArrowRight")
    expect(tab.locator("#field-crown-tooth input[value='45']")).to_be_checked()
    until(lambda: case_on_disk(served).draft()["fields"]["crown.tooth"] == "45")
    for name in ("stage", "ended", "upload-upper"):
        assert tab.get_attribute(f"#{name}", "role") == "status"


def test_the_tab_order_is_the_order_of_the_page(serve, open_tab):
    tab = open_tab(serve(WORKER).url)
    new_case(tab)
    tab.locator("#choose-upper").wait_for()
    tab.evaluate("document.activeElement.blur()")
    seen = []
    for _ in range(40):
        tab.keyboard.press("Tab")
        seen.append(tab.evaluate("document.activeElement.id || document.activeElement.className"))
    wanted = ["to-list", "choose-upper", "choose-lower", "choose-bite", "choose-crown"]
    places = [seen.index(name) for name in wanted]
    assert seen[0] == "skip"
    assert places == sorted(places)
