"""A socket that the browser closes at any moment ends without an error in the log."""

from __future__ import annotations

import asyncio

import pytest

from catalog.web.api.security.access import Access
from catalog.web.api.security.request_checks import OwnPagesOnly


class Allowed(OwnPagesOnly):
    def _find_refusal(self, scope, method):
        return None


def answer(app, *, received: str, send_error: type[Exception] | None = None) -> None:
    """Let an app answer a socket whose browser sends one message."""

    async def receive():
        return {"type": received}

    async def send(message):
        if send_error is not None:
            raise send_error

    asyncio.run(Allowed(app, Access())({"type": "websocket"}, receive, send))


async def use_after_end(scope, receive, send):
    await receive()
    raise RuntimeError('Cannot call "send" once a close message has been sent.')


async def send_to_nobody(scope, receive, send):
    try:
        await send({"type": "websocket.send"})
    except OSError:
        await use_after_end(scope, receive, send)


async def close_twice(scope, receive, send):
    await send({"type": "websocket.close"})
    await use_after_end(scope, receive, send)


def test_the_use_of_a_socket_that_has_ended_is_no_error():
    answer(use_after_end, received="websocket.disconnect")
    answer(close_twice, received="websocket.connect")
    answer(send_to_nobody, received="websocket.connect", send_error=BrokenPipeError)


def test_an_error_while_the_socket_is_open_is_raised():
    with pytest.raises(RuntimeError, match="Cannot call"):
        answer(use_after_end, received="websocket.connect")
