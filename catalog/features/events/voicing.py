"""Measure what distinguishes voices from drums: a pitch that glides under moving formants.

The pitch of a drum is constant, or falls as its head relaxes, and its spectrum only gets darker.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from catalog.features.envelope import block_energy
from catalog.features.events.contour import AUDIBLE_DB
from catalog.features.spectrum import decimate, frame_power, symmetric_hann

FRAME_S, HOP_S = 0.040, 0.020  # three periods of the lowest pitch
MOST_S = 2.0  # of a hit
SR_HZ = 8_000.0  # at least; formants lie below 4 kHz
PITCH_HZ = (75.0, 400.0)  # of speaking voices, with a margin
PERIODIC = 0.75  # correlation of a frame with itself a period later
GLIDE = 1.5  # semitones between two frames of one contour
ENDS_HZ = (60.0, 700.0)
SPARSE, LEAST_FRAMES, HARDLY_VOICED = 4, 6, 0.3  # frames that are looked at first
FORMANTS_HZ, N_FORMANT_BANDS = (200.0, 3_800.0), 12
FEW = 4  # periodic frames; of fewer nothing is measured


class Voicing(NamedTuple):
    """Numbers of a hit, see `measure_voicing`."""

    voiced: float = 0.0  # share of the frames that are periodic
    in_contours: float = 0.0  # share of the frames whose pitch goes on from the frame before
    longest_s: float = 0.0  # of these contours
    brightness_spread: float = 0.0  # semitones, of periodic frames
    pitch_spread: float = 0.0  # semitones
    bright_share: float = 1.0  # of the energy above 700 Hz
    formant_spread_db: float = 0.0  # of bands over time, of periodic frames
    formant_motion_db: float = 0.0  # from frame to frame within contours


def measure_voicing(body: np.ndarray, *, sr: int) -> Voicing:
    """Measure pitch and formants of the loud frames of a hit.

    Parameters
    ----------
    body : np.ndarray, shape (n,), mono, begins with the hit
    sr : int, Hz
    """
    factor = max(1, int(sr / SR_HZ))
    low = decimate(np.ascontiguousarray(body[: round(MOST_S * sr)]), factor)
    sr_hz = sr / factor
    n, hop = round(FRAME_S * sr_hz), round(HOP_S * sr_hz)
    low = np.pad(low, (0, max(0, n + hop - len(low))))
    frames = np.lib.stride_tricks.sliding_window_view(low, n)[::hop]
    energy = np.square(frames).mean(axis=1)
    is_loud = energy > energy.max() * 10 ** (AUDIBLE_DB / 10)
    frames = frames[is_loud]
    window = symmetric_hann(n)
    size = 1 << (2 * n - 1).bit_length()
    if len(some := frames[::SPARSE]) >= LEAST_FRAMES:
        _, periodic = track_pitch(frame_power(some * window, size), window, sr_hz=sr_hz)
        if periodic.mean() < HARDLY_VOICED:
            return Voicing(voiced=float(periodic.mean()))
    power = frame_power(frames * window, size)
    pitch_hz, periodic = track_pitch(power, window, sr_hz=sr_hz)
    is_next = np.diff(np.flatnonzero(is_loud)) == 1
    steps = np.abs(np.diff(12 * np.log2(pitch_hz)))
    gliding = is_next & periodic[1:] & periodic[:-1] & (steps < GLIDE)
    return _describe(power, pitch_hz, periodic, gliding, sr_hz=sr_hz)


def _describe(
    power: np.ndarray, pitch_hz: np.ndarray, periodic: np.ndarray, gliding: np.ndarray, *,
    sr_hz: float,
) -> Voicing:  # fmt: skip
    hz = np.arange(power.shape[1]) * sr_hz / (2 * power.shape[1] - 2)
    bright_share = float(power[:, hz > ENDS_HZ[1]].sum() / max(power.sum(), 1e-30))
    found = Voicing(
        voiced=float(periodic.mean()),
        in_contours=float(gliding.sum() / len(power)),
        longest_s=HOP_S * _longest_run(gliding),
        bright_share=bright_share,
    )
    if periodic.sum() < FEW:
        return found
    formants = _formant_levels(power, hz)
    motion = np.sqrt(np.square(np.diff(formants, axis=0)).mean(axis=1))
    power[:, hz < ENDS_HZ[0]] = 0.0
    brightness = power @ np.log2(hz + 1.0) / np.maximum(power.sum(axis=1), 1e-30)
    return found._replace(
        brightness_spread=float(12 * brightness[periodic].std()),
        pitch_spread=float((12 * np.log2(pitch_hz[periodic])).std()),
        formant_spread_db=float(formants[periodic].std(axis=0).mean()),
        formant_motion_db=float(motion[gliding].mean()) if gliding.any() else 0.0,
    )


def _formant_levels(power: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """Return the levels of bands over their mean, shape (n_frames, n_bands), in dB."""
    edges_hz = np.geomspace(FORMANTS_HZ[0], min(FORMANTS_HZ[1], hz[-2]), N_FORMANT_BANDS + 1)
    edges = np.unique(np.round(edges_hz / hz[1]).astype(int))
    bands = np.add.reduceat(power, edges, axis=1)[:, :-1]
    levels = 10 * np.log10(bands + 1e-12 * power.max() + 1e-30)
    return np.asarray(levels - levels.mean(axis=1, keepdims=True))


def _longest_run(is_set: np.ndarray) -> int:
    changes = np.flatnonzero(np.diff(np.concatenate([[0], is_set.astype(np.int8), [0]])))
    return int((changes[1::2] - changes[::2]).max(initial=0))


def spread_of_brightness(body: np.ndarray, *, sr: int) -> float:
    """Return the standard deviation of the mean frequency over 20 ms parts, in semitones."""
    n = max(1, round(HOP_S * sr))
    body = body[: round(MOST_S * sr)]
    energy = block_energy(body[:-1], n)
    steps = block_energy(np.diff(body), n)
    is_loud = energy > energy.max(initial=0.0) * 10 ** (AUDIBLE_DB / 10)
    return float(6 * np.log2((steps[is_loud] + 1e-20) / (energy[is_loud] + 1e-20)).std())


def track_pitch(
    power: np.ndarray, window: np.ndarray, *, sr_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the pitch of each frame in Hz, and whether the frame is periodic [1]_.

    References
    ----------
    .. [1] P. Boersma, "Accurate short-term analysis of the fundamental frequency and the
       harmonics-to-noise ratio of a sampled sound", Proc. Inst. Phonetic Sci. 17, 97-110, 1993.
    """
    from scipy.fft import irfft

    own = irfft(frame_power(window[None], 2 * (power.shape[1] - 1))[0])
    correlation = irfft(power, axis=1)
    first, last = int(sr_hz / PITCH_HZ[1]), int(sr_hz / PITCH_HZ[0])
    zero = np.maximum(correlation[:, :1], 1e-30)
    by_lag = correlation[:, first:last] / zero / (own[first:last] / own[0])
    at = by_lag.argmax(axis=1)
    inside = (at > 0) & (at < last - first - 1)
    return sr_hz / (at + first), inside & (by_lag.max(axis=1) > PERIODIC)
