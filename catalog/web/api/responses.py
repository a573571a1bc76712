"""Helpers of the routes: work in a thread, bounded requests, error texts."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from catalog.errors import CatalogError
from catalog.web.payloads import MAX_IDS

IMMUTABLE = {"Cache-Control": "private, max-age=31536000, immutable"}
NO_STORE = {"Cache-Control": "no-store"}
MAX_BODY = 2**20  # bytes; 100,000 ids
RECEIVE_S = 30.0  # for the whole body of a request; it comes from this machine

Handler = Callable[[Request], Awaitable[Response]]


def refuse(status: int, text: str) -> HTTPException:
    """Return the exception that answers a request with a status and a text."""
    return HTTPException(status, text, NO_STORE)


def send_outdated() -> Response:
    """Return the answer about a state that is no longer shown: 204, which no browser reports."""
    return Response(status_code=204, headers=NO_STORE)


def send_json(data: Any) -> Response:
    """Return a JSON response that browsers do not keep."""
    return JSONResponse(data, headers=NO_STORE)


def send_bytes(
    body: bytes, *, is_current: bool = False, kind: str = "application/octet-stream"
) -> Response:
    """Return a binary response; browsers keep it if its address changes with the content."""
    return Response(body, media_type=kind, headers=IMMUTABLE if is_current else NO_STORE)


class IdConvertor(IntegerConvertor):
    """Match ids of at most 18 digits, which fit into 64 bits; longer ones match no route."""

    regex = "[0-9]{1,18}"


register_url_convertor("id", IdConvertor())


async def run_in_thread(work: Callable[..., Response], *args: Any) -> Response:
    """Run slow work in a thread; an unknown hit becomes 404 with the error text."""
    try:
        return await asyncio.to_thread(work, *args)
    except CatalogError as err:
        raise refuse(404, str(err)) from err
    except OverflowError as err:
        raise refuse(404, "no such hit") from err
    except OSError as err:
        raise refuse(404, "the file cannot be read; scan its folder again") from err


def in_thread(work: Callable[[Request], Response]) -> Handler:
    """Make a route's handler of work that is done in a thread."""

    async def handle(request: Request) -> Response:
        return await run_in_thread(work, request)

    return handle


def with_json(work: Callable[[Any], Response]) -> Handler:
    """Make a handler of work on the JSON that a request sent; what cannot be read is refused."""

    async def handle(request: Request) -> Response:
        try:
            data = json.loads(await read_body(request, MAX_BODY))
        except (ValueError, RecursionError) as err:
            raise refuse(400, str(err)) from err
        return await run_in_thread(work, data)

    return handle


def read_ids(text: str) -> list[int]:
    """Read "3,17,4": 1 to 64 ids, each once; all else is refused."""
    try:
        ids = list(dict.fromkeys(int(part) for part in text.split(",")))
    except ValueError as err:
        raise refuse(400, str(err)) from err
    if not 0 < len(ids) <= MAX_IDS:
        raise refuse(400, f"{len(ids)} ids; 1 to {MAX_IDS} are allowed")
    return ids


async def read_body(request: Request, most: int) -> bytes:
    """Read the bytes that a request sent; more than `most` are refused."""
    too_much = refuse(400, "too much at once")
    return b"".join([part async for part in receive_parts(request, most, too_much=too_much)])


async def receive_parts(
    request: Request, most: int, *, too_much: HTTPException
) -> AsyncIterator[bytes]:
    """Yield the bytes of a request as they arrive.

    Raises
    ------
    HTTPException
        `too_much` if there are more than `most` bytes; another one if they do not arrive in
        `RECEIVE_S` or the request breaks off
    """
    if int(request.headers.get("content-length", 0)) > most:
        raise too_much
    end, size, stream = asyncio.get_running_loop().time() + RECEIVE_S, 0, request.stream()
    while True:
        try:
            async with asyncio.timeout_at(end):
                part = await anext(stream, None)
        except TimeoutError as err:
            raise refuse(408, "the request took too long; send it again") from err
        except ClientDisconnect as err:
            raise refuse(400, "the request broke off; send it again") from err
        if part is None:
            return
        size += len(part)
        if size > most:
            raise too_much
        yield part
