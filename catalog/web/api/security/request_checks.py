"""Checks of every request and socket: this machine's host, the page's own origin, the cookie."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from catalog.web.api.security.access import LOCAL_HOSTS, Access
from catalog.web.api.security.policy import security_headers

HEALTH = "/_stcore/health"  # answers only "ok"; for programs that wait until the page is there
POLICY_VIOLATION, NOT_UNDERSTOOD = 1008, 1003  # close codes of a socket; RFC 6455, 7.4.1
WRONG_HOST = "refused: the request names another host or port"
FOREIGN = "refused: the request does not come from this page"
NO_COOKIE = (
    "This page opens only with the address that the terminal shows. Copy the whole address, with"
    " its token, into the address line of the browser. The token changes with each start."
)


class OwnPagesOnly:
    """Pass on what the page itself requests, refuse the rest, and set the security headers."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app, self.access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request or socket."""
        if scope["type"] == "websocket":
            await self._answer_socket(scope, receive, send)
        elif scope["type"] == "http":
            answer: ASGIApp = self._find_answer(scope) or self.app
            await answer(scope, receive, _with_security_headers(send, _first_host(scope)))
        else:
            await self.app(scope, receive, send)

    async def _answer_socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._find_refusal(scope, "CONNECT"):
            await receive()
            await send({"type": "websocket.close", "code": POLICY_VIOLATION})
            return
        watched = _WatchedSocket(receive, send)
        try:
            await self.app(scope, _only_messages(watched.receive, watched.send), watched.send)
        except RuntimeError:  # Starlette's for the use of a socket that the browser has closed
            if not watched.has_ended:
                raise

    def _find_answer(self, scope: Scope) -> Response | None:
        """Return the answer to a request that is not passed on, or None."""
        method, query = scope["method"], scope["query_string"].decode("latin-1")
        is_entry = method == "GET" and scope["path"] == "/" and self.access.has_token(query)
        if is_entry and _has_own_host(scope):
            return self.access.admit(query, scope["server"][1])
        return self._find_refusal(scope, method)

    def _find_refusal(self, scope: Scope, method: str) -> Response | None:
        headers = Headers(scope=scope)
        if not _has_own_host(scope):
            return PlainTextResponse(WRONG_HOST, 400)
        scheme = "https" if scope["scheme"] in ("https", "wss") else "http"
        origins = headers.getlist("origin")
        if len(origins) > 1 or not is_own_request(method, dict(headers), scheme=scheme):
            return PlainTextResponse(FOREIGN, 403)
        is_open = method == "GET" and scope["path"] == HEALTH
        port = scope["server"][1]
        if not is_open and not self.access.has_cookie(headers.getlist("cookie"), port):
            return PlainTextResponse(NO_COOKIE, 403)
        return None


class _WatchedSocket:
    """Pass on the messages of a socket, and record that it has ended."""

    def __init__(self, receive: Receive, send: Send) -> None:
        self._receive, self._send = receive, send
        self.has_ended = False

    async def receive(self) -> Message:
        message = await self._receive()
        self.has_ended |= message["type"] == "websocket.disconnect"
        return message

    async def send(self, message: Message) -> None:
        self.has_ended |= message["type"] == "websocket.close"
        try:
            await self._send(message)
        except OSError:  # the browser is gone
            self.has_ended = True
            raise


def own_hosts(port: int) -> Sequence[str]:
    """Return the Host headers of requests to this machine; port 80 is left out by browsers."""
    return [f"{host}:{port}" for host in LOCAL_HOSTS] + (list(LOCAL_HOSTS) if port == 80 else [])


def _has_own_host(scope: Scope) -> bool:
    hosts = Headers(scope=scope).getlist("host")
    bound = scope.get("server")  # the address and port of the socket; None: not a TCP socket
    return bound is not None and len(hosts) == 1 and hosts[0].lower() in own_hosts(bound[1])


def _first_host(scope: Scope) -> str:
    """Return a host that can stand in a header: the one of the request only if it is our own."""
    return Headers(scope=scope)["host"] if _has_own_host(scope) else LOCAL_HOSTS[0]


def is_own_request(method: str, headers: dict[str, str], *, scheme: str = "http") -> bool:
    """Return whether a request comes from the page itself; header names are in lower case."""
    if headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return False
    if "origin" not in headers:
        return method in ("GET", "HEAD")
    return headers["origin"] == f"{scheme}://{headers.get('host', '')}"


def _with_security_headers(send: Send, host: str) -> Send:
    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message).update(security_headers(host))
        await send(message)

    return send_with_headers


def _only_messages(receive: Receive, send: Send) -> Receive:
    """Close a socket that sends anything but Streamlit's messages, on which Streamlit fails."""

    async def receive_message() -> Message:
        message = await receive()
        if message["type"] == "websocket.receive" and not _is_message(message.get("bytes")):
            await send({"type": "websocket.close", "code": NOT_UNDERSTOOD})
            return {"type": "websocket.disconnect", "code": NOT_UNDERSTOOD}
        return message

    return receive_message


def _is_message(data: bytes | None) -> bool:
    from google.protobuf.message import DecodeError
    from streamlit.proto.BackMsg_pb2 import BackMsg

    try:
        return data is not None and bool(BackMsg.FromString(data).WhichOneof("type"))
    except DecodeError:
        return False


def security_middleware(access: Access) -> list[Middleware]:
    """Return the middleware that checks every request of one start of the page."""
    return [Middleware(OwnPagesOnly, access)]
