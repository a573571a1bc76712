"""Compare very short recordings sample by sample: no time-frequency cell fits into them."""

from __future__ import annotations

import numpy as np

from catalog.audio.resample import resample
from catalog.matching.views import ChannelViews

MIN_SAMPLES = 4  # fewer samples carry no evidence
MAX_EXTRA_SAMPLES = 2  # of silence that one of two recordings at the same rate may have
SAME_RATE_DB = 40.0  # residual below the signal once level and constant offset are fitted
RESAMPLED_DB = 20.0  # the same at different rates: conversion removes the highest band
CLICK_SAMPLES, CLICK_RESAMPLED_DB = 64, 10.0  # a shorter click has much of its energy up there
COMMON_SR, RESAMPLE_PADDING_S = 96_000, 0.005  # padding for the ringing of the converter


def is_exact_copy(first: ChannelViews, second: ChannelViews) -> bool:
    """Return whether one very short recording is a multiple of the other, sample by sample.

    Returns
    -------
    bool, False where either has no `short_samples`
    """
    a, b = first.short_samples, second.short_samples
    if a is None or b is None or min(len(a), len(b)) < MIN_SAMPLES:
        return False
    if first.sr == second.sr:
        return _aligned_correlation(a, b) >= 1 - 10 ** (-SAME_RATE_DB / 10)
    limit_db = CLICK_RESAMPLED_DB if min(len(a), len(b)) < CLICK_SAMPLES else RESAMPLED_DB
    a, b = _to_common_rate(a, first.sr), _to_common_rate(b, second.sr)
    energy = float(a @ a) * float(b @ b)
    squared = float(np.square(np.correlate(a, b, "full")).max()) / energy if energy > 0 else 0.0
    return squared >= 1 - 10 ** (-limit_db / 10)


def _to_common_rate(samples: np.ndarray, sr: int) -> np.ndarray:
    """Pad both ends and convert to `COMMON_SR`; float64."""
    padded = np.pad(samples, round(RESAMPLE_PADDING_S * sr))
    if sr != COMMON_SR:
        padded = resample(padded[:, None], sr=sr, to_sr=COMMON_SR)[:, 0]
    return padded.astype(np.float64)


def _aligned_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Return the highest squared correlation of the shorter within the longer, means removed."""
    if len(a) > len(b):
        a, b = b, a
    if len(b) - len(a) > MAX_EXTRA_SAMPLES:
        return 0.0
    best, a = 0.0, a - a.mean()
    for start in range(len(b) - len(a) + 1):
        part = b[start : start + len(a)]
        part = part - part.mean()
        energy = float(a @ a) * float(part @ part)
        if energy > 0:
            best = max(best, float(a @ part) ** 2 / energy)
    return best
