"""Find faults of whole channels: recording level, DC offset, silence and inverted polarity."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from catalog.features.faults.kinds import LEAST_WEIGHT, Fault, make_fault

LOW_DBFS, HIGH_DBFS = -12.0, -6.0  # peak when recording; common practice, no source
LOWEST_DBFS = -40.0  # a take this low is as bad as one that touches full scale
DC_DBFS = -60.0  # a smaller offset is inaudible at the edges of a hit
DC_BLOCKS = 8
DC_SPREADS = 3.0  # spreads between blocks; a low tone has no steady offset
SILENT_DB = -46.0  # under the loudest channel; bleed into any microphone is louder
SILENT_DBFS = -66.0  # peak of a file; the softest ghost strokes are louder
INVERTED = -0.5  # correlation of two channels at their best lag
MAX_LAG_S = 0.001  # 34 cm in air, the distance of two microphones of a pair
COMPARED_S = 0.02  # of the stroke


def find_raw_peak(peak: float, *, at_s: float = 0.0, channel: int = -1) -> list[Fault]:
    """Find a channel of a take that was recorded too hot or too low; at most one fault.

    The format makes no difference: a floating-point file holds more than full scale, but the
    converter before it does not.

    Parameters
    ----------
    peak : float, highest absolute sample of the channel in the take, full scale 1.0
    at_s : float, seconds, position of the stroke that has the peak
    channel : int, from 0; -1 in a mono file
    """
    level = 20 * math.log10(max(peak, 1e-9))
    if LOW_DBFS <= level <= HIGH_DBFS:
        return []
    fault = make_fault("raw_peak", level, at_s=at_s, channel=channel)
    if level < LOW_DBFS:
        share = min((LOW_DBFS - level) / (LOW_DBFS - LOWEST_DBFS), 1.0)
        weight = LEAST_WEIGHT + (1.0 - LEAST_WEIGHT) * share
        fault = fault._replace(weight=round(weight, 3))
    return [fault]


def find_take_levels(peaks: np.ndarray, *, starts_s: Sequence[float]) -> list[list[Fault]]:
    """Return the level faults of each stroke of a take: of the channels that peak in it.

    A channel that is near-silent in all of the take has a fault of its own and no level fault.

    Parameters
    ----------
    peaks : np.ndarray, shape (n_strokes, n_channels), highest absolute samples
    starts_s : sequence of float, seconds, starts of the strokes
    """
    faults: list[list[Fault]] = [[] for _ in peaks]
    highest = peaks.max(axis=0)
    is_mono = len(highest) == 1
    for channel, (at, peak) in enumerate(zip(peaks.argmax(axis=0), highest, strict=True)):
        if is_mono or peak >= highest.max() * 10 ** (SILENT_DB / 20):
            named = -1 if is_mono else channel
            faults[at] += find_raw_peak(float(peak), at_s=starts_s[at], channel=named)
    return faults


def find_dc_offset(samples: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find a DC offset that is steady over the second half of the file after frame `rise`."""
    late = samples[(rise + len(samples)) // 2 :]
    n = len(late) // DC_BLOCKS
    if n == 0:
        return []
    averaging = np.full(n, 1.0 / n, late.dtype)  # a matrix product takes a third of mean's time
    blocks = [channel[: n * DC_BLOCKS].reshape(DC_BLOCKS, n) for channel in late.T]
    means = np.stack([block @ averaging for block in blocks], axis=1)
    if np.abs(means).max() <= 10 ** (DC_DBFS / 20):  # then no median is above it either
        return []
    offsets = np.median(means, axis=0)
    spread = np.median(np.abs(means - offsets), axis=0)
    limit = np.maximum(10 ** (DC_DBFS / 20), DC_SPREADS * spread)
    return [
        make_fault(
            "dc", 20 * math.log10(abs(float(offsets[c]))), at_s=0.0,
            length_s=len(samples) / sr, channel=int(c),
        )
        for c in np.flatnonzero(np.abs(offsets) > limit)
    ]  # fmt: skip


def find_silent_channels(peaks: np.ndarray, *, length_s: float) -> list[Fault]:
    """Find silent or nearly silent channels; `peaks` holds the highest absolute sample of each."""
    loudest = float(peaks.max(initial=0.0))
    limit = max(loudest * 10 ** (SILENT_DB / 20), 0.0)
    faults = []
    for channel, peak in enumerate(peaks):
        reference = loudest if peak < limit else 1.0
        if peak < limit or peak < 10 ** (SILENT_DBFS / 20):
            level = 20 * math.log10(max(float(peak) / reference, 1e-6))
            faults.append(make_fault("silent", level, at_s=0.0, length_s=length_s, channel=channel))
    return faults


def find_inverted_channels(samples: np.ndarray, *, sr: int, rise: int) -> list[Fault]:
    """Find channels of opposite polarity to the first one, from frame `rise` on.

    The value is the correlation at the lag within 1 ms where it is strongest.
    """
    if samples.shape[1] < 2:
        return []
    part = samples[rise : rise + max(2, round(COMPARED_S * sr))]
    faults = []
    for channel in range(1, samples.shape[1]):
        correlation = peak_correlation(part[:, 0], part[:, channel], max_lag=round(MAX_LAG_S * sr))
        if correlation < INVERTED:
            faults.append(make_fault("polarity", correlation, at_s=rise / sr, channel=channel))
    return faults


def peak_correlation(first: np.ndarray, second: np.ndarray, *, max_lag: int) -> float:
    """Return the signed correlation of two short signals at the lag where it is strongest.

    It is -1 to 1, and 0 if either is silent. `max_lag` is in samples, in both directions.
    """
    norm = math.sqrt(float(first @ first) * float(second @ second))
    if norm <= 0:
        return 0.0
    both = np.correlate(first, np.pad(second, max_lag), "valid")[::-1]
    full = np.correlate(np.pad(first, max_lag), second, "valid") if len(both) < 2 else both
    return float(full[int(np.abs(full).argmax())]) / norm
