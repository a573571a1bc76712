"""Find mains hum: a steady tone of 50 or 60 Hz and its harmonics in the tail."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault

MAINS_HZ = (50, 60)
N_HARMONICS = 6  # up to 300 and 360 Hz; the strongest are among them
LOW_SR_HZ = 2500  # the tail is averaged down to it, which keeps the harmonics
TAIL_S = 0.4  # the longest tail that is examined
TAIL_SHARE = 0.45  # of what follows the onset
PERIODS_S = 0.04  # two periods of 50 Hz; both halves of the tail are multiples of it
HUM_DBFS = -75.0  # softer hum is hidden by the noise of rooms and converters
MIN_EXPLAINED = 0.6  # of the tail's power below 1 kHz
MAX_CHANGE = 0.45  # of the amplitude, from one half of the tail to the other
OFF_HZ = 0.4  # a drum's own tone may be as near to the mains, but mains are within 0.2 Hz
NOISE_CHANGE = 0.25  # that noise explains in the shortest tails


class _HumFit(NamedTuple):
    """Least-squares fit of a mains tone and its harmonics."""

    explained: float  # share of the power
    is_steady: bool
    level: float  # RMS


def find_hum(mono: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find hum in the tail after frame `rise`, where the stroke does not mask it.

    The mains tone and its harmonics are fitted to both halves of the tail. Hum explains both and
    has the same amplitude and phase in them; a drum's own tone decays or is off in pitch.
    """
    n = min(round(TAIL_S * sr), round(TAIL_SHARE * (len(mono) - rise)))
    step = max(1, sr // LOW_SR_HZ)
    period = round(PERIODS_S * sr / step)  # few distinct lengths, so that the cache is effective
    half = n // (2 * step) // period * period
    if half == 0:
        return []
    start = len(mono) - 2 * half * step
    averaging = np.full(step, 1.0 / step, mono.dtype)  # a product is three times as fast as a mean
    low = (mono[start:].reshape(-1, step) @ averaging).reshape(2, half)
    low = low - low.mean()
    if np.square(low).mean() < 10 ** (HUM_DBFS / 10):
        return []
    fits = [_fit_hum(low, sr / step, mains) for mains in MAINS_HZ]
    best = max(fits, key=lambda fit: fit.explained)
    mains_hz = MAINS_HZ[fits.index(best)]
    is_loud = best.level >= 10 ** (HUM_DBFS / 20)
    if best.explained < MIN_EXPLAINED or not best.is_steady or not is_loud:
        return []
    length_s = 2 * half * step / sr
    fault = make_fault("hum", 20 * math.log10(best.level), at_s=start / sr, length_s=length_s)
    return [fault._replace(hz=float(mains_hz))]


def find_hum_channel(samples: np.ndarray, *, sr: int, rise: int) -> int:
    """Return the channel, from 0, if the hum is in one of several only; else -1."""
    if samples.shape[1] < 2:
        return -1
    columns = (np.ascontiguousarray(samples[:, at]) for at in range(samples.shape[1]))
    humming = [at for at, mono in enumerate(columns) if find_hum(mono, sr=sr, rise=rise)]
    return humming[0] if len(humming) == 1 else -1


def _fit_hum(low: np.ndarray, sr: float, mains_hz: int) -> _HumFit:
    basis, inverse = _tone_basis(low.shape[1], sr, mains_hz)
    weights = np.einsum("hpn,hn->hp", inverse, low)
    model = np.einsum("hnp,hp->hn", basis, weights)
    power = np.square(low).sum()
    explained = 1.0 - float(np.square(low - model).sum() / power)
    tones = weights[:, 1:]
    change = np.linalg.norm(tones[0] - tones[1])
    turned = 2 * math.sin(math.pi * OFF_HZ * low.shape[1] / sr)  # by a tone off by `OFF_HZ`
    limit = min(MAX_CHANGE, max(NOISE_CHANGE, turned))
    is_steady = change < limit * np.linalg.norm(tones, axis=1).mean()
    level = float(np.sqrt(np.square(tones).sum(axis=1).mean() / 2))
    return _HumFit(explained, bool(is_steady), level)


@lru_cache(maxsize=64)
def _tone_basis(n: int, sr: float, mains_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a constant, sines and cosines of both halves, shape (2, n, p), and their inverse."""
    t = np.arange(2 * n) / sr
    angles = 2 * np.pi * mains_hz * np.outer(t, np.arange(1, N_HARMONICS + 1))
    basis = np.concatenate([np.ones((2 * n, 1)), np.sin(angles), np.cos(angles)], axis=1)
    halves = basis.reshape(2, n, -1)
    return halves, np.linalg.pinv(halves)
