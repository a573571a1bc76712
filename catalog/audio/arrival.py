"""Delay and polarity of the microphones of a take, pooled over its strokes.

One stroke shows the delay of a far microphone only roughly: its spectrum is that of the room. So
the onsets of all strokes give a first delay, and the sum of their cross-correlations near it the
exact one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from catalog.audio.channels import MAX_DELAY_S, SOUND_M_S, WINDOW_S

ONSET_SHARE = 0.25  # of the peak; above the pickup of other drums, below the first half-wave's peak
NEAR_S = 0.0015  # half a metre around the delay by onsets, where the correlation is searched
SPREAD_TO_SIGMA = 1.4826  # of the median absolute deviation of a normal distribution
SILENCE = 1e-5  # of full scale, -100 dBFS
LOUDEST = 24  # strokes of a take; more change the median little


@dataclass(frozen=True)
class Arrival:
    """When a stroke arrives at one microphone, after its earliest microphone.

    Attributes
    ----------
    delay_samples : float, at least 0; NaN for a silent microphone
    spread_samples : float, standard deviation over the strokes, by the median deviation
    polarity : int, -1 if opposite to that of the earliest microphone, else 1
    certainty : float, of the polarity, 0 to 1
        by how much the correlation exceeds the strongest one of the other polarity nearby
    """

    delay_samples: float
    spread_samples: float
    polarity: int
    certainty: float = 1.0

    def delay_ms(self, sr: int) -> float:
        """Return the delay in ms at a rate in Hz."""
        return 1000.0 * self.delay_samples / sr

    def distance_m(self, sr: int) -> float:
        """Return the delay as a distance in air, in m, at a rate in Hz."""
        return self.delay_samples / sr * SOUND_M_S


def measure_arrivals(strokes: Sequence[np.ndarray], *, sr: int) -> tuple[Arrival, ...]:
    """Measure the arrival of a drum's strokes at each microphone, pooled over the strokes.

    Parameters
    ----------
    strokes : sequence of np.ndarray, shape (n_frames, n_microphones)
        each begins shortly before the onset at the earliest microphone; the same drum in all
    sr : int, Hz

    Returns
    -------
    tuple of Arrival, one for each microphone

    References
    ----------
    C. H. Knapp, G. C. Carter, "The generalized correlation method for estimation of time delay",
    IEEE Trans. Acoust., Speech, Signal Process. 24, 320-327, 1976.
    """
    n = round((WINDOW_S + MAX_DELAY_S) * sr)
    parts = [np.asarray(stroke[:n], np.float64) for stroke in strokes]
    parts = sorted(parts, key=lambda part: -float(np.abs(part).max(initial=0.0)))[:LOUDEST]
    onsets = np.array([_onsets(part) for part in parts])
    reference = _strongest(parts)
    rough = np.nanmedian(onsets - onsets[:, [reference]], axis=0) if len(parts) else onsets
    spectra_of = cache(partial(_transform, parts))
    exact = [
        _correlate(spectra_of, parts, (m, reference), rough[m], sr=sr)
        for m in range(onsets.shape[1])
    ]
    first = min((at.delay_samples for at in exact if np.isfinite(at.delay_samples)), default=0.0)
    earliest = next((at.polarity for at in exact if at.delay_samples == first), 1)
    return tuple(
        replace(at, delay_samples=at.delay_samples - first, polarity=at.polarity * earliest)
        for at in exact
    )


def _onsets(part: np.ndarray) -> list[float]:
    """Return the first frame of each channel that reaches a share of its peak; NaN if silent."""
    level = np.abs(part)
    peaks = level.max(axis=0, initial=0.0)
    return [
        float(np.argmax(level[:, m] >= ONSET_SHARE * peak)) if peak > SILENCE else np.nan
        for m, peak in enumerate(peaks)
    ]


def _strongest(parts: Sequence[np.ndarray]) -> int:
    """Return the microphone with most energy, whatever its delay, as the one to compare with."""
    return int(np.argmax(np.sum([np.square(part).sum(axis=0) for part in parts], axis=0)))


def _transform(parts: Sequence[np.ndarray], size: int) -> list[np.ndarray]:
    """Return the spectrum of each channel of each part, shape (n_channels, size // 2 + 1)."""
    from scipy.fft import rfft

    return [rfft(np.ascontiguousarray(part.T), size) for part in parts]


def _correlate(
    spectra_of: Callable[[int], list[np.ndarray]],
    parts: Sequence[np.ndarray],
    pair: tuple[int, int],
    rough: float,
    *,
    sr: int,
) -> Arrival:
    """Return the arrival at a channel against that at the reference, near a rough lag.

    `spectra_of` returns those of `parts` by the number of samples that are transformed, and `pair`
    holds the channel and the reference.
    """
    from scipy.fft import irfft

    channel, reference = pair
    if not np.isfinite(rough):
        return Arrival(np.nan, 0.0, 1, 0.0)
    if channel == reference:
        return Arrival(0.0, 0.0, 1)
    near = round(NEAR_S * sr)
    lags = np.arange(round(rough) - near, round(rough) + near + 1)
    longest = max(*map(len, parts), int(np.abs(lags).max()) + 1)  # a part may be a few samples
    size = 1 << (2 * longest - 1).bit_length()
    rows = []
    for spectra in spectra_of(size):
        cross = spectra[channel] * np.conj(spectra[reference])
        magnitude = np.abs(cross)
        weight = np.sqrt(magnitude) + 1e-3 * np.sqrt(magnitude.max())
        row = irfft(cross / (weight + 1e-30), size)[lags]
        rows.append(row / (np.abs(row).max() + 1e-30))
    pooled = np.sum(rows, axis=0)
    at = int(np.argmax(np.abs(pooled)))
    sign = 1 if pooled[at] >= 0 else -1
    single = lags[np.argmax(sign * np.array(rows), axis=1)]
    spread = SPREAD_TO_SIGMA * float(np.median(np.abs(single - np.median(single))))
    other = max(0.0, float((-sign * pooled).max()))
    certainty = 1.0 - other / (abs(float(pooled[at])) + 1e-30)
    return Arrival(float(lags[at]), spread, sign, certainty)
