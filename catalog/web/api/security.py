"""Checks of every request: a host name of this machine, and the page's own origin."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOCAL_HOSTS = ("127.0.0.1", "localhost")


RESPONSE_HEADERS = {
    "Content-Security-Policy": "frame-ancestors 'none'",  # no other page may embed this one
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}


class OwnPagesOnly:
    """Refuse sockets and routes to other sites, and set the security headers of responses."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on requests of the page itself."""
        if scope["type"] == "websocket" and not _has_own_origin(dict(Headers(scope=scope))):
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": "foreign origin"})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        is_own = is_own_request(scope["method"], dict(Headers(scope=scope)))
        refuses = scope["path"].startswith("/api/") and not is_own
        app: ASGIApp = REFUSAL if refuses else self.app
        await app(scope, receive, _with_security_headers(send))


REFUSAL = PlainTextResponse("refused: the request does not come from this page", 403)


def _with_security_headers(send: Send) -> Send:
    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message).update(RESPONSE_HEADERS)
        await send(message)

    return send_with_headers


def _has_own_origin(headers: dict[str, str]) -> bool:
    return urlsplit(headers.get("origin", "")).netloc == headers.get("host", "")


def is_own_request(method: str, headers: dict[str, str]) -> bool:
    """Return whether a request comes from the page itself; header names are in lower case."""
    if headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return False
    if "origin" not in headers:
        return method in ("GET", "HEAD")
    return _has_own_origin(headers)


def security_middleware() -> list[Middleware]:
    """Return the middleware that checks every request."""
    return [
        Middleware(TrustedHostMiddleware, allowed_hosts=list(LOCAL_HOSTS)),
        Middleware(OwnPagesOnly),
    ]
