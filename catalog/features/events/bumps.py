"""Recognize bumps: low frequencies that swing up without any attack in the highs."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from catalog.features.events.contour import BLOCK_S as CONTOUR_S
from catalog.features.events.contour import Contour

ATTACK_S = 0.015  # of a swing below 70 Hz; a beater is faster
CENTER_HZ = 250.0  # root mean square frequency; above it nothing low prevails
HIGH_HZ = (200.0, 1000.0)  # above these, a bump has little and nothing
LOW_SHARE_DB = -18.0  # energy above the first; kicks have more, or an attack
HIGHS_DB, NO_HIGHS_DB = 15.0, -60.0  # of the attack over the floor of the highs, or under the peak
MOST_S = 1.0
LOUD_DB = -12.0
BLOCK_S = 0.010


def may_be_bump(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a hit begins slowly and is low."""
    if contour.attack_s < ATTACK_S:
        return False
    n_loud = int(np.flatnonzero(contour.level_db > LOUD_DB)[-1]) + 1  # the rest may be room noise
    part = body[: round(min(n_loud * CONTOUR_S, MOST_S) * sr)]
    steps = np.diff(part)
    ratio = float(steps @ steps) / max(float(part @ part), 1e-30)
    return ratio < (2 * np.pi * CENTER_HZ / sr) ** 2


def is_bump(body: np.ndarray, *, sr: int) -> bool:
    """Return whether a hit that `may_be_bump` is one; kicks and stamps have an attack."""
    from scipy.signal import sosfilt

    n = max(1, round(BLOCK_S * sr))
    part = np.asarray(body[: round(MOST_S * sr)], np.float64)
    levels = [_block_power(part, n)]
    for hz in HIGH_HZ:
        levels.append(_block_power(sosfilt(_high_pass(hz, sr), part), n))
    whole, above, highs = levels
    if len(whole) < 4 or _ratio_db(above.sum(), whole.sum()) > LOW_SHARE_DB:
        return False
    loudest = int(whole.argmax())
    attack = float(highs[max(0, loudest - 6) : loudest + 4].max())
    over_floor_db = _ratio_db(attack, float(np.percentile(highs, 20)))
    return over_floor_db <= HIGHS_DB or _ratio_db(highs.max(), whole.max()) <= NO_HIGHS_DB


@lru_cache(maxsize=16)
def _high_pass(hz: float, sr: int) -> np.ndarray:
    from scipy.signal import butter

    return np.asarray(butter(2, hz, "high", fs=sr, output="sos"))


def _block_power(samples: np.ndarray, n: int) -> np.ndarray:
    return np.asarray(np.square(samples[: len(samples) // n * n]).reshape(-1, n).mean(axis=1))


def _ratio_db(above: float, below: float) -> float:
    return float(10 * np.log10((above + 1e-15) / (below + 1e-15)))
