"""Fit a hit by a mix of the microphones of one stroke: a level and a time for each microphone.

A finished hit is often a mix of the microphones of its take. No single microphone is a copy of it
then, but the best-fitting mix is, so the usual comparison of two recordings decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.errors import ParameterError
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.matching.prepare import preemphasize
from catalog.matching.verdict import Classification, classify_pair
from catalog.matching.views import prepare_views
from catalog.models import Verdict

FIT_S = 0.3  # from the onset; there the microphones differ most
LEAD_S = 0.02  # before the onset
MAX_SHIFT_S = 0.03  # between onsets as found in the hit and in a microphone
MAX_SPREAD_S = 0.015  # between microphones in one mix; 5 m of air
MIN_GAIN_DB = -40.0  # of a microphone below the loudest in the mix; less is not heard


@dataclass(frozen=True, eq=False)
class MixFit:
    """The mix of microphones that fits a hit best.

    Attributes
    ----------
    gains : np.ndarray, float, shape (n_microphones, n_channels)
        factor of each mono microphone in each channel of the hit; negative with opposite polarity
    delays_s : np.ndarray, float, shape (n_microphones,)
        how much later each microphone is in the mix than in its recording, against the first one
    classification : Classification, of the mix and the hit as two recordings
    """

    gains: np.ndarray
    delays_s: np.ndarray
    classification: Classification

    @property
    def is_copy(self) -> bool:
        """Whether the hit is this mix, and more than one microphone is heard in it."""
        heard = np.abs(self.gains).max(axis=1)
        n_heard = int((heard > heard.max() * 10 ** (MIN_GAIN_DB / 20)).sum())
        return n_heard > 1 and self.classification.verdict == Verdict.COPY


def fit_mix(hit: Audio, microphones: Sequence[Audio]) -> MixFit | None:
    """Fit a hit by its microphones and compare the mix with it.

    Parameters
    ----------
    hit : Audio, the finished hit, of one or two channels
    microphones : sequence of Audio
        of one stroke; the channels of a stereo microphone are fitted one by one

    Returns
    -------
    MixFit or None, None if one of them holds no stroke
    """
    sources = [
        Audio(m.samples[:, [c]], m.sr, m.container, m.subtype)
        for m in microphones
        for c in range(m.samples.shape[1])
    ]
    try:
        target_at = find_stroke(mix_to_mono(hit.samples), sr=hit.sr).onset
        placed = [_place(source, sr=hit.sr) for source in sources]
    except ParameterError:
        return None
    target = _cut(hit.samples, target_at, sr=hit.sr)
    parts = [_cut(samples, at, sr=hit.sr)[:, 0] for samples, at in placed]
    lags = _find_lags(preemphasize(target), [preemphasize(p) for p in parts], hit.sr)
    gains = _solve(preemphasize(target), [preemphasize(p) for p in parts], lags)
    starts = [lag + target_at - at for lag, (_, at) in zip(lags, placed, strict=True)]
    mixed = _mix([samples[:, 0] for samples, _ in placed], starts, gains, n=len(hit.samples))
    try:
        views = [prepare_views(Audio(x, hit.sr, "WAV", "FLOAT")) for x in (hit.samples, mixed)]
    except ParameterError:
        return None
    return MixFit(gains, np.subtract(starts, starts[0]) / hit.sr, classify_pair(*views))


def _place(source: Audio, *, sr: int) -> tuple[np.ndarray, int]:
    """Return a microphone at another rate, shape (n, 1), and its onset."""
    samples = source.samples
    if source.sr != sr:
        samples = resample(samples, sr=source.sr, to_sr=sr)
    return samples, find_stroke(samples[:, 0], sr=sr).onset


def _cut(samples: np.ndarray, onset: int, *, sr: int) -> np.ndarray:
    """Return the part around an onset, padded to one length; shape (n, n_channels)."""
    lead, n = round(LEAD_S * sr), round((LEAD_S + FIT_S) * sr)
    part = samples[max(0, onset - lead) : onset - lead + n]
    out = np.zeros((n, samples.shape[1]), np.float64)
    at = max(0, lead - onset)
    out[at : at + len(part)] = part[: n - at]
    return out


def _find_lags(target: np.ndarray, parts: Sequence[np.ndarray], sr: int) -> list[int]:
    """Return the shift of each part in samples: the best first, the others close to it."""
    from scipy.fft import irfft, next_fast_len, rfft

    n = next_fast_len(2 * len(target))
    reach, spread = round(MAX_SHIFT_S * sr), round(MAX_SPREAD_S * sr)
    spectra = [np.conj(rfft(part, n)) / (np.linalg.norm(part) + 1e-12) for part in parts]
    lags: dict[int, int] = {}
    left, shifts = target, np.arange(-reach, reach + 1)
    while len(lags) < len(parts):
        rest = rfft(left, n, axis=0)
        best = (-1.0, 0, 0)
        for index in set(range(len(parts))) - lags.keys():
            found = irfft(rest * spectra[index][:, None], n, axis=0)[shifts]
            strength = np.sqrt((found**2).sum(axis=1))
            if lags:
                near = np.abs(shifts - next(iter(lags.values()))) <= spread
                strength = np.where(near, strength, 0.0)
            at = int(np.argmax(strength))
            best = max(best, (float(strength[at]), index, int(shifts[at])))
        lags[best[1]] = best[2]
        chosen = list(lags)
        gains = _solve(target, [parts[i] for i in chosen], [lags[i] for i in chosen])
        shifted = [_shift(parts[i], lags[i]) for i in chosen]
        left = target - np.stack(shifted, axis=1) @ gains
    return [lags[index] for index in range(len(parts))]


def _solve(target: np.ndarray, parts: Sequence[np.ndarray], lags: Sequence[int]) -> np.ndarray:
    """Return least-squares gains, shape (n_parts, n_channels)."""
    shifted = np.stack([_shift(p, lag) for p, lag in zip(parts, lags, strict=True)], axis=1)
    return np.linalg.lstsq(shifted, target, rcond=1e-6)[0]


def _shift(part: np.ndarray, lag: int) -> np.ndarray:
    """Return a part later by `lag` samples, zero-padded to its length."""
    out = np.zeros_like(part)
    if lag >= 0:
        out[lag:] = part[: len(part) - lag]
    else:
        out[:lag] = part[-lag:]
    return out


def _mix(
    sources: Sequence[np.ndarray], starts: Sequence[int], gains: np.ndarray, *, n: int
) -> np.ndarray:
    """Return the sum of whole microphones at their gains and starts; float32, shape (n, c)."""
    mixed = np.zeros((n, gains.shape[1]))
    for source, start, gain in zip(sources, starts, gains, strict=True):
        first, last = max(0, start), min(n, start + len(source))
        if last > first:
            mixed[first:last] += source[first - start : last - start, None] * gain
    return mixed.astype(np.float32)
