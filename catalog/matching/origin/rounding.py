"""Signs from rounding: the later copy is the earlier one times a number, plus its own rounding."""

from __future__ import annotations

import math

import numpy as np

from catalog.matching.origin.aligned import AlignedPair
from catalog.matching.origin.model import Loss, Sign

MOST_S = 0.7  # compared
WITHIN = 0.51  # quantization steps; rounding to the nearest leaves at most half a step
EXACT_SHARE = 0.9995
UNDITHERED, DITHERED = 0.27, 0.62  # steps, rms: 1/sqrt(12), and with triangular dither 0.5
INHERITED = 0.1  # steps, rms; a smaller difference contains the rounding error of both
MIN_GAIN_DB = 0.1
GAP_CODES = 60  # around zero, where every integer occurs in a recording
MAX_PLAIN = 3.0  # steps, rms; a larger difference is more than rounding
MAX_RESIDUAL_DB = -20.0  # above it the relation is no plain gain


def rounding_signs(pair: AlignedPair) -> tuple[list[Sign], bool]:
    """Return the sign of rounding, and whether the copies differ by level and offset only.

    Each copy is predicted from the other by a factor and an offset. The later copy is wrong by no
    more than half of its own quantization step, and its error has the size of that step.
    """
    a, b = (x[: round(MOST_S * pair.sr)] for x in pair.overlap)
    gain, offset = _fit_gain(a, b)
    if gain == 0.0:
        return [], False
    residual = b - (gain * a + offset)
    energy = float(np.square(b - b.mean()).sum())
    if float(residual @ residual) > 10 ** (MAX_RESIDUAL_DB / 10) * energy:
        return [], False
    step_a, step_b = _steps(a, pair.bits_a), _steps(b, pair.bits_b)
    error_b = np.abs(residual) / step_b
    error_a = np.abs(residual / gain) / step_a
    if max(error_a.max(), error_b.max()) < 0.02:
        return [], True
    size_a, size_b = _rms(error_a), _rms(error_b)
    exact_a, exact_b = (error_a <= WITHIN).mean(), (error_b <= WITHIN).mean()
    amount = 20 * math.log10(abs(gain))
    is_b, is_a = (_is_rounding(s, e) for s, e in ((size_b, exact_b), (size_a, exact_a)))
    if is_a != is_b:
        return [Sign(Loss.ROUNDED, 6.0 if is_b else -6.0, amount)], True
    if is_a and (exact_b >= EXACT_SHARE) != (exact_a >= EXACT_SHARE):
        return [Sign(Loss.ROUNDED, 6.0 if exact_b > exact_a else -6.0, amount)], True
    if is_a and abs(amount) > MIN_GAIN_DB and pair.bits_a and pair.bits_b:
        gapped = _gapped(a, b, pair, gain)
        if gapped:
            return [Sign(Loss.ROUNDED, 3.0 * gapped, amount)], True
    if is_a or (min(size_a, size_b) >= INHERITED and max(size_a, size_b) > MAX_PLAIN):
        return [], is_a
    # a copy whose own rounding error is found in the other one, sample by sample, is the earlier
    if (size_a < INHERITED) != (size_b < INHERITED):
        return [Sign(Loss.ROUNDED, 6.0 if size_a < INHERITED else -6.0, amount)], True
    return [], max(size_a, size_b) < MAX_PLAIN


def _gapped(a: np.ndarray, b: np.ndarray, pair: AlignedPair, gain: float) -> int:
    """Return 1 if the second copy skips integers as an amplified copy does, -1 if the first."""
    louder, bits, side = (b, pair.bits_b, 1) if abs(gain) > 1 else (a, pair.bits_a, -1)
    codes = np.rint(louder * 2.0 ** (bits - 1)).astype(np.int64)
    near = codes[np.abs(codes) <= GAP_CODES]
    if len(near) < 20 * GAP_CODES:
        return 0
    share = len(np.unique(near)) / (2 * GAP_CODES + 1)
    expected = min(abs(gain), 1 / abs(gain))
    return side if abs(share - expected) < abs(share - 1.0) else 0


def _is_rounding(size: float, exact: float) -> bool:
    return UNDITHERED <= size <= DITHERED or (exact >= EXACT_SHARE and size > 0.2)


def _rms(values: np.ndarray) -> float:
    return math.sqrt(float(np.square(values).mean()))


def _steps(x: np.ndarray, bits: int) -> np.ndarray:
    if bits:
        return np.full(len(x), 2.0 ** (1 - bits))
    return np.maximum(np.spacing(np.abs(x).astype(np.float32)).astype(np.float64), 1e-30)


def _fit_gain(a: np.ndarray, b: np.ndarray) -> tuple[float, float]:
    mean_a, mean_b = a.mean(), b.mean()
    x, y = a - mean_a, b - mean_b
    energy = float(x @ x)
    if energy <= 0:
        return 0.0, 0.0
    gain = float(x @ y) / energy
    offset = mean_b - gain * mean_a
    if abs(offset) < 1e-6 * np.abs(b).max():
        gain, offset = float(a @ b) / float(a @ a), 0.0
    return gain, float(offset)
