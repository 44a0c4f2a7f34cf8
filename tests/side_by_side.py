"""Tests in several processes (`pytest -n 2`): what shares costly fixtures stays in one of them.

Groups are handed out in their order. The whole cases of one crown, the longest, come first: they
compile nearly every kernel. Beside them runs what needs few, so that hardly any is compiled twice.
"""

import re

import pytest

CASES = ("molar-46", "premolar-24", "molar-36-low", "molar-16-clean")
CASE_FILES = ("test_access", "test_case_page", "test_cases", "test_low_crown", "test_sides",
              "test_symmetry")  # fmt: skip
JAW_FILES = ("motion/test_bracket", "pipeline/test_finer", "pipeline/test_foil_fit",
             "pipeline/test_probability_stage", "pipeline/test_sensitivity",
             "pipeline/test_springs")  # fmt: skip
"""What looks at the jaw of the first case as shipped (`reference.forward.jaw_of` keeps it)."""

FIRST = (CASES[0], "tests/report/", "tests/app/")


def group_of(nodeid):
    """Return a demo case's name where the test looks at one that is run once, else its file."""
    file, _, name = nodeid.partition("::")
    if re.search(rf"tests/({'|'.join(JAW_FILES)})\.py$", file):
        return "jaw"
    if not re.search(rf"tests/cases/({'|'.join(CASE_FILES)})\.py$", file):
        return file
    named = [case for case in CASES if f"[{case}" in name]
    return named[0] if named else CASES[0]


def place_of(nodeid):
    """Return the place of a test's group in the order."""
    group = group_of(nodeid)
    return next((k for k, first in enumerate(FIRST) if group.startswith(first)), len(FIRST))


def pytest_collection_modifyitems(items):
    """Put the groups in their order; within each the tests keep theirs."""
    items.sort(key=lambda item: place_of(item.nodeid))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            return group_of(nodeid)

    config.option.loadscopereorder = False
    return ByGroup(config, log)
