"""Strokes decoded for a kit: one or two channels, faded where they were cut, each decoded once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import CatalogError, KitError
from catalog.features.waveform import mix_to_mono
from catalog.models import Hit

FADE_S = 0.005  # at an end that was cut before the stroke had decayed
FADE_DB = -60.0  # below the peak: a quieter end makes no click
CACHE_BYTES = 256_000_000  # of samples; most kits need less than half of it


class StrokeReader:
    """Decode the strokes of a kit and keep up to `max_bytes` of them for further calls."""

    def __init__(self, read: Callable[[Hit], Audio], *, max_bytes: int = CACHE_BYTES) -> None:
        self._read = read
        self._n_bytes_left = max_bytes
        self._cache: dict[int, Audio] = {}

    @classmethod
    def of(cls, read: Callable[[Hit], Audio]) -> StrokeReader:
        """Return `read` itself if it is a StrokeReader, else a new one around it."""
        return read if isinstance(read, cls) else cls(read)

    def __call__(self, hit: Hit) -> Audio:
        """Decode one stroke to one channel or two; calls share the result, so do not change it.

        Raises
        ------
        KitError
            if the hit cannot be read, holds no samples, or holds values that are not finite
        """
        if hit.id in self._cache:
            return self._cache[hit.id]
        audio = _prepare(hit, self._read)
        if audio.samples.nbytes <= self._n_bytes_left:
            self._cache[hit.id] = audio
            self._n_bytes_left -= audio.samples.nbytes
        return audio


def _prepare(hit: Hit, read: Callable[[Hit], Audio]) -> Audio:
    try:
        audio = read(hit)
    except CatalogError as err:
        raise KitError(f"hit {hit.name} cannot be read: {err}") from err
    samples = audio.samples
    if samples.size == 0 or not np.isfinite(samples).all():
        raise KitError(f"hit {hit.name} holds no samples or values that are not numbers")
    if samples.shape[1] > 2:
        samples = mix_to_mono(samples)[:, None]
    return replace(audio, samples=fade_end(samples, sr=audio.sr))


def fade_end(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Fade `FADE_S` at the end of samples (n_frames, n_channels) cut before they had decayed."""
    n = round(FADE_S * sr)
    peak = float(np.abs(samples).max())
    if len(samples) < 4 * n or np.abs(samples[-n:]).max() <= peak * 10.0 ** (FADE_DB / 20.0):
        return samples
    faded = np.array(samples, dtype=np.float32)
    faded[-n:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)).astype(np.float32)[:, None]
    return faded
