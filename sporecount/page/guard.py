"""Who may talk to the page: this machine's browser, opened with the session's own address.

Each answer carries headers that keep other sites, scripts and styles out.
"""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

OPENING = "/open"
"""Path of the opening address; its `key` becomes a cookie."""

_SAFE = ("GET", "HEAD")
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
_CLOSED = """<!doctype html><html lang="en"><meta charset="utf-8"><title>Not open</title>
<h1>This page is not open here</h1>
<p>Use the address that <code>sporecount bench</code> shows in the terminal: it carries the key of this
session. After the program was started anew, the old address no longer works; nothing is lost.</p></html>"""


class Guard:
    """Lets through only what comes from the session's own page on this machine.

    Parameters
    ----------
    app : ASGIApp
    key : str
        Random, of this start of the program.
    port : int
        On which the page listens.
    """

    def __init__(self, app: ASGIApp, *, key: str, port: int) -> None:
        self._app, self._key = app, key
        self._cookie = f"sporecount-{port}"
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=message["headers"])
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
                message["headers"] = headers.raw
            await send(message)

        answer = self._refusal(scope)
        await (answer or self._app)(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host") not in self._hosts:
            return Response("This address is not served here.\n", 421, media_type="text/plain")
        site = headers.get("sec-fetch-site", "none")
        if scope["method"] not in _SAFE:
            origin = headers.get("origin")
            if origin not in {f"http://{host}" for host in self._hosts} or site not in (
                "none",
                "same-origin",
            ):
                return Response("Requests from other pages are refused.\n", 403, media_type="text/plain")
        if scope["path"] == OPENING:
            return self._opening(scope)
        if not self._knows(headers):
            return HTMLResponse(_CLOSED, 403)
        return None

    def _opening(self, scope: Scope) -> Response:
        from urllib.parse import parse_qs

        query = parse_qs(scope["query_string"].decode("latin-1"))
        if not secrets.compare_digest(query.get("key", [""])[0].encode(), self._key.encode()):
            return HTMLResponse(_CLOSED, 403)
        to = query.get("to", ["/"])[0]
        inside = to.startswith("/") and not to.startswith(("//", "/\\"))
        answer = RedirectResponse(to if inside else "/", 303)
        answer.set_cookie(self._cookie, self._key, httponly=True, samesite="strict", path="/")
        return answer

    def _knows(self, headers: Headers) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return cookie is not None and secrets.compare_digest(cookie.value.encode(), self._key.encode())
