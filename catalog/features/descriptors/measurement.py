"""Measure the numbers shown for a hit; NaN where one is undefined."""

from __future__ import annotations

import math

import numpy as np

from catalog.features.loudness import hit_loudness
from catalog.features.onset import StrokeSpan
from catalog.features.shape.attack import attack_time
from catalog.features.shape.crest import crest_factor
from catalog.features.shape.decay import measure_decay
from catalog.features.shape.level import measure_level, quietest_power
from catalog.features.tone.brightness import (
    mean_period,
    mean_spectrum,
    noise_share,
    spectral_centroid,
    spectral_rolloff,
)
from catalog.features.tone.modes import lowest_mode
from catalog.features.waveform import abs_peak, dc_offset

LOUDNESS_S = 2.0  # holds the loudest 400 ms of strokes, and of swells soon after


def measure_descriptors(
    samples: np.ndarray, mono: np.ndarray, *, sr: int, stroke: StrokeSpan
) -> dict[str, float]:
    """Measure every descriptor of one hit, by the names of `catalog.features.descriptors.table`.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, shape (n_frames,), see `catalog.features.waveform.mix_to_mono`
    sr : int, Hz
    stroke : StrokeSpan
    """
    body = mono[stroke.start : stroke.stop]
    body = body - dc_offset(body)
    channels = body[None]
    if samples.shape[1] > 1:
        channels = np.ascontiguousarray(samples[stroke.start : stroke.stop].T)
        channels = channels - np.array([[dc_offset(c)] for c in channels], channels.dtype)
    peak = abs_peak(body)
    curve = measure_level(body, mono[: stroke.onset], sr=sr)
    decay = measure_decay(body, curve)
    frequencies, power = mean_spectrum(body, sr=sr)
    centroid_hz = spectral_centroid(frequencies, power)
    mode, quietest = lowest_mode(body, sr=sr), quietest_power(mono, sr=sr)
    return {
        "length_s": decay.length_s,
        "attack_s": attack_time(body, sr=sr, period_s=mean_period(frequencies, power)),
        "decay20_s": decay.decay20_s,
        "decay60_s": decay.decay60_s,
        "seen_db": decay.seen_db,
        "centroid_hz": centroid_hz,
        "rolloff_hz": spectral_rolloff(frequencies, power),
        "flatness": noise_share(frequencies, power),
        "body_hz": mode.pitch_hz(centroid_hz),
        "mode_hz": mode.hz,
        "mode_share": mode.share,
        "crest_db": crest_factor(body, sr=sr),
        "peak_db": _to_db(peak if len(channels) == 1 else abs_peak(channels)),
        "loudness_lkfs": hit_loudness(channels[:2, : round(LOUDNESS_S * sr)].T, sr=sr),
        "floor_db": 10.0 * math.log10(curve.noise) if curve.noise > 0 else math.nan,
        "quietest_db": 10.0 * math.log10(quietest) if quietest > 0 else math.nan,
        "width": stereo_width(channels.T),
        "clip_run": clip_run(samples[stroke.start : stroke.stop]),
        "tail_s": (stroke.stop - stroke.onset) / sr,
    }


def _to_db(ratio: float) -> float:
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def clip_run(samples: np.ndarray) -> float:
    """Return the longest run of samples at the peak level, a sign of clipping.

    It is 1 to 3 for an ordinary peak; `samples` have shape (n_frames, n_channels).
    """
    channels = np.ascontiguousarray(samples.T)
    low, high = -channels.min(axis=1), channels.max(axis=1)
    top = max(low.max(), high.max()) * (1.0 - 1e-6)
    longest = 0
    for channel, below, above in zip(channels, low, high, strict=True):
        if max(below, above) < top:
            continue
        if min(below, above) >= top:
            is_top = np.abs(channel) >= top
        else:
            is_top = channel >= top if above >= top else channel <= -top
        if np.count_nonzero(is_top) == 1:  # most hits; a tenth of the time of listing them
            longest = max(longest, 1)
            continue
        at = np.flatnonzero(is_top)
        ends = np.concatenate([[-1], np.flatnonzero(at[1:] - at[:-1] > 1), [len(at) - 1]])
        longest = max(longest, int((ends[1:] - ends[:-1]).max()))
    return float(longest)


def stereo_width(samples: np.ndarray) -> float:
    """Return the side energy over that of mid and side, from the first two channels.

    It is 0 for mono, 0.5 for two unrelated channels, and 1 for opposite ones.
    """
    if samples.shape[1] < 2:
        return 0.0
    mid = float(np.square(samples[:, 0] + samples[:, 1]).sum())
    side = float(np.square(samples[:, 0] - samples[:, 1]).sum())
    return side / (mid + side) if mid + side > 0 else 0.0
