"""Helpers of the routes: work in a thread, bounded requests, error texts."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from catalog.errors import CatalogError
from catalog.web.limits import MAX_IDS

FOR_GOOD = {"Cache-Control": "private, max-age=31536000, immutable"}
NOT_KEPT = {"Cache-Control": "no-store"}
MAX_BODY = 2**20  # bytes; 100,000 ids


async def answer(work: Callable[[], Response]) -> Response:
    """Run slow work in a thread; an unknown hit becomes 404 with the error text."""
    try:
        return await asyncio.to_thread(work)
    except CatalogError as err:
        return PlainTextResponse(str(err), 404, headers=NOT_KEPT)
    except OverflowError:
        return PlainTextResponse("no such hit", 404, headers=NOT_KEPT)
    except OSError:
        return PlainTextResponse(
            "the file cannot be read; scan its folder again", 404, headers=NOT_KEPT
        )


def read_ids(text: str) -> list[int]:
    """Read "3,17,4": at most 64 ids, each once.

    Raises
    ------
    ValueError
        if one is no number or there are none or too many
    """
    ids = list(dict.fromkeys(int(part) for part in text.split(",")))
    if not 0 < len(ids) <= MAX_IDS:
        raise ValueError(f"{len(ids)} ids; 1 to {MAX_IDS} are allowed")
    return ids


async def read_json(request: Request) -> Any:
    """Read what a request sent, up to `MAX_BODY` bytes.

    Raises
    ------
    ValueError
        if it is too much or no JSON
    """
    return json.loads(await read_body(request, MAX_BODY))


async def read_body(request: Request, most: int) -> bytes:
    """Read the bytes that a request sent; `ValueError` if there are more than `most`."""
    size = 0
    parts = []
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise ValueError("too much at once")
        parts.append(part)
    return b"".join(parts)
