"""What every request must pass: the right host, a phone's key, no other site behind it, a size.

Which phones have keys is `keys`' business; what an answer says is left to the routes.
"""

from __future__ import annotations

from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fitscan.page.inbox import LARGEST_PIECE
from fitscan.page.keys import Keyring

__all__ = ["COOKIE", "JOIN", "OWN_HEADER", "Guard", "plain_page"]

COOKIE = "fitscan_phone"
JOIN = "/join/"
OWN_HEADER = "x-fitscan"
"""Other sites cannot send a header of ours without asking first, and are never answered."""

_SAFE = {"GET", "HEAD"}
_BODY_BYTES = 64_000
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=()",
    "cache-control": "no-store",
}

_PLAIN = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,"><title>fitscan</title>
{inside}</html>"""


def plain_page(inside: str, status: int = 200) -> Response:
    """A page for a phone without a key: no style, no script, nothing of the job's.

    Args:
        inside: HTML, escaped where it came from people.
        status: of the answer.
    """
    return HTMLResponse(_PLAIN.format(inside=inside), status)


class Guard:
    """Middleware round all routes.

    Args:
        app: behind the guard.
        keyring: of the job.
        hosts: values of the Host header that are answered, without port.
    """

    def __init__(self, app: ASGIApp, keyring: Keyring, hosts: Iterable[str]) -> None:
        self._app = app
        self._keyring = keyring
        self._hosts = {h.lower() for h in hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer at once what may not pass; hand on the rest."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # No other protocol is spoken here.

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "").rpartition(":")[0] or headers.get("host", "")
        if host.lower().strip("[]") not in self._hosts:
            # A name that points here without our doing is how a foreign page would get in.
            return _told("This address is not the page's: use the one the computer shows.", 421)
        joining = scope["path"].startswith(JOIN)
        phone = self._keyring.phone_of(_key_of(headers))
        if phone is None and not joining:
            if scope["path"] == "/":
                return plain_page(
                    "<p>This phone has no key. Scan the code that the computer shows.</p>", 401
                )
            return _told("This phone has no key: scan the code that the computer shows.", 401)
        scope.setdefault("state", {})["phone"] = phone
        if scope["method"] not in _SAFE:
            origin = headers.get("origin")
            if origin is not None and origin.partition("://")[2] != headers.get("host", ""):
                return _told("This came from another page.", 403)
            if not joining and OWN_HEADER not in headers:
                return _told("This did not come from the page itself.", 403)
            return _too_long(headers, LARGEST_PIECE if scope["method"] == "PATCH" else _BODY_BYTES)
        return None


def _too_long(headers: Headers, limit: int) -> Response | None:
    """A body states its length (RFC 9112: else there is none), so that none goes past its limit."""
    length = headers.get("content-length", "" if "transfer-encoding" in headers else "0")
    if not (length.isascii() and length.isdigit()):
        return _told("Say how long the content is.", 411)
    return _told("Too much at once.", 413) if int(length) > limit else None


def _key_of(headers: Headers) -> str:
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return cookie.value if cookie is not None else ""


def _told(sentence: str, status: int) -> Response:
    return JSONResponse({"error": sentence}, status)
