"""Each demo case is run once a session: as shipped, and on its noise-free twin."""

from types import SimpleNamespace

import pytest

from demo_arches.noise import FOLDER, clean_twin
from occlusim.pipeline import check_case


def rigid_twin(name, folder):
    """Write a case without noise, and with teeth that do not give way: as its truth was built."""
    case = clean_twin(name, folder)
    text = case.read_text(encoding="utf-8")
    if "[loads]" not in text:
        loads = '[loads]\npace = "quick"\nothers_N = [60.0]\n\n'
        case.write_text(text.replace("[targets]", f"{loads}[targets]"), encoding="utf-8")
    return case


CASES = ("molar-46", "premolar-24", "molar-36-low", "molar-16-clean")


def contents(folder):
    """Return what stands in the files of a folder."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="session")
def clean_runs(tmp_path_factory):
    """Return a function: case name to its clean twin's case file, files before it, and result."""
    done = {}

    def run(name):
        if name not in done:
            folder = tmp_path_factory.mktemp(f"clean-{name}")
            case = rigid_twin(name, folder / "case")
            before = contents(case.parent)
            result = check_case(case, folder / "out", pictures=False)
            done[name] = SimpleNamespace(case=case, before=before, result=result)
        return done[name]

    return run


@pytest.fixture(scope="session")
def clean_cases(clean_runs):
    """Return a function: case name to (case file, results, output folder) of the clean twin."""

    def run(name):
        done = clean_runs(name)
        return done.case, done.result.results, done.result.folder

    return run


@pytest.fixture(scope="session")
def shipped_cases(tmp_path_factory):
    """Return a function: case name to (results, output folder) of the case as shipped."""
    done = {}

    def run(name):
        if name not in done:
            out = tmp_path_factory.mktemp(f"shipped-{name}")
            result = check_case(FOLDER / f"{name}.toml", out / "out", pictures=False)
            done[name] = result.results, result.folder
        return done[name]

    return run
