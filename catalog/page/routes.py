"""The page's own addresses under /api/: audio and numbers by id, never by path."""

from __future__ import annotations

import asyncio
import tempfile
import threading
import zipfile
from collections import OrderedDict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from catalog.errors import CatalogError
from catalog.page import opened
from catalog.page.packed import describe_row, join_previews, make_peaks, make_preview, stamp_hit
from catalog.page.script_text import join_scripts, script_version
from catalog.sound.descriptors import note_name

LOCAL_HOSTS = ("127.0.0.1", "localhost")
FOR_GOOD = {"Cache-Control": "private, max-age=31536000, immutable"}
NOT_KEPT = {"Cache-Control": "no-store"}
MAX_IDS = 64  # in one batch; keeps an answer under 3 MB
N_ROWS = 10  # alternates and similar hits shown
CACHE_BYTES = 48 * 2**20  # previews and outlines kept in memory
ZIP_PIECE = 2**16

_cache: OrderedDict[tuple[str, int], bytes] = OrderedDict()
_cache_lock = threading.Lock()


class OwnPagesOnly:
    """Refuse what another site asks for: a foreign `Origin`, or a change without one of ours."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what comes from the page itself."""
        if scope["type"] == "http" and scope["path"].startswith("/api/"):
            headers = {
                key.decode("latin-1"): value.decode("latin-1") for key, value in scope["headers"]
            }
            if not is_own_request(scope["method"], headers):
                await PlainTextResponse("refused: not asked by this page", 403)(
                    scope, receive, send
                )
                return
        await self.app(scope, receive, send)


def is_own_request(method: str, headers: dict[str, str]) -> bool:
    """Say whether a request comes from the page itself.

    Parameters
    ----------
    method : str, such as "GET"
    headers : dict of str to str, lower-case names

    Returns
    -------
    bool
    """
    if headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return False
    origin = headers.get("origin")
    if origin is None:
        return method in ("GET", "HEAD")
    return urlsplit(origin).netloc == headers.get("host", "")


def guards() -> list[Middleware]:
    """Give what every request has to pass: a host of this machine, then the page's own origin."""
    return [
        Middleware(TrustedHostMiddleware, allowed_hosts=list(LOCAL_HOSTS)),
        Middleware(OwnPagesOnly),
    ]


def api_routes() -> list[Route]:
    """Give all routes of the page."""
    return [
        Route("/api/points/{version:str}", _points),
        Route("/api/audition/{version:str}.js", _audition),
        Route("/api/mask/{version:str}", _mask),
        Route("/api/hit/{hit_id:int}/{stamp:int}.wav", _hit),
        Route("/api/preview", _preview),
        Route("/api/peaks", _peaks),
        Route("/api/about/{hit_id:int}", _about),
        Route("/api/near/{hit_id:int}", _near),
        Route("/api/export/{word:str}", _export),
    ]


async def _answer(work: Callable[[], Response]) -> Response:
    """Do slow work in a thread; an unknown hit is 404 with the words of the error."""
    try:
        return await asyncio.to_thread(work)
    except CatalogError as err:
        return PlainTextResponse(str(err), 404, headers=NOT_KEPT)
    except OSError:
        return PlainTextResponse(
            "the file cannot be read; scan its folder again", 404, headers=NOT_KEPT
        )


async def _points(request: Request) -> Response:
    def work() -> Response:
        pack = opened.current_points()
        if pack.version != request.path_params["version"]:
            return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
        return Response(pack.body, media_type="application/octet-stream", headers=FOR_GOOD)

    return await _answer(work)


async def _audition(request: Request) -> Response:
    if request.path_params["version"] != script_version():
        return PlainTextResponse("outdated; load the page again", 404, headers=NOT_KEPT)
    return Response(join_scripts(), media_type="text/javascript", headers=FOR_GOOD)


async def _mask(request: Request) -> Response:
    mask = opened.get_mask(request.path_params["version"])
    if mask is None:
        return PlainTextResponse("outdated; look for it again", 404, headers=NOT_KEPT)
    return Response(mask, media_type="application/octet-stream", headers=NOT_KEPT)


async def _hit(request: Request) -> Response:
    def work() -> Response:
        catalog = opened.open_catalog()
        hit = catalog.hit(request.path_params["hit_id"])
        same = stamp_hit(hit) == request.path_params["stamp"]
        headers = FOR_GOOD if same else NOT_KEPT
        return Response(catalog.wav(hit.id), media_type="audio/wav", headers=headers)

    return await _answer(work)


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


def _kept(kind: str, hit_id: int, make: Callable[[Any], bytes]) -> bytes:
    """Make once and keep, the least recently used going first; b"" if the file cannot be used."""
    catalog = opened.open_catalog()
    try:
        key = (kind, stamp_hit(catalog.hit(hit_id)))
        with _cache_lock:
            if key in _cache:
                _cache.move_to_end(key)
                return _cache[key]
        body = make(catalog.audio(hit_id))
    except (CatalogError, OSError):
        return b""
    with _cache_lock:
        _cache[key] = body
        size = sum(map(len, _cache.values()))
        while size > CACHE_BYTES:
            size -= len(_cache.popitem(last=False)[1])
    return body


async def _preview(request: Request) -> Response:
    try:
        ids = read_ids(request.query_params.get("ids", ""))
    except ValueError as err:
        return PlainTextResponse(str(err), 400)

    def work() -> Response:
        body = join_previews([_kept("preview", hit_id, make_preview) for hit_id in ids])
        return Response(body, media_type="application/octet-stream", headers=NOT_KEPT)

    return await _answer(work)


async def _peaks(request: Request) -> Response:
    try:
        ids = read_ids(request.query_params.get("ids", ""))
    except ValueError as err:
        return PlainTextResponse(str(err), 400)

    def work() -> Response:
        empty = make_peaks_of_nothing()
        body = b"".join(_kept("peaks", hit_id, make_peaks) or empty for hit_id in ids)
        return Response(body, media_type="application/octet-stream", headers=NOT_KEPT)

    return await _answer(work)


def make_peaks_of_nothing() -> bytes:
    """Give the outline of a hit that cannot be read: a flat line."""
    from catalog.page.packed import N_PEAKS

    return bytes(2 * N_PEAKS)


async def _about(request: Request) -> Response:
    def work() -> Response:
        hit = opened.open_catalog().hit(request.path_params["hit_id"])
        row = describe_row(hit)
        row["body_note"] = note_name(hit.descriptors.get("body_hz", float("nan")))
        return JSONResponse(row, headers=NOT_KEPT)

    return await _answer(work)


async def _near(request: Request) -> Response:
    elsewhere = request.query_params.get("elsewhere") == "1"

    def work() -> Response:
        catalog = opened.open_catalog()
        hit_id = catalog.hit(request.path_params["hit_id"]).id
        lists = {
            "alternates": catalog.alternates(hit_id, N_ROWS),
            "similar": catalog.similar(hit_id, N_ROWS, elsewhere=elsewhere),
        }
        return JSONResponse(
            {
                name: [
                    describe_row(catalog.hit(match.hit_id))
                    | {"why": list(catalog.reasons(hit_id, match.hit_id))}
                    | {"distance": round(float(match.distance), 4)}
                    for match in matches
                ]
                for name, matches in lists.items()
            },
            headers=NOT_KEPT,
        )

    return await _answer(work)


async def _export(request: Request) -> Response:
    kit = opened.get_outgoing(request.path_params["word"])
    if kit is None:
        return PlainTextResponse("no such kit; open the export again", 404, headers=NOT_KEPT)

    def work() -> Response:
        place = tempfile.TemporaryDirectory(prefix="kit-")
        file = zip_kit(kit, Path(place.name))
        return StreamingResponse(
            _send_then_clear(file, place),
            media_type="application/zip",
            headers=NOT_KEPT | {"Content-Disposition": 'attachment; filename="kit.zip"'},
        )

    return await _answer(work)


def zip_kit(kit: Any, folder: Path) -> Path:
    """Write a kit below `folder` and pack it into one file there.

    Raises
    ------
    KitError
        if the kit cannot be written
    """
    written = opened.open_catalog().export_kit(kit, folder / "kit")
    with zipfile.ZipFile(folder / "kit.zip", "w", zipfile.ZIP_DEFLATED) as pack:
        for path in sorted(written):
            pack.write(path, path.relative_to(folder))
    return folder / "kit.zip"


def _send_then_clear(file: Path, place: tempfile.TemporaryDirectory[str]) -> Iterator[bytes]:
    with place, file.open("rb") as body:
        while piece := body.read(ZIP_PIECE):
            yield piece
