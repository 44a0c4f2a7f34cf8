"""Tests in several processes (`pytest -n 2`): what shares costly fixtures stays in one of them.

Groups are handed out in their order, so that the whole cases, the longest, come first.
"""

import re

import pytest

CASES = ("molar-46", "premolar-24", "molar-36-low", "molar-16-clean")
CASE_FILES = ("test_access", "test_case_page", "test_cases", "test_low_crown", "test_sides",
              "test_symmetry")  # fmt: skip


def group_of(nodeid):
    """Return a demo case's name where the test looks at one that is run once, else its file."""
    file, _, name = nodeid.partition("::")
    if not re.search(rf"tests/cases/({'|'.join(CASE_FILES)})\.py$", file):
        return file
    named = [case for case in CASES if f"[{case}" in name]
    return named[0] if named else CASES[0]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            return group_of(nodeid)

    config.option.loadscopereorder = False
    return ByGroup(config, log)
