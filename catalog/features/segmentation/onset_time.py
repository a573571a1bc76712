"""Refine the time of an onset: in quiet by the level, over a ring by the rise of narrow bands."""

from __future__ import annotations

import numpy as np

from catalog.features.onset import ONSET_SHARE

SEARCH_S = (0.006, 0.012)  # before and after a rise, where its onset is searched in quiet
CONTEXT_S = 0.030  # beyond both, for the level before
RING_SEARCH_S = (0.018, 0.014)  # over a ring, where a rise is found less precisely
WINDOW_S = 0.003  # of a spectrum over a ring
STEP_S = 0.0005  # between spectra
REFERENCE_S = 0.012  # before a spectrum; the mean level of its bands there is compared
BANDS_HZ = (600.0, 17_000.0)  # range of the bands, spaced evenly on a logarithmic scale
NYQUIST_SHARE = 0.45  # of the sample rate; the highest band ends below it
N_BANDS = 12
RISE_SHARE = 0.6  # of the highest mean rise; 0.5 and 0.7 were worse for cymbals
INSIDE_S = 0.0013  # from the start of a window that has risen so far to the onset within it
FLOOR = 1e-9  # power of a band


def refine_onset(mono: np.ndarray, frame: int, *, sr: int) -> int:
    """Return the first frame of the stroke whose rise was found near `frame`.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    frame : int
    sr : int, Hz
    """
    back, ahead = (round(s * sr) for s in SEARCH_S)
    context = round(CONTEXT_S * sr)
    lo, hi = max(0, frame - back), min(len(mono), frame + ahead)
    first = max(0, lo - context)
    level = np.abs(np.asarray(mono[first : min(len(mono), hi + context)], np.float64))
    peak, before = float(level.max()), float(level[: lo - first].max(initial=0.0))
    if before > ONSET_SHARE * peak:
        return _refine_over_ring(mono, frame, sr=sr)
    threshold = max(ONSET_SHARE * peak, 1.2 * before)
    above = np.flatnonzero(level[lo - first : hi - first] > threshold)
    return lo + int(above[0]) if len(above) else frame


def _refine_over_ring(mono: np.ndarray, frame: int, *, sr: int) -> int:
    """Return where the mean rise of the bands reaches a share of its highest."""
    step, n = max(1, round(STEP_S * sr)), max(8, round(WINDOW_S * sr))
    n_before = round(REFERENCE_S / STEP_S)
    lag = -(-n // step)  # steps after which two windows do not overlap
    back, ahead = (round(s * sr) // step for s in RING_SEARCH_S)
    first = frame - (back + n_before + lag) * step
    part = np.asarray(mono[max(0, first) : frame + ahead * step + n], np.float64)
    if first < 0:
        part = np.concatenate([np.zeros(-first), part])
    levels = _window_levels(part, n=n, step=step, sr=sr)
    if len(levels) <= n_before + lag:
        return frame
    sums = np.concatenate([np.zeros((1, levels.shape[1])), np.cumsum(levels, axis=0)])
    reference = (sums[n_before + 1 :] - sums[: -n_before - 1]) / (n_before + 1)
    now = levels[n_before + lag :]
    rise = np.maximum(now - reference[: len(now)], 0.0).mean(axis=1)
    at = int(np.argmax(rise >= RISE_SHARE * rise.max()))
    return min(len(mono) - 1, max(0, frame + (at - back) * step + round(INSIDE_S * sr)))


def _window_levels(part: np.ndarray, *, n: int, step: int, sr: int) -> np.ndarray:
    """Return the levels of the bands in dB, shape (n_windows, n_bands)."""
    if len(part) < n:
        return np.zeros((0, 1))
    windows = np.lib.stride_tricks.sliding_window_view(part, n)[::step]
    spectrum = np.fft.rfft(windows * np.hanning(n + 1)[:n], axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    high = min(BANDS_HZ[1], NYQUIST_SHARE * sr)
    edges_hz = np.geomspace(BANDS_HZ[0], high, N_BANDS + 1)
    edges = np.unique(np.maximum(1, (edges_hz * n / sr).astype(int)))
    bands = np.add.reduceat(power, edges, axis=1)
    return np.asarray(10.0 * np.log10((bands[:, :-1] if len(edges) > 1 else bands) + FLOOR))
