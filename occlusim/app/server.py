"""The page's server: bound to the loopback address, one process, everything from this machine."""

from __future__ import annotations

import json
import os
import signal
import socket
import tempfile
import threading
import urllib.request
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import flask
from dash import Dash
from werkzeug.serving import BaseWSGIServer, WSGIRequestHandler, make_server

from occlusim.app.callbacks import add_callbacks
from occlusim.app.english import WORDS
from occlusim.app.guard import REPORT_POLICY, guard, new_token
from occlusim.app.jobs import Runs
from occlusim.app.layout import page
from occlusim.app.parts import DOWNLOADS
from occlusim.app.store import Store, safe_name
from occlusim.app.uploads import CHUNK_BYTES, MAX_BYTES, receive
from occlusim.errors import InputError, OcclusimError

ADDRESS = "127.0.0.1"
RUNNING_FILE = ".page.json"
SCRIPT_WORDS = ("too_large", "uploading", "checking", "not_reached")


@dataclass(frozen=True, slots=True)
class Page:
    """The page and what stands behind it; `url` holds the word that opens it."""

    dash: Dash
    store: Store
    runs: Runs
    url: str

    @property
    def wsgi(self) -> flask.Flask:
        """The application to serve."""
        return self.dash.server


def make_page(folder: Path, port: int, runs: Callable[[Store], Runs] = Runs) -> Page:
    """Return the page of a folder of cases.

    Parameters
    ----------
    folder
        The folder of cases; made where it is missing.
    port
        The port that the page will be served on.
    runs
        Makes the queue of runs.

    Raises
    ------
    OutputError
        If the folder cannot be made or written.
    """
    store = Store(folder)
    token = new_token()
    prefix = f"/{token}/"
    server = flask.Flask("occlusim.app", static_folder=None)
    guard(server, token, port)
    app = Dash(
        "occlusim.app",
        server=server,  # pyright: ignore[reportArgumentType]  (a Flask application is meant)
        url_base_pathname=prefix,
        assets_folder=str(Path(__file__).resolve().parent / "assets"),
        title=WORDS["title"],
        update_title="",
        serve_locally=True,
        enable_mcp=False,
        index_string=_index(),
        add_log_handler=False,
    )
    app.layout = lambda: page(str(store.folder))
    queue = runs(store)
    queue.recover()
    add_callbacks(app, store, queue, prefix)
    _add_files(server, store, prefix)
    return Page(app, store, queue, f"http://{ADDRESS}:{port}{prefix}")


def serve(folder: Path, port: int, *, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the page until the program is interrupted.

    Parameters
    ----------
    folder
        The folder of cases.
    port
        0 takes a free one.
    browser
        Open the page in the user's browser.
    say
        Is told the address.

    Raises
    ------
    InputError
        If the port is taken, or the folder cannot be used.
    """
    folder = folder.expanduser().resolve()
    other = _running_url(folder)
    if other is not None:
        say(f"already running for this folder: {other}")
        if browser:
            _open(other)
        return
    chosen = _free_port(port)
    made = make_page(folder, chosen)
    server: BaseWSGIServer = make_server(
        ADDRESS, chosen, made.wsgi, threaded=True, request_handler=_Quiet
    )
    running = folder / RUNNING_FILE
    _write_private(running, json.dumps({"url": made.url}))
    say(f"cases in {folder}")
    say(f"open {made.url}")
    say("end with Ctrl-C")
    if browser:
        threading.Thread(target=_open, args=(made.url,), daemon=True).start()
    signal.signal(signal.SIGTERM, _interrupt)  # ended from outside, it ends its runs as well
    try:
        server.serve_forever()
    finally:
        running.unlink(missing_ok=True)
        made.runs.close()
        server.server_close()


def _interrupt(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


class _Quiet(WSGIRequestHandler):
    """Answers without a line for each request: the addresses hold the word that opens the page."""

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Say nothing."""


def _free_port(port: int) -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name == "posix":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except (OSError, OverflowError) as error:
            raise InputError(
                f"--port: {port} cannot be used ({error}); leave it out to take a free one"
            ) from None
        return probe.getsockname()[1]


def _running_url(folder: Path) -> str | None:
    """Return the address of a page that serves this folder already, or None."""
    try:
        url = str(json.loads((folder / RUNNING_FILE).read_text(encoding="utf-8"))["url"])
        if not url.startswith(f"http://{ADDRESS}:"):
            return None
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"{url}alive", timeout=2.0) as answer:
            return url if answer.read() == b"occlusim" else None
    except (OSError, ValueError, KeyError):
        return None


def _open(url: str) -> None:
    """Open the page; its address stays out of the list of processes, which others can read."""
    file = Path(tempfile.mkdtemp(prefix="occlusim-")) / "open.html"
    quoted = json.dumps(url)
    _write_private(
        file, f"<!DOCTYPE html><meta charset=utf-8><script>location.replace({quoted})</script>"
    )
    webbrowser.open(file.as_uri())


def _write_private(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(text)


def _add_files(server: flask.Flask, store: Store, prefix: str) -> None:
    @server.get(f"{prefix}alive")
    def alive() -> str:
        return "occlusim"

    @server.put(f"{prefix}case/<case_id>/upload/<role>")
    def upload(case_id: str, role: str) -> Any:
        case = store.get(case_id)
        if case is None:
            return {"words": WORDS["no_such_case"].format(name=safe_name(case_id))}, 404
        request = flask.request
        try:
            place = receive(
                case, role, request.args.get("name", ""), request.stream, request.content_length
            )
        except OcclusimError as error:
            _drain(request.stream)
            return {"words": str(error)}, 422
        return {"place": place}

    @server.get(f"{prefix}case/<case_id>/file/<name>")
    def download(case_id: str, name: str) -> Any:
        case = store.get(case_id)
        if case is None or name not in (*DOWNLOADS, "case.toml"):
            flask.abort(404)
        path = case.folder / ("case.toml" if name == "case.toml" else f"out/{name}")
        if not path.is_file():
            flask.abort(404)
        return flask.send_file(path, as_attachment=True, download_name=f"{case.id}-{name}")

    @server.get(f"{prefix}case/<case_id>/report")
    def report(case_id: str) -> Any:
        case = store.get(case_id)
        if case is None or not (case.folder / "out" / "report.html").is_file():
            flask.abort(404)
        answer = flask.send_file(case.folder / "out" / "report.html", mimetype="text/html")
        answer.headers["Content-Security-Policy"] = REPORT_POLICY
        return answer

    @server.errorhandler(403)
    def refused(_error: Exception) -> Any:
        return flask.Response(WORDS["no_token"] + "\n", 403, mimetype="text/plain")


def _drain(stream: Any) -> None:
    """Read what is left of a refused file: a browser that is cut off never sees why."""
    left = MAX_BYTES
    while left > 0 and (chunk := stream.read(min(CHUNK_BYTES, left))):
        left -= len(chunk)


def _index() -> str:
    """Return the frame of the page: the report's style, and the words that its script needs."""
    style = (resources.files("occlusim.report") / "templates" / "report.css").read_text("utf-8")
    words = json.dumps({name: WORDS[name] for name in SCRIPT_WORDS}).replace("<", "\\u003c")
    return _INDEX.replace("[style]", style).replace("[words]", words)


_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<title>{%title%}</title>
<style>[style]</style>
<script>window.occlusimWords = [words];</script>
{%css%}
</head>
<body>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""
