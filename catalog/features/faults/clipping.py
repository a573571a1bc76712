"""Find clipping, and true peaks above full scale between samples."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault

FLAT_RUN = 3  # samples at one level; any smooth peak may have two by chance
MANY_TOPS = 5  # runs at the same level; peaks of a bright hit may clip for only one sample
MAX_TOPS = 5000  # samples at the peak that are examined; a square wave has far more
EDGE_STEPS = 6.0  # quantization steps; the fall beside a clipped run; beside a smooth peak 1 to 3
LEVEL_TOLERANCE = 1e-6  # of the peak, for samples at one level; 24-bit rounding is smaller
STEP_SAMPLES = 4000  # enough to hold two neighbors one quantization step apart
STEP_8_BITS = 1.0 / 128
NEAR_FULL_SCALE = 0.7  # real strokes rise by less than 3 dB between samples
OVERSAMPLING = 4  # ITU-R BS.1770-4, Annex 2
TAPS = 24  # samples on each side that the interpolation uses
KAISER_BETA = 6.0  # of the interpolation window; ripple below .01 dB up to .45 of the sample rate


def find_clipping(
    samples: np.ndarray, ranges: tuple[np.ndarray, np.ndarray], *, sr: int
) -> list[Fault]:
    """Find flat tops: three or more samples at the extreme of a channel, with steep edges.

    `ranges` holds the lowest and the highest sample of each channel. There is at most one fault per
    channel, at its longest run.
    """
    faults = []
    for channel, (low, high) in enumerate(zip(*(r.tolist() for r in ranges), strict=True)):
        y = samples[:, channel]
        runs = [*_flat_runs(y, high, 1), *_flat_runs(y, -low, -1)]
        if any(n >= FLAT_RUN for _, n in runs) or len(runs) >= MANY_TOPS:
            start, longest = max(runs, key=lambda run: run[1])
            faults.append(
                make_fault(
                    "clipped", sum(n for _, n in runs), at_s=start / sr, length_s=longest / sr,
                    channel=channel,
                )
            )  # fmt: skip
    return faults


def _flat_runs(y: np.ndarray, top: float, sign: int) -> list[tuple[int, int]]:
    """Return start and length of each run at the extreme level that has a steep edge.

    `sign` is 1 for the highest level, and -1 for the lowest, whose absolute value is `top`.
    """
    if top <= 0:
        return []
    limit = top * (1.0 - LEVEL_TOLERANCE)
    is_top = y >= limit if sign > 0 else y <= -limit
    if np.count_nonzero(is_top) < FLAT_RUN:  # most hits; a tenth of the time of listing them
        return []
    at = np.flatnonzero(is_top)[:MAX_TOPS]
    breaks = np.flatnonzero(np.diff(at) > 1)
    firsts = at[np.concatenate([[0], breaks + 1])]
    lasts = at[np.concatenate([breaks, [len(at) - 1]])]
    step = _quantization_step(y, int(firsts[0]))
    runs = []
    for first, last in zip(firsts, lasts, strict=True):
        if first == 0 or last == len(y) - 1:
            continue
        fall = top - min(sign * float(y[first - 1]), sign * float(y[last + 1]))
        if fall > EDGE_STEPS * step:
            runs.append((int(first), int(last - first + 1)))
    return runs


def _quantization_step(y: np.ndarray, at: int) -> float:
    """Return the smallest difference between neighbors near `at`; the 8-bit step if none."""
    steps = np.abs(np.diff(y[max(0, at - STEP_SAMPLES // 2) : at + STEP_SAMPLES]))
    steps = steps[steps > 0]
    return float(steps.min()) if len(steps) else STEP_8_BITS


def find_intersample_overs(samples: np.ndarray, *, sr: int, peak: float) -> list[Fault]:
    """Find the highest true peak above full scale; `peak` is the highest absolute sample."""
    if peak < NEAR_FULL_SCALE:
        return []
    best = (1.0, 0, 0)
    for channel in range(samples.shape[1]):
        level, at = true_peak_near_full(samples[:, channel])
        best = max(best, (level, at, channel))
    if best[0] <= 1.0:
        return []
    return [make_fault("over", 20 * math.log10(best[0]), at_s=best[1] / sr, channel=best[2])]


def true_peak_near_full(y: np.ndarray) -> tuple[float, int]:
    """Measure the true peak only next to samples near full scale, to save time.

    Returns
    -------
    float, the true peak, 0 if no sample is near full scale; int, index of the sample next to it

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2 (fourfold oversampling).
    """
    size = np.abs(y)
    near = np.flatnonzero(size >= NEAR_FULL_SCALE)
    neighbors = [size[np.clip(near + offset, 0, len(y) - 1)] for offset in (-1, 1)]
    at = near[(size[near] >= neighbors[0]) & (size[near] >= neighbors[1])]
    if len(at) == 0:
        return 0.0, 0
    margin = np.zeros(TAPS, np.float32)
    padded = np.concatenate([margin, y, margin])
    windows = padded[at[:, None] + np.arange(2 * TAPS + 1)]
    levels = np.abs(windows @ _interpolation_weights()).max(axis=1)
    best = int(levels.argmax())
    return float(levels[best]), int(at[best])


@lru_cache(maxsize=1)
def _interpolation_weights() -> np.ndarray:
    """Return the weights that interpolate levels within half a sample of the middle one.

    The result is float32, shape (2 * TAPS + 1, OVERSAMPLING + 1).
    """
    t = np.arange(-TAPS, TAPS + 1)
    steps = np.arange(-OVERSAMPLING // 2, OVERSAMPLING // 2 + 1) / OVERSAMPLING
    distance = t[:, None] - steps
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(1 - (distance / (TAPS + 1)) ** 2, 0.0)))
    weights = np.sinc(distance) * window / np.i0(KAISER_BETA)
    return np.asarray(weights, dtype=np.float32)
