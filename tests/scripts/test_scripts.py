"""The worked scripts run as a reader would run them."""

import csv
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from occlusim.demo import demo_case, demo_folder
from occlusim.files.case_file import case_files, read_case
from occlusim.outcome import read_outcome

SCRIPTS = Path(__file__).resolve().parent.parent.parent / "scripts"

pytestmark = pytest.mark.slow


def run(name, *arguments):
    return subprocess.run(
        [sys.executable, str(SCRIPTS / name), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=SCRIPTS.parent,
    )


def test_one_case_gives_the_answer_and_the_gap_map(tmp_path):
    done = run("one_case.py", demo_case("molar-16-clean"), "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    found = read_outcome(tmp_path / "out")
    assert found.summary() in done.stdout
    with np.load(tmp_path / "out" / "crown_gap.npz") as saved:
        assert saved["gap_um"].tobytes() == found.gap_um().tobytes()
        assert saved["faces"].tobytes() == found.mesh().faces.tobytes()


def test_a_wrong_case_ends_with_the_code_of_wrong_input(tmp_path):
    done = run("one_case.py", tmp_path / "none.toml", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "there is no such case file" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_folder_of_cases_goes_on_after_a_bad_one(tmp_path):
    folder = tmp_path / "cases"
    name = "molar-16-clean"
    for _, path in case_files(read_case(demo_case(name))):
        target = folder / path.relative_to(demo_folder().resolve())
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, target)
    shutil.copy(demo_case(name), folder)
    (folder / "bad.toml").write_text("schema = 1\n", encoding="utf-8")
    done = run("batch_check.py", folder, "--out", tmp_path / "out")
    assert done.returncode == 1, done.stderr
    with (tmp_path / "out" / "summary.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["case"]: row for row in csv.DictReader(file)}
    assert set(rows) == {"bad", name}
    assert "missing, but needed" in rows["bad"]["error"]
    assert (rows[name]["error"], rows[name]["high"]) == ("", "False")
