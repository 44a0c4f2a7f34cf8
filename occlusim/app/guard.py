"""Who may speak to the page: this machine's own user, from the page itself, and nobody else.

The server is bound to the loopback address, which every user of the machine and every web page
open in a browser can still reach. So the address of everything holds a random word that only the
user who started the page knows; the ``Host`` header must name the loopback address (else a foreign
name could be made to point here, "DNS rebinding"); requests that a browser says come from another
site are refused; and a content security policy lets nothing be fetched from elsewhere.
"""

from __future__ import annotations

import hmac
import secrets
from urllib.parse import urlsplit

from flask import Flask, Response, abort, request

HOSTS = ("127.0.0.1", "localhost")
PAGE_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; worker-src 'self' blob:; "
    "frame-src 'self'; frame-ancestors 'self'; base-uri 'self'; form-action 'self'; "
    "object-src 'none'"
)
REPORT_POLICY = (
    "sandbox allow-scripts allow-modals allow-downloads; default-src 'none'; "
    "script-src 'unsafe-inline' 'unsafe-eval'; style-src 'unsafe-inline'; "
    "img-src data: blob:; worker-src blob:; frame-ancestors 'self'"
)
"""The report is shown as a page of no origin: it can neither reach the server nor anything else."""


def new_token() -> str:
    """Return a word that cannot be guessed, for the address of the page."""
    return secrets.token_urlsafe(24)


def guard(server: Flask, token: str, port: int) -> None:
    """Refuse, before anything else, every request that does not come from the page itself.

    Parameters
    ----------
    server
    token
        The first part of every path.
    port
        The port that the server listens on.
    """
    hosts = {f"{name}:{port}" for name in HOSTS}
    origins = {f"http://{host}" for host in hosts}

    def check() -> None:
        if request.headers.get("Host", "") not in hosts:
            abort(403, "wrong host")
        first = request.path.split("/", 2)[1] if request.path.startswith("/") else ""
        if not hmac.compare_digest(first.encode(), token.encode()):
            abort(403, "wrong token")
        origin = request.headers.get("Origin")
        if origin is not None and origin not in origins:
            abort(403, "wrong origin")
        if (
            request.method not in ("GET", "HEAD")
            and request.headers.get("Sec-Fetch-Site", "same-origin") != "same-origin"
        ):
            abort(403, "wrong site")

    def close(response: Response) -> Response:
        headers = response.headers
        headers.setdefault("Content-Security-Policy", PAGE_POLICY)
        headers["Referrer-Policy"] = "no-referrer"
        headers["X-Content-Type-Options"] = "nosniff"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        if not urlsplit(request.path).path.startswith(f"/{token}/_dash-component-suites"):
            headers["Cache-Control"] = "no-store"
        return response

    server.before_request_funcs.setdefault(None, []).insert(0, check)
    server.after_request(close)
