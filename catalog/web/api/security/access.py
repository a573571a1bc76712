"""The key of one start of the page: a token in its address, exchanged once for a cookie."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlencode

from starlette.responses import RedirectResponse, Response

HOST = "127.0.0.1"
LOCAL_HOSTS = (HOST, "localhost")
TOKEN_PARAMETER = "token"
KEY_BYTES = 32


def _new_key() -> str:
    return secrets.token_urlsafe(KEY_BYTES)


@dataclass(frozen=True)
class Access:
    """The secrets of one start: `token` is part of the printed address, `key` is in the cookie."""

    token: str = field(default_factory=_new_key)
    key: str = field(default_factory=_new_key)

    def address(self, port: int) -> str:
        """Return the address that opens the page in a browser."""
        return f"http://{HOST}:{port}/?{urlencode({TOKEN_PARAMETER: self.token})}"

    def has_token(self, query: str) -> bool:
        """Return whether a query holds the token."""
        return any(
            name == TOKEN_PARAMETER and _is_equal(value, self.token)
            for name, value in parse_qsl(query)
        )

    def has_cookie(self, headers: Iterable[str], port: int) -> bool:
        """Return whether one of the Cookie headers holds the key.

        Another program on this machine may set a second cookie of the same name, because cookies
        do not depend on the port; it cannot push out the right one.
        """
        pairs = (part.strip().partition("=") for text in headers for part in text.split(";"))
        return any(
            name == cookie_name(port) and _is_equal(value, self.key) for name, _, value in pairs
        )

    def admit(self, query: str, port: int) -> Response:
        """Return the response that sets the cookie and leads to the address without the token."""
        rest = urlencode([pair for pair in parse_qsl(query) if pair[0] != TOKEN_PARAMETER])
        response = RedirectResponse(
            f"/?{rest}" if rest else "/", 303, {"Cache-Control": "no-store"}
        )
        response.set_cookie(cookie_name(port), self.key, path="/", httponly=True, samesite="strict")
        return response


def cookie_name(port: int) -> str:
    """Return the name of the cookie; each port has its own, because a browser mixes ports."""
    return f"catalog-{port}"


def _is_equal(given: str, expected: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "replace"), expected.encode())
