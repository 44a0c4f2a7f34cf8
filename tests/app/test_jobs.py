"""Runs: results appear whole or not at all, whatever ends the process."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from app.test_store import complete

from occlusim.app.jobs import Runs
from occlusim.app.stages import STAGES, share_at
from occlusim.app.store import Store
from occlusim.errors import InputError

WORKER = (sys.executable, str(Path(__file__).with_name("workers.py")))
WAIT_S = 60.0

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals are other there")


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "cases")


@pytest.fixture
def runs(store):
    made = Runs(store, slots=1, worker=WORKER)
    yield made
    made.close()


def case_that(store, kind, name="molar"):
    case = store.create(name)
    complete(case)
    (case.folder / "worker.txt").write_text(kind, encoding="utf-8")
    return case


def until(what):
    end = time.monotonic() + WAIT_S
    while not what():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


def until_state(case, *states):
    until(lambda: case.run()["state"] in states)
    return case.run()


def is_alive(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


def old_result(case):
    (case.folder / "out").mkdir()
    (case.folder / "out" / "results.json").write_text('{"old": true}', encoding="utf-8")


def only_whole(case):
    names = {path.name for path in case.folder.iterdir()}
    assert ".run" not in names
    assert not list(case.folder.rglob("half.txt"))


def test_a_run_gives_results_and_its_answer(store, runs):
    case = case_that(store, "good")
    old_result(case)
    runs.start(case)
    run = until_state(case, "done")
    assert case.results()["case_id"] == "molar"
    assert run["headline"] == "The crown is high."
    assert run["share"] == share_at("registering", 0.0)
    assert case.is_current()
    only_whole(case)


@pytest.mark.parametrize("kind", ["endless", "stubborn"])
def test_cancelling_ends_all_processes_and_leaves_what_was_there(store, runs, kind, monkeypatch):
    monkeypatch.setattr("occlusim.app.jobs.GRACE_S", 0.3)
    case = case_that(store, kind)
    old_result(case)
    runs.start(case)
    until((case.folder / "pids.txt").exists)
    until(lambda: case.run()["stage"] != "")
    assert (case.folder / ".run" / "out" / "half.txt").exists()
    runs.cancel(case)
    assert case.run()["state"] == "cancelled"
    assert case.results() == {"old": True}
    only_whole(case)
    pids = (case.folder / "pids.txt").read_text(encoding="utf-8").split()
    until(lambda: not any(is_alive(pid) for pid in pids))


def test_a_process_that_is_killed_leaves_nothing_and_is_named(store, runs):
    case = case_that(store, "dies")
    runs.start(case)
    run = until_state(case, "failed")
    assert "run.log" in run["error"]
    assert "-9" in run["error"]
    assert case.results() is None
    only_whole(case)


def test_an_error_of_the_run_is_told_in_its_words(store, runs):
    case = case_that(store, "wrong")
    runs.start(case)
    assert until_state(case, "failed")["error"] == "the crown is 9.9 mm away"
    only_whole(case)


def test_the_next_run_waits_for_its_turn_and_may_be_cancelled_there(store, runs):
    first, second, third = (case_that(store, "waits", name) for name in ("a", "b", "c"))
    for case in (first, second, third):
        runs.start(case)
    until_state(first, "running")
    assert second.run()["state"] == third.run()["state"] == "queued"
    assert runs.place_in_queue(third) == 1
    runs.cancel(second)
    assert second.run()["state"] == "cancelled"
    assert runs.place_in_queue(third) == 0
    (first.folder / "go.txt").write_text("", encoding="utf-8")
    until_state(first, "done")
    until_state(third, "running")
    (third.folder / "go.txt").write_text("", encoding="utf-8")
    until_state(third, "done")
    assert second.results() is None


def test_a_case_is_not_started_twice_nor_before_it_is_complete(store, runs):
    case = case_that(store, "endless")
    runs.start(case)
    with pytest.raises(InputError, match="being checked"):
        runs.start(case)
    other = store.create("other")
    with pytest.raises(InputError, match="not complete"):
        runs.start(other)
    assert other.run()["state"] == "none"


def test_closing_ends_the_runs_and_says_so(store, runs):
    running, waiting = case_that(store, "endless", "a"), case_that(store, "endless", "b")
    runs.start(running)
    runs.start(waiting)
    until((running.folder / "pids.txt").exists)
    runs.close()
    assert running.run()["state"] == waiting.run()["state"] == "interrupted"
    only_whole(running)
    pids = (running.folder / "pids.txt").read_text(encoding="utf-8").split()
    until(lambda: not any(is_alive(pid) for pid in pids))


def test_what_a_killed_page_left_is_cleared_when_the_next_one_starts(store):
    case = case_that(store, "good")
    old_result(case)
    case.set_run({"state": "running", "share": 0.4, "stage": "jaw"})
    (case.begin_run() / "out").mkdir()
    (case.folder / ".upload-1.stl").write_text("part", encoding="utf-8")
    Runs(store, slots=1, worker=WORKER).recover()
    assert case.run()["state"] == "interrupted"
    assert case.results() == {"old": True}
    assert not list(case.folder.glob(".upload-*"))
    only_whole(case)


def test_the_real_process_ends_when_the_page_is_gone(store):
    """Its stdin is a pipe of the page's: closed, it must not work on for nobody."""
    case = case_that(store, "good")
    case.write_case()
    case.begin_run()
    child = subprocess.Popen(
        [sys.executable, "-m", "occlusim.app.run_case", str(case.folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert b"loading" in child.stdout.readline()
    child.stdin.close()
    assert child.wait(WAIT_S) == 1
    child.stdout.close()


def test_the_real_process_says_how_it_ended_while_the_page_is_there(store):
    """Its end must not hang on, or be spoilt by, the thread that watches for the page."""
    case = case_that(store, "good")
    (case.folder / "crown.stl").write_bytes(b"broken")
    case.write_case()
    case.begin_run()
    with subprocess.Popen(
        [sys.executable, "-m", "occlusim.app.run_case", str(case.folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as child:
        lines = [json.loads(line) for line in child.stdout]
        code = child.wait(WAIT_S)
    assert code == 2
    assert lines[0] == {"stage": "loading"}
    assert "upper.stl" in lines[-1]["error"]


def test_the_bar_never_runs_back_and_its_stages_are_in_order():
    shares = [share for _, share in STAGES]
    assert shares == sorted(shares)
    assert share_at("no such stage", 0.3) == 0.3
    assert share_at("reading and checking the meshes", 0.3) == 0.3


def test_the_stages_of_the_bar_are_those_of_the_pipeline():
    """Every stage that the main job announces has its place on the bar."""
    folder = Path(__file__).resolve().parents[2] / "occlusim" / "pipeline"
    text = "\n".join(path.read_text(encoding="utf-8") for path in folder.glob("*.py"))
    for start, _ in STAGES[1:]:
        assert f'", "{start}' in text, start
