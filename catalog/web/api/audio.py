"""Routes for audio of hits: whole strokes, previews, waveform outlines."""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.web.api.responses import in_thread, read_ids, refuse, send_bytes
from catalog.web.columns import stamp_hit
from catalog.web.payloads import N_PEAKS, join_previews, make_peaks, make_preview, pack_wave
from catalog.web.state import page

WAVE_POINTS = 900  # points of an outline drawn as wide as the page
FLAT = bytes(2 * N_PEAKS)  # the outline of a hit that cannot be read


@in_thread
def _hit(request: Request) -> Response:
    hit = page().catalog.hit(request.path_params["hit_id"])
    is_current = stamp_hit(hit) == request.path_params["stamp"]
    return send_bytes(page().catalog.wav(hit.id), is_current=is_current, kind="audio/wav")


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


@in_thread
def _preview(request: Request) -> Response:
    ids = read_ids(request.query_params.get("ids", ""))
    return send_bytes(join_previews([_cached("preview", i, make_preview) for i in ids]))


@in_thread
def _peaks(request: Request) -> Response:
    ids = read_ids(request.query_params.get("ids", ""))
    return send_bytes(b"".join(_cached("peaks", i, make_peaks) or FLAT for i in ids))


@in_thread
def _wave(request: Request) -> Response:
    """Send the outline of a part of a hit's file; its address changes with the regions."""
    hit_id, stamp, start, stop = (request.path_params[k] for k in ("hit_id", "stamp", "a", "b"))
    if start >= stop:
        raise refuse(400, "a part of a wave ends after it starts")
    catalog = page().catalog
    is_current = stamp_hit(catalog.hit(hit_id)) == stamp
    wave = catalog.takes.waveform(hit_id, n_points=WAVE_POINTS, start=start, stop=stop)
    return send_bytes(pack_wave(wave), is_current=is_current)


ROUTES = (
    Route("/api/wave/{hit_id:id}/{stamp:id}/{a:id}-{b:id}", _wave),
    Route("/api/hit/{hit_id:id}/{stamp:id}.wav", _hit),
    Route("/api/preview", _preview),
    Route("/api/peaks", _peaks),
)
