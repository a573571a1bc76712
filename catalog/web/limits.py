"""Limits of one request, which the routes enforce and the browser keeps to."""

from __future__ import annotations

MAX_IDS = 64  # hits in one batch; keeps an answer under 3 MB
MAX_UPLOAD_BYTES = 64 * 2**20  # three minutes of stereo at 24 bit and 48 kHz; a hit is far shorter
