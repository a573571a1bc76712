"""Faults of the samples themselves: clipping, overs, offset, silent and mirrored channels."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from catalog.features.faults.kinds import Fault, make_fault

FLAT_RUN = 3  # samples at one level; two meet by chance at any smooth peak
MANY_TOPS = 5  # peaks at the very same level; a bright sound is clipped one sample at a time
MOST_TOPS = 5000  # samples at the top that are looked at
EDGE_STEPS = 6.0  # of quantisation: a smooth peak that was rounded falls off by one to three
EQUAL = 1e-6  # of the peak: rounding of 24 bits is smaller
STEP_SAMPLES = 4000  # enough to meet two neighbours one step apart
MAY_BE_OVER = 0.7  # of full scale; real strokes rise by less than 3 dB between samples
OVERSAMPLING = 4  # ITU-R BS.1770-4, Annex 2
TAPS_ASIDE = 24  # samples to each side that the interpolation takes in
KAISER = 6.0  # shape of its window: ripple below .01 dB up to .45 of the rate
DC_DBFS = -60.0  # an offset below it does no harm at the edges of a hit
DC_BLOCKS = 8
DC_SURE = 3.0  # times the spread between blocks: a low tone has no steady offset
SILENT_DB = -46.0  # under the loudest channel; bleed into any microphone is louder
SILENT_DBFS = -66.0  # peak of a whole file; the softest ghost strokes lie above
MIRRORED = -0.5  # correlation of two channels at their best lag
LAG_S = 0.001  # 34 cm of sound travel: two microphones of a pair
PAIR_S = 0.02  # of the stroke that is compared


def find_clipping(
    samples: np.ndarray, ranges: tuple[np.ndarray, np.ndarray], *, sr: int
) -> list[Fault]:
    """Find flat tops: three or more samples at the extreme of a channel with steep edges.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    ranges : pair of np.ndarray, shape (n_channels,), lowest and highest sample of each
    sr : int, Hz

    Returns
    -------
    list of Fault, at most one a channel, at its longest run
    """
    return [
        fault
        for channel, (low, high) in enumerate(zip(*(r.tolist() for r in ranges), strict=True))
        if (fault := _clipped_channel(samples[:, channel], low, high, sr, channel)) is not None
    ]


def _clipped_channel(y: np.ndarray, low: float, high: float, sr: int, channel: int) -> Fault | None:
    runs = [*_flat_runs(y, high, 1), *_flat_runs(y, -low, -1)]
    if not any(n >= FLAT_RUN for _, n in runs) and len(runs) < MANY_TOPS:
        return None
    start, longest = max(runs, key=lambda run: run[1])
    total = sum(n for _, n in runs)
    return make_fault("clipped", total, at_s=start / sr, length_s=longest / sr, channel=channel)


def _flat_runs(y: np.ndarray, top: float, side: int) -> list[tuple[int, int]]:
    """Give (start, number of samples) of each run at the highest level that ends steeply.

    `side` is 1, or -1 for the lowest level, of which `top` is the size.
    """
    if top <= 0:
        return []
    limit = top * (1.0 - EQUAL)
    at = np.flatnonzero(y >= limit if side > 0 else y <= -limit)
    if len(at) < FLAT_RUN:
        return []
    if len(at) > MOST_TOPS:  # a square wave: the first of them tell enough
        at = at[:MOST_TOPS]
    breaks = np.flatnonzero(np.diff(at) > 1)
    firsts = at[np.concatenate([[0], breaks + 1])]
    lasts = at[np.concatenate([breaks, [len(at) - 1]])]
    step = _quantisation(y, int(firsts[0]))
    runs = []
    for first, last in zip(firsts, lasts, strict=True):
        if first == 0 or last == len(y) - 1:
            continue
        fall = top - min(side * float(y[first - 1]), side * float(y[last + 1]))
        if fall > EDGE_STEPS * step:
            runs.append((int(first), int(last - first + 1)))
    return runs


def _quantisation(y: np.ndarray, at: int) -> float:
    """Smallest step between neighbours near a place; at most that of 8 bits."""
    steps = np.abs(np.diff(y[max(0, at - STEP_SAMPLES // 2) : at + STEP_SAMPLES]))
    steps = steps[steps > 0]
    return float(steps.min()) if len(steps) else 1.0 / 128


def find_intersample_overs(samples: np.ndarray, *, sr: int, peak: float) -> list[Fault]:
    """Find true peaks above full scale where no sample is above it.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz
    peak : float, highest absolute sample

    Returns
    -------
    list of Fault, at most one: the highest

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2 (fourfold oversampling).
    """
    if peak < MAY_BE_OVER:
        return []
    best = (1.0, 0, 0)
    for channel in range(samples.shape[1]):
        level, at = true_peak_near_full(samples[:, channel])
        best = max(best, (level, at, channel))
    if best[0] <= 1.0:
        return []
    return [make_fault("over", 20 * math.log10(best[0]), at_s=best[1] / sr, channel=best[2])]


def true_peak_near_full(y: np.ndarray) -> tuple[float, int]:
    """Highest level between the samples, looked for only beside samples that come near full scale.

    Parameters
    ----------
    y : np.ndarray, shape (n,), full scale 1.0

    Returns
    -------
    float, the level, 0 where no sample comes near; int, the sample beside it

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2 (fourfold oversampling).
    """
    size = np.abs(y)
    near = np.flatnonzero(size >= MAY_BE_OVER)
    around = [size[np.clip(near + aside, 0, len(y) - 1)] for aside in (-1, 1)]
    at = near[(size[near] >= around[0]) & (size[near] >= around[1])]
    if len(at) == 0:
        return 0.0, 0
    padded = np.concatenate([_NOTHING, y, _NOTHING])
    windows = padded[at[:, None] + np.arange(2 * TAPS_ASIDE + 1)]
    between = np.abs(windows @ _between()).max(axis=1)
    best = int(between.argmax())
    return float(between[best]), int(at[best])


_NOTHING = np.zeros(TAPS_ASIDE, np.float32)


@lru_cache(maxsize=1)
def _between() -> np.ndarray:
    """Weights of the samples around one for the levels a quarter and half a sample beside it."""
    t = np.arange(-TAPS_ASIDE, TAPS_ASIDE + 1)
    steps = np.arange(-OVERSAMPLING // 2, OVERSAMPLING // 2 + 1) / OVERSAMPLING
    apart = t[:, None] - steps
    window = np.i0(KAISER * np.sqrt(np.maximum(1 - (apart / (TAPS_ASIDE + 1)) ** 2, 0.0)))
    weights = np.sinc(apart) * window / np.i0(KAISER)
    return np.asarray(weights, dtype=np.float32)


def find_dc_offset(samples: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find an offset that stays the same through the second half of the file.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz
    rise : int, frame where the stroke starts

    Returns
    -------
    list of Fault, at most one a channel
    """
    late = samples[(rise + len(samples)) // 2 :]
    n = len(late) // DC_BLOCKS
    if n == 0:
        return []
    mean = np.full(n, 1.0 / n, late.dtype)  # a product takes a third of the time of a mean
    blocks = [channel[: n * DC_BLOCKS].reshape(DC_BLOCKS, n) for channel in late.T]
    means = np.stack([block @ mean for block in blocks], axis=1)
    if np.abs(means).max() <= 10 ** (DC_DBFS / 20):
        return []  # nor is any middle of them higher
    offsets = np.median(means, axis=0)
    spread = np.median(np.abs(means - offsets), axis=0)
    limit = np.maximum(10 ** (DC_DBFS / 20), DC_SURE * spread)
    return [
        make_fault(
            "dc", 20 * math.log10(abs(float(offsets[c]))), at_s=0.0,
            length_s=len(samples) / sr, channel=int(c),
        )
        for c in np.flatnonzero(np.abs(offsets) > limit)
    ]  # fmt: skip


def find_silent_channels(peaks: np.ndarray, *, length_s: float) -> list[Fault]:
    """Find channels that hold nothing, or next to nothing.

    Parameters
    ----------
    peaks : np.ndarray, shape (n_channels,), highest absolute sample of each channel
    length_s : float, seconds of the file

    Returns
    -------
    list of Fault
    """
    loudest = float(peaks.max(initial=0.0))
    limit = max(loudest * 10 ** (SILENT_DB / 20), 0.0)
    faults = []
    for channel, peak in enumerate(peaks):
        under = loudest if peak < limit else 1.0
        if peak < limit or peak < 10 ** (SILENT_DBFS / 20):
            level = 20 * math.log10(max(float(peak) / under, 1e-6))
            faults.append(make_fault("silent", level, at_s=0.0, length_s=length_s, channel=channel))
    return faults


def find_inverted_channels(samples: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find a channel that is the mirror image of the first one.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz
    rise : int, frame where the stroke starts

    Returns
    -------
    list of Fault, the number is the correlation at the lag within 1 ms where it is strongest
    """
    if samples.shape[1] < 2:
        return []
    part = samples[rise : rise + max(2, round(PAIR_S * sr))]
    faults = []
    for channel in range(1, samples.shape[1]):
        likeness = peak_correlation(part[:, 0], part[:, channel], max_lag=round(LAG_S * sr))
        if likeness < MIRRORED:
            faults.append(make_fault("polarity", likeness, at_s=rise / sr, channel=channel))
    return faults


def peak_correlation(first: np.ndarray, second: np.ndarray, *, max_lag: int) -> float:
    """Correlation of two short signals, with its sign, at the lag where it is strongest.

    Parameters
    ----------
    first, second : np.ndarray, shape (n,)
    max_lag : int, samples, to both sides

    Returns
    -------
    float, -1 to 1; 0 where either is silent
    """
    norm = math.sqrt(float(first @ first) * float(second @ second))
    if norm <= 0:
        return 0.0
    both = np.correlate(first, np.pad(second, max_lag), "valid")[::-1]
    full = np.correlate(np.pad(first, max_lag), second, "valid") if len(both) < 2 else both
    return float(full[int(np.abs(full).argmax())]) / norm
