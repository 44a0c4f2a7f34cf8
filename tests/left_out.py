"""Leave out, by name, the tests whose system libraries are missing; never silently.

A child process finds out what works, because a drawing library without GL kills the process.
With OCCLUSIM_ALL_TESTS=1 a test that would be left out is a failure of the whole run.
"""

import os
import subprocess
import sys

import pytest

PROBES = {
    "needs_open3d": "import open3d",
    "needs_small_gicp": "import small_gicp",
    "needs_browser": (
        "from playwright.sync_api import sync_playwright\n"
        "import axe_playwright_python\n"
        "with sync_playwright() as p:\n"
        "    b = p.chromium.launch(executable_path='/usr/bin/chromium')\n"
        "    b.new_page().set_content('<p>here</p>')\n"
        "    b.close()\n"
    ),
    "needs_drawing": (
        "import pyvista as pv\n"
        "p = pv.Plotter(off_screen=True, window_size=(64, 64))\n"
        "p.add_mesh(pv.Sphere())\n"
        "assert p.screenshot(return_img=True).std() > 0\n"
    ),
}
HOW = "apt install libegl1 libgl1 libx11-6 libusb-1.0-0 libidn2-0 libudev1 chromium"


def works(code: str) -> bool:
    """Return whether a child process survives the code."""
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=180, check=False
    )
    return run.returncode == 0


def pytest_collection_modifyitems(config, items):
    wanted = {mark for mark in PROBES if any(item.get_closest_marker(mark) for item in items)}
    missing = {mark for mark in wanted if not works(PROBES[mark])}
    left_out = [item for item in items if any(item.get_closest_marker(m) for m in missing)]
    if left_out and os.environ.get("OCCLUSIM_ALL_TESTS") == "1":
        names = ", ".join(item.nodeid for item in left_out)
        raise pytest.UsageError(f"{sorted(missing)} do not work here ({HOW}); left out: {names}")
    config.stash[LEFT_OUT] = [item.nodeid for item in left_out]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


LEFT_OUT: pytest.StashKey[list[str]] = pytest.StashKey()


def pytest_terminal_summary(terminalreporter, config):
    names = config.stash.get(LEFT_OUT, [])
    if names:
        terminalreporter.section(f"{len(names)} tests left out: system libraries missing ({HOW})")
        for name in names:
            terminalreporter.write_line(name)
