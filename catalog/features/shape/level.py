"""The level of a stroke over time and the stationary noise under it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from catalog.features.envelope import BLOCK, block_energy, block_variance

STEP_S = 0.01  # of the level curve, rounded to whole blocks of `BLOCK` samples
SMOOTHING = 8  # the level at a time is averaged over an eighth of it, at least one step
MIN_NOISE_STEPS = 4  # a shorter end cannot be told from a decay
TRIMS = (0.0, 0.06, 0.15)  # of the curve: a fade at its end may hide the noise
SHORTER = 0.7  # ratio of the stretches tried
MAX_NOISE = 10**-2.0  # of the loudest step; a louder stretch is a sustained sound
FLAT_DB = 0.6  # between the halves of a stretch of noise; its level fluctuates by this much
FLAT_SHARE = 0.12  # of the fall between them if the stroke went on as before
MIN_FALL_DB = 3.0  # of that fall; a smaller one cannot be told from noise
LEAD_GAP_S = 0.005  # before the onset; the stroke has begun
MIN_LEAD_S = 0.02
QUIETEST_S = 0.02


@dataclass(frozen=True, eq=False)
class LevelCurve:
    """Mean power of a stroke in steps from its start, and that of the noise under it.

    Attributes
    ----------
    blocks : np.ndarray, float32, shape (n_blocks,), energy of every `BLOCK` samples
    step : int, samples of a step of the curve, a multiple of `BLOCK`
    sr : int, Hz
    power : np.ndarray, float64, shape (n_steps,), mean power of each step
    noise : float, mean power of the stationary noise, 0 where none is seen
    spread : float, standard deviation of the noise of one step over its mean
    """

    blocks: np.ndarray
    step: int
    sr: int
    power: np.ndarray
    noise: float
    spread: float

    @property
    def step_s(self) -> float:
        """Duration of a step."""
        return self.step / self.sr

    @cached_property
    def widths(self) -> np.ndarray:
        """Steps that the smoothed curve is averaged over at each step; int, shape (n_steps,)."""
        return 1 + np.arange(len(self.power)) // SMOOTHING

    @cached_property
    def smooth(self) -> np.ndarray:
        """The power without the noise, averaged over an eighth of the time since the start."""
        total = np.concatenate([[0.0], np.cumsum(self.power)])
        at = np.arange(len(self.power))
        low = np.maximum(at - (self.widths - 1) // 2, 0)
        high = np.minimum(at + self.widths // 2 + 1, len(at))
        return (total[high] - total[low]) / (high - low) - self.noise


def measure_level(body: np.ndarray, lead: np.ndarray, *, sr: int) -> LevelCurve:
    """Measure the level of a stroke over time, and the noise at its end or before it.

    Parameters
    ----------
    body : np.ndarray, shape (n,), mono, from the start of the stroke, without DC offset
    lead : np.ndarray, shape (m,), mono, what the file holds before the stroke; may be empty
    sr : int, Hz
    """
    blocks = block_energy(body, BLOCK)
    n = max(1, round(STEP_S * sr / BLOCK))
    whole = max(1, len(blocks) // n)
    padded = blocks if len(blocks) >= n else np.pad(blocks, (0, n - len(blocks)))
    power = padded[: whole * n].reshape(whole, n).sum(axis=1, dtype=np.float64) / (n * BLOCK)
    noise, spread = _noise_at_end(power)
    if not noise:
        noise, spread = _noise_before(lead, n * BLOCK, sr=sr)
        noise = min(noise, float(power[-max(1, len(power) // SMOOTHING) :].mean()))
    return LevelCurve(blocks, n * BLOCK, sr, power, noise, spread)


def _noise_at_end(power: np.ndarray) -> tuple[float, float]:
    """Return mean and relative deviation of the longest flat end of a level curve; 0 if none.

    A stretch is noise if its halves are equally loud although the curve fell until then.
    """
    n, top = len(power), int(power.argmax())
    total = np.concatenate([[0.0], np.cumsum(power)]).tolist()
    loudest = float(power[top])
    best = (0, 0)
    for trim in TRIMS:
        stop = n - math.ceil(trim * n)
        length = stop - top
        while (length := int(SHORTER * length)) >= max(MIN_NOISE_STEPS, best[1] - best[0] + 1):
            half = length // 2
            first = (total[stop - half] - total[stop - length]) / (length - half)
            second = (total[stop] - total[stop - half]) / half
            if second <= 0.0 or first <= 0.0:
                continue
            fall = 10.0 * math.log10(loudest / second) * half / (stop - half - top)
            change = abs(10.0 * math.log10(first / second))
            is_low = second < MAX_NOISE * loudest
            if is_low and fall >= MIN_FALL_DB and change <= min(FLAT_DB, FLAT_SHARE * fall):
                best = stop - length, stop
    if best == (0, 0):
        return 0.0, 0.0
    part = power[best[0] : best[1]]
    mean = float(part.mean())
    return mean, float(part.std()) / mean


def _noise_before(lead: np.ndarray, n: int, *, sr: int) -> tuple[float, float]:
    """Return median and relative deviation of the power before the stroke; 0 if it is silent."""
    lead = lead[: max(0, len(lead) - round(LEAD_GAP_S * sr))]
    if len(lead) < round(MIN_LEAD_S * sr):
        return 0.0, 0.0
    variances = block_variance(lead, n)
    if len(variances) < 2:
        return 0.0, 0.0
    middle = float(np.median(variances))
    return middle, float(np.median(np.abs(variances - middle))) * 1.48 / middle


def quietest_power(mono: np.ndarray, *, sr: int) -> float:
    """Return the variance of the quietest 20 ms of a file that are not constant; 0 if none are."""
    n = max(1, round(QUIETEST_S * sr))
    variances = block_variance(mono, n) if len(mono) >= n else np.zeros(0)
    return float(variances.min()) if len(variances) else 0.0
