"""Recognize voices: a pitch that glides while the formants over it move.

The pitch of a drum is constant, or falls as its head relaxes, and its spectrum only gets darker.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from catalog.features.envelope import block_energy
from catalog.features.events.contour import AUDIBLE_DB, Contour
from catalog.features.spectrum import decimate, frame_power, symmetric_hann

FRAME_S, HOP_S = 0.040, 0.020  # three periods of the lowest pitch
MOST_S = 2.0  # of a hit
SR_HZ = 8_000.0  # at least; formants lie below 4 kHz
PITCH_HZ = (75.0, 400.0)  # of speaking voices, with a margin
PERIODIC = 0.75  # correlation of a frame with itself a period later
GLIDE = 1.5  # semitones between two frames of one contour
# How long a syllable takes to rise, how long it is loud, and its level 200 ms after its start.
RISE_S, LEAST_S, LATER_DB = 0.010, 0.12, -9.0
# Semitones by which brightness spreads over 20 ms parts; a voice without it has a steady level.
UNSTEADY, STEADY_DB = 3.5, -1.5
ENDS_HZ = (60.0, 700.0)
# Voiced share, share in contours, and spread of brightness and of pitch in semitones; of recorded
# speech 90 % have more than 0.7, 0.5, 3 and 3, and of strokes none has all four.
SPEECH = (0.55, 0.40, 2.2, 2.2)
BRIGHT_SHARE = 0.3  # most of the energy of a voice lies below 700 Hz
SPARSE, LEAST_FRAMES, HARDLY_VOICED = 4, 6, 0.3  # frames that are looked at first
# The same for voices with steady formants, as in song; they must be as steady in level.
SUNG, SUNG_STEADY_DB, SUNG_SPREAD = (0.65, 0.60, 0.0, 1.2), -4.0, 7.0
SUNG_BRIGHT = (0.1, 0.6)


class _Voicing(NamedTuple):
    voiced: float
    in_contours: float
    brightness_spread: float
    pitch_spread: float
    bright_share: float


def may_be_voice(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return at little cost whether a hit rises, lasts and changes as syllables do."""
    later_db = contour.later_db(0.2)
    if contour.attack_s < RISE_S or contour.length_s < LEAST_S or later_db <= LATER_DB:
        return False
    return later_db > STEADY_DB or _spread_of_brightness(body[: round(MOST_S * sr)], sr) > UNSTEADY


def _spread_of_brightness(body: np.ndarray, sr: int) -> float:
    """Return the standard deviation of the mean frequency over 20 ms parts, in semitones."""
    n = max(1, round(HOP_S * sr))
    energy = block_energy(body[:-1], n)
    steps = block_energy(np.diff(body), n)
    is_loud = energy > energy.max(initial=0.0) * 10 ** (AUDIBLE_DB / 10)
    return float(6 * np.log2((steps[is_loud] + 1e-20) / (energy[is_loud] + 1e-20)).std())


def is_voice(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a hit that `may_be_voice` is one."""
    found = _measure_voicing(body, sr=sr)
    is_speech = all(a >= b for a, b in zip(found[:4], SPEECH, strict=True))
    if is_speech and found.bright_share < BRIGHT_SHARE:
        return True
    is_sung = all(a >= b for a, b in zip(found[:4], SUNG, strict=True))
    low, high = SUNG_BRIGHT
    is_sung &= found.pitch_spread < SUNG_SPREAD and low < found.bright_share < high
    return is_sung and contour.later_db(0.2) > SUNG_STEADY_DB


def _measure_voicing(body: np.ndarray, *, sr: int) -> _Voicing:
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
        _, periodic = _track_pitch(frame_power(some * window, size), window, sr_hz=sr_hz)
        if periodic.mean() < HARDLY_VOICED:
            return _Voicing(float(periodic.mean()), 0.0, 0.0, 0.0, 1.0)
    power = frame_power(frames * window, size)
    pitch_hz, periodic = _track_pitch(power, window, sr_hz=sr_hz)
    is_next = np.diff(np.flatnonzero(is_loud)) == 1
    steps = np.abs(np.diff(12 * np.log2(pitch_hz)))
    gliding = is_next & periodic[1:] & periodic[:-1] & (steps < GLIDE)
    hz = np.arange(power.shape[1]) * sr_hz / size
    bright_share = float(power[:, hz > ENDS_HZ[1]].sum() / max(power.sum(), 1e-30))
    power[:, hz < ENDS_HZ[0]] = 0.0
    brightness = power @ np.log2(hz + 1.0) / np.maximum(power.sum(axis=1), 1e-30)
    few = periodic.sum() < 4
    return _Voicing(
        float(periodic.mean()), float(gliding.sum() / len(frames)),
        0.0 if few else float(12 * brightness[periodic].std()),
        0.0 if few else float((12 * np.log2(pitch_hz[periodic])).std()), bright_share,
    )  # fmt: skip


def _track_pitch(
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
