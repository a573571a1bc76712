"""Mains hum: a steady tone of 50 or 60 Hz and its multiples under what else is in the tail."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault

MAINS_HZ = (50, 60)
N_HARMONICS = 6  # up to 300 and 360 Hz; the strongest are among them
LOW_SR_HZ = 2500  # to which the tail is averaged down: harmonics stay, most of the rest goes
TAIL_S = 0.4  # the longest tail that is judged
TAIL_SHARE = 0.45  # of what follows the onset
PERIODS_S = 0.04  # two periods of 50 Hz; the halves are multiples of it
HUM_DBFS = -75.0  # below it the noise of rooms and converters hides it
EXPLAINED = 0.6  # of the tail's power below 1 kHz
STEADY = 0.45  # of the amplitude: by how much it may change from one half of the tail to the other


def find_hum(mono: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find hum in the tail, where it is not covered by the stroke.

    Both halves of the tail are fitted with the mains tone and its multiples. Hum explains them
    and has the same amplitude and phase in both; a drum's own tone dies away or is off in pitch.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz
    rise : int, frame where the stroke starts

    Returns
    -------
    list of Fault, at most one
    """
    n = min(round(TAIL_S * sr), round(TAIL_SHARE * (len(mono) - rise)))
    step = max(1, sr // LOW_SR_HZ)
    period = round(PERIODS_S * sr / step)  # few lengths: what fits them is kept
    half = n // (2 * step) // period * period
    if half == 0:
        return []
    start = len(mono) - 2 * half * step
    mean = np.full(step, 1.0 / step, mono.dtype)  # a product: three times as fast as a mean
    low = (mono[start:].reshape(-1, step) @ mean).reshape(2, half)
    low = low - low.mean()
    power = np.square(low).mean()
    if power < 10 ** (HUM_DBFS / 10):
        return []
    best = max((_fit(low, sr / step, mains) for mains in MAINS_HZ), key=lambda fit: fit[0])
    explained, steady, level = best
    if explained < EXPLAINED or not steady or level < 10 ** (HUM_DBFS / 20):
        return []
    return [
        make_fault("hum", 20 * math.log10(level), at_s=start / sr, length_s=2 * half * step / sr)
    ]


def _fit(low: np.ndarray, sr: float, mains: int) -> tuple[float, bool, float]:
    """Give the share of power explained, whether it is steady, and its level (RMS)."""
    basis, inverse = _tones(low.shape[1], sr, mains)
    weights = np.einsum("hpn,hn->hp", inverse, low)
    model = np.einsum("hnp,hp->hn", basis, weights)
    power = np.square(low).sum()
    explained = 1.0 - float(np.square(low - model).sum() / power)
    tones = weights[:, 1:]
    change = np.linalg.norm(tones[0] - tones[1])
    steady = change < STEADY * np.linalg.norm(tones, axis=1).mean()
    return explained, bool(steady), float(np.sqrt(np.square(tones).sum(axis=1).mean() / 2))


@lru_cache(maxsize=64)
def _tones(n: int, sr: float, mains: int) -> tuple[np.ndarray, np.ndarray]:
    """Give constants, sines and cosines of both halves, shape (2, n, p), and what fits them."""
    t = np.arange(2 * n) / sr
    angles = 2 * np.pi * mains * np.outer(t, np.arange(1, N_HARMONICS + 1))
    basis = np.concatenate([np.ones((2 * n, 1)), np.sin(angles), np.cos(angles)], axis=1)
    halves = basis.reshape(2, n, -1)
    return halves, np.linalg.pinv(halves)
