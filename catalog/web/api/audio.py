"""Routes for audio of hits: whole strokes, previews, waveform outlines."""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.web.api.responses import FOR_GOOD, NOT_KEPT, answer, read_ids
from catalog.web.columns import stamp_hit
from catalog.web.payloads import N_PEAKS, join_previews, make_peaks, make_preview, pack_wave
from catalog.web.state import page

WAVE_POINTS = 900  # points of an outline drawn as wide as the page
FLAT = bytes(2 * N_PEAKS)  # the outline of a hit that cannot be read


async def _hit(request: Request) -> Response:
    def work() -> Response:
        catalog = page().catalog
        hit = catalog.hit(request.path_params["hit_id"])
        same = stamp_hit(hit) == request.path_params["stamp"]
        headers = FOR_GOOD if same else NOT_KEPT
        return Response(catalog.wav(hit.id), media_type="audio/wav", headers=headers)

    return await answer(work)


def _cached(kind: str, hit_id: int, make: Callable[[Audio], bytes]) -> bytes:
    """Return a payload of a hit, made once; b"" if the file cannot be used."""
    catalog, cache = page().catalog, page().audio
    try:
        key = (kind, stamp_hit(catalog.hit(hit_id)))
        body = cache.get(key)
        if body is None:
            body = make(catalog.audio(hit_id))
            cache.put(key, body)
        return body
    except (CatalogError, OSError, OverflowError):
        return b""


async def _preview(request: Request) -> Response:
    try:
        ids = read_ids(request.query_params.get("ids", ""))
    except ValueError as err:
        return PlainTextResponse(str(err), 400)

    def work() -> Response:
        body = join_previews([_cached("preview", hit_id, make_preview) for hit_id in ids])
        return Response(body, media_type="application/octet-stream", headers=NOT_KEPT)

    return await answer(work)


async def _peaks(request: Request) -> Response:
    try:
        ids = read_ids(request.query_params.get("ids", ""))
    except ValueError as err:
        return PlainTextResponse(str(err), 400)

    def work() -> Response:
        body = b"".join(_cached("peaks", hit_id, make_peaks) or FLAT for hit_id in ids)
        return Response(body, media_type="application/octet-stream", headers=NOT_KEPT)

    return await answer(work)


async def _wave(request: Request) -> Response:
    """Return the outline of a part of a hit's file; its address changes with the regions."""
    hit_id, stamp, start, stop = (request.path_params[k] for k in ("hit_id", "stamp", "a", "b"))
    if start >= stop:
        return PlainTextResponse("a part of a wave ends after it starts", 400)

    def work() -> Response:
        catalog = page().catalog
        same = stamp_hit(catalog.hit(hit_id)) == stamp
        wave = catalog.takes.waveform(hit_id, n_points=WAVE_POINTS, start=start, stop=stop)
        headers = FOR_GOOD if same else NOT_KEPT
        return Response(pack_wave(wave), media_type="application/octet-stream", headers=headers)

    return await answer(work)


ROUTES = (
    Route("/api/wave/{hit_id:int}/{stamp:int}/{a:int}-{b:int}", _wave),
    Route("/api/hit/{hit_id:int}/{stamp:int}.wav", _hit),
    Route("/api/preview", _preview),
    Route("/api/peaks", _peaks),
)
