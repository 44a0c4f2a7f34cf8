"""A served page and a browser that watches it: no console error, no request beyond this machine."""

import threading
from dataclasses import dataclass
from pathlib import Path

import pytest

from occlusim.app import server as server_module
from occlusim.app.jobs import WORKER, Runs
from occlusim.app.server import Page, make_page

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-background-networking",
]


@dataclass
class Served:
    """A page that is being served, and the folder of its cases."""

    page: Page
    url: str
    folder: Path


@pytest.fixture
def serve(tmp_path):
    """Return a function: command of the runs to a served page."""
    ends = []

    def start(worker=WORKER, slots=1):
        folder = tmp_path / "cases"
        port = server_module._free_port(0)
        page = make_page(folder, port, lambda store: Runs(store, slots=slots, worker=worker))
        server = server_module.make_server(
            "127.0.0.1", port, page.wsgi, threaded=True, request_handler=server_module._Quiet
        )
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        ends.append((server, thread, page))
        return Served(page, page.url, folder)

    yield start
    for server, thread, page in ends:
        page.runs.close()
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture(scope="module")
def chromium():
    """The system's browser, drawing in software; one alone may be held at a time in a process."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def open_tab(chromium):
    """Return a function: address to a tab. At the end, nothing must have gone wrong in any."""
    wrong, contexts = [], []

    def open_one(url, width=1280):
        home = url.split("/", 3)[2]
        context = chromium.new_context(viewport={"width": width, "height": 900})
        contexts.append(context)
        tab = context.new_page()
        tab.set_default_timeout(60_000)

        def request(sent):
            if not sent.url.startswith((f"http://{home}/", "data:", "blob:")):
                wrong.append(f"request to {sent.url}")

        tab.on("request", request)
        tab.on("pageerror", lambda error: wrong.append(f"error {error}"))
        tab.on(
            "console", lambda m: wrong.append(f"console {m.text}") if m.type == "error" else None
        )
        tab.goto(url)
        return tab

    open_one.wrong = wrong
    yield open_one
    for context in contexts:
        context.close()
    assert wrong == []
