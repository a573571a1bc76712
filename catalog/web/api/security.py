"""Checks of every request: a host name of this machine, and the page's own origin."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

LOCAL_HOSTS = ("127.0.0.1", "localhost")


class OwnPagesOnly:
    """Refuse requests from other sites: a foreign `Origin`, or a change without an own one."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on requests of the page itself."""
        if scope["type"] == "http" and scope["path"].startswith("/api/"):
            headers = dict(Headers(scope=scope))
            if not is_own_request(scope["method"], headers):
                refusal = PlainTextResponse(
                    "refused: the request does not come from this page", 403
                )
                await refusal(scope, receive, send)
                return
        await self.app(scope, receive, send)


def is_own_request(method: str, headers: dict[str, str]) -> bool:
    """Return whether a request comes from the page itself; header names are in lower case."""
    if headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return False
    origin = headers.get("origin")
    if origin is None:
        return method in ("GET", "HEAD")
    return urlsplit(origin).netloc == headers.get("host", "")


def security_middleware() -> list[Middleware]:
    """Return the middleware that checks every request."""
    return [
        Middleware(TrustedHostMiddleware, allowed_hosts=list(LOCAL_HOSTS)),
        Middleware(OwnPagesOnly),
    ]
