"""Routes for two aligned hits: their waveforms, and their difference as waveform and audio."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.audio.encode import encode_wav
from catalog.duplicates.pairs.overlay import Overlay
from catalog.features.waveform import waveform_outline
from catalog.web.api.responses import in_thread, send_bytes, send_json
from catalog.web.columns import stamp_hit
from catalog.web.state import page

N_COLUMNS = 320  # of a picture
EARLY_S = 0.03  # the close look: shifts of one sample show here


def _overlay(request: Request) -> Overlay:
    catalog, cache = page().catalog, page().overlays
    first, second = (catalog.hit(request.path_params[name]) for name in ("first", "second"))
    key = stamp_hit(first), stamp_hit(second)
    overlay = cache.get(key)
    if overlay is None:
        overlay = catalog.duplicates.overlay(first.id, second.id)
        cache.put(key, overlay)
    return overlay


def describe_overlay(overlay: Overlay) -> dict[str, Any]:
    """Return an overlay for the browser.

    "spans" holds one for the first `EARLY_S` from the onset and one for all, each with "seconds"
    and, under "first", "second" and "residual", the lowest and highest value of each column by
    turns, as whole numbers within -127 to 127 on one scale. "gain_db" is None if nothing is in
    common.
    """
    waves = {"first": overlay.first, "second": overlay.second, "residual": overlay.residual}
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
        "offset_s": overlay.offset_s,
        "gain_db": overlay.gain_db if math.isfinite(overlay.gain_db) else None,
        "is_inverted": overlay.is_inverted,
        "residual_db": overlay.residual_db,
    }


def _columns(wave: np.ndarray, top: float) -> list[int]:
    if not len(wave) or top <= 0.0:
        return [0] * (2 * N_COLUMNS)
    rows = waveform_outline(wave[:, None], n_points=N_COLUMNS)
    rows = rows[np.arange(N_COLUMNS) * len(rows) // N_COLUMNS]  # a very short part has fewer rows
    pairs = np.round(127 * rows / top).astype(int)
    return [int(value) for value in pairs.ravel()]


@in_thread
def _waves(request: Request) -> Response:
    return send_json(describe_overlay(_overlay(request)))


@in_thread
def _residual(request: Request) -> Response:
    return send_bytes(residual_wav(_overlay(request)), kind="audio/wav")


def residual_wav(overlay: Overlay) -> bytes:
    """Return the difference as a 16-bit WAV file, at its level relative to the first hit.

    It is played at the level of the first hit, which the page scales down if it goes beyond full
    scale; so is this, by the same amount or more.
    """
    peak = max(float(np.abs(w).max(initial=0.0)) for w in (overlay.first, overlay.residual))
    residual = overlay.residual / peak if peak > 1.0 else overlay.residual
    return encode_wav(residual[:, None], sr=overlay.sr, subtype="PCM_16")


ROUTES = (
    Route("/api/overlay/{first:id}/{second:id}.wav", _residual),
    Route("/api/overlay/{first:id}/{second:id}", _waves),
)
