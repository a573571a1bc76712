"""Routes for two aligned hits: their waveforms, and their difference as waveform and audio."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from catalog.audio.encode import encode_wav
from catalog.duplicates.overlay import Overlay
from catalog.features.waveform import waveform_outline
from catalog.web.api.responses import NOT_KEPT, answer
from catalog.web.columns import stamp_hit
from catalog.web.state import page

N_COLUMNS = 320  # of a picture
EARLY_S = 0.03  # the close look: shifts of one sample show here


def _overlay(first_id: int, second_id: int) -> Overlay:
    catalog, cache = page().catalog, page().overlays
    key = stamp_hit(catalog.hit(first_id)), stamp_hit(catalog.hit(second_id))
    overlay = cache.get(key)
    if overlay is None:
        overlay = catalog.duplicates.overlay(first_id, second_id)
        cache.put(key, overlay)
    return overlay


def describe_overlay(overlay: Overlay) -> dict[str, Any]:
    """Return an overlay for the browser.

    Parameters
    ----------
    overlay : Overlay

    Returns
    -------
    dict
        "spans": one for the first `EARLY_S` from the onset and one for all, each with "seconds"
        and, under "first", "second" and "rest", the lowest and highest value of each column by
        turns, as whole numbers within -127 to 127 on one scale; "later_s", "gain_db" (None if
        nothing is in common), "is_turned", "left_db"
    """
    waves = {"first": overlay.first, "second": overlay.second, "rest": overlay.residual}
    onset = int(np.argmax(np.abs(overlay.first) > 0.1 * np.abs(overlay.first).max(initial=1e-9)))
    begin = max(0, onset - round(0.003 * overlay.sr))
    spans = []
    for start, stop in ((begin, begin + round(EARLY_S * overlay.sr)), (0, len(overlay.first))):
        parts = {name: wave[start:stop] for name, wave in waves.items()}
        top = max((float(np.abs(part).max(initial=0.0)) for part in parts.values()), default=0.0)
        drawn = {name: _columns(part, top) for name, part in parts.items()}
        spans.append({"seconds": len(parts["first"]) / overlay.sr, **drawn})
    return {
        "spans": spans,
        "later_s": overlay.offset_s,
        "gain_db": overlay.gain_db if math.isfinite(overlay.gain_db) else None,
        "is_turned": overlay.is_inverted,
        "left_db": overlay.residual_db,
    }


def _columns(wave: np.ndarray, top: float) -> list[int]:
    if not len(wave) or top <= 0.0:
        return [0] * (2 * N_COLUMNS)
    rows = waveform_outline(wave[:, None], n_points=N_COLUMNS)
    rows = rows[np.arange(N_COLUMNS) * len(rows) // N_COLUMNS]  # a very short part has fewer rows
    pairs = np.round(127 * rows / top).astype(int)
    return [int(value) for value in pairs.ravel()]


async def _picture(request: Request) -> Response:
    first_id, second_id = request.path_params["first"], request.path_params["second"]

    def work() -> Response:
        return JSONResponse(describe_overlay(_overlay(first_id, second_id)), headers=NOT_KEPT)

    return await answer(work)


async def _rest(request: Request) -> Response:
    first_id, second_id = request.path_params["first"], request.path_params["second"]

    def work() -> Response:
        body = rest_wav(_overlay(first_id, second_id))
        return Response(body, media_type="audio/wav", headers=NOT_KEPT)

    return await answer(work)


def rest_wav(overlay: Overlay) -> bytes:
    """Return the difference as a 16-bit WAV file, at its level relative to the first hit.

    It is played at the level of the first hit, which the page scales down if it goes beyond full
    scale; so is this, by the same amount or more.
    """
    peak = max(float(np.abs(w).max(initial=0.0)) for w in (overlay.first, overlay.residual))
    rest = overlay.residual / peak if peak > 1.0 else overlay.residual
    return encode_wav(rest[:, None], sr=overlay.sr, subtype="PCM_16")


ROUTES = (
    Route("/api/overlay/{first:int}/{second:int}.wav", _rest),
    Route("/api/overlay/{first:int}/{second:int}", _picture),
)
