"""Faults that only the whole take shows: its noise, a level far below the others, polarity."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from catalog.audio.arrival import Arrival
from catalog.features.faults.channels import SILENT_DB, SILENT_DBFS
from catalog.features.faults.kinds import LEAST_WEIGHT, Fault, make_fault
from catalog.features.faults.timeline import FLOOR_DBFS

NOISE_DB = -60.0  # under the peak of the take; softer noise is covered by the strokes
MIN_STROKES = 4  # of which the polarity of a microphone is pooled
CERTAIN = 0.5  # of `Arrival.certainty`; the strongest correlation of the other sign is half as high
MAJORITY = 2.0 / 3.0  # share of the strokes; each drum moves the air of a microphone in its own way


def find_far_below(peaks: Sequence[float]) -> list[Fault | None]:
    """Return the fault of each microphone of a take that is far below the loudest one, else None.

    Parameters
    ----------
    peaks : sequence of float, highest absolute sample of each microphone in the take
    """
    loudest = max(peaks, default=0.0)
    limit = loudest * 10 ** (SILENT_DB / 20)
    faults: list[Fault | None] = []
    for peak in peaks:
        reference = loudest if peak < limit else 1.0
        if peak < limit or peak < 10 ** (SILENT_DBFS / 20):
            level_db = 20 * math.log10(max(peak / max(reference, 1e-9), 1e-6))
            faults.append(make_fault("silent", level_db, at_s=0.0))
        else:
            faults.append(None)
    return faults


def find_take_noise(quietest: Sequence[float], *, peak: float) -> Fault | None:
    """Return the noise floor of a channel, if it is high, by the quietest moments of a take.

    Parameters
    ----------
    quietest : sequence of float
        lowest mean square of 20 ms after each stroke; infinite where the next follows at once
    peak : float, highest absolute sample of the channel in the take
    """
    power = min(quietest, default=math.inf)
    if not 0.0 < power < math.inf:
        return None
    level_db, peak_db = 10 * math.log10(power), 20 * math.log10(max(peak, 1e-9))
    if level_db <= FLOOR_DBFS or level_db <= peak_db + NOISE_DB:
        return None
    return make_fault("floor", level_db, at_s=0.0)


def find_noise_of_channels(
    quietest: np.ndarray, peaks: np.ndarray, *, starts_s: Sequence[float]
) -> list[list[Fault]]:
    """Return the noise of a take with the strokes at which the noisy channels are loudest.

    Noise in all channels is one fault.

    Parameters
    ----------
    quietest : np.ndarray, shape (n_strokes, n_channels), see `find_take_noise`
    peaks : np.ndarray, shape (n_strokes, n_channels), highest absolute samples
    starts_s : sequence of float, seconds, starts of the strokes
    """
    found: dict[int, Fault] = {}
    for channel, (powers, levels) in enumerate(zip(quietest.T, peaks.T, strict=True)):
        noise = find_take_noise(powers.tolist(), peak=float(levels.max()))
        if noise is not None:
            found[channel] = noise._replace(channel=channel)
    if len(found) == quietest.shape[1]:
        loudest = max(found, key=lambda channel: found[channel].value)
        found = {loudest: found[loudest]._replace(channel=-1)}
    faults: list[list[Fault]] = [[] for _ in peaks]
    for channel, fault in found.items():
        at = int(peaks[:, channel].argmax())
        faults[at].append(fault._replace(at_s=round(starts_s[at], 5)))
    return faults


def has_gaps(quietest: Sequence[float]) -> bool:
    """Return whether the noise of a take can be measured between its strokes."""
    return any(math.isfinite(power) for power in quietest)


def find_opposite(arrivals: Sequence[Sequence[Arrival]]) -> list[Fault | None]:
    """Return the fault of each microphone whose polarity is opposite to that of most others.

    Of two microphones the later one is named. The fault is minor: an aligned mix inverts it.

    Parameters
    ----------
    arrivals : sequence of sequences of Arrival
        of each stroke at each microphone, pooled over the strokes of its drum
    """
    if len(arrivals) < MIN_STROKES:
        return [None] * len(arrivals[0]) if arrivals else []
    odd = np.array([_odd_ones(stroke) for stroke in arrivals])
    sure = np.array([[at.certainty for at in stroke] for stroke in arrivals])
    faults: list[Fault | None] = []
    for is_odd, certainty in zip(odd.T, sure.T, strict=True):
        if is_odd.mean() < MAJORITY:
            faults.append(None)
            continue
        value = -float(np.median(certainty[is_odd]))
        faults.append(make_fault("polarity", value, at_s=0.0)._replace(weight=LEAST_WEIGHT))
    return faults


def _odd_ones(stroke: Sequence[Arrival]) -> list[bool]:
    """Return which microphones are certainly of the polarity that fewer of them have."""
    is_sure = [at.certainty >= CERTAIN and math.isfinite(at.delay_samples) for at in stroke]
    total = sum(at.polarity for at, sure in zip(stroke, is_sure, strict=True) if sure)
    most = 1 if total >= 0 else -1
    return [sure and at.polarity != most for at, sure in zip(stroke, is_sure, strict=True)]
