"""Tests in several processes (`pytest -n 2`): what shares costly fixtures stays in one of them.

Groups are handed out in their order, so that the whole cases, the longest, come first.
"""

import pytest

CASE_FIXTURES = {"clean_cases", "shipped_cases"}


def group_of(item):
    """Return a demo case's name where the test runs one, else the test's file."""
    if CASE_FIXTURES & set(item.fixturenames):
        callspec = getattr(item, "callspec", None)
        return callspec.params.get("name", "molar-46") if callspec else "molar-46"
    return item.nodeid.split("::")[0]


def pytest_collection_modifyitems(items):
    for item in items:
        item.add_marker(pytest.mark.xdist_group(group_of(item)))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    from xdist.scheduler import LoadGroupScheduling

    config.option.loadscopereorder = False
    return LoadGroupScheduling(config, log)
