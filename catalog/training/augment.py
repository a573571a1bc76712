"""Augment a hit: vary it as other rooms, microphones and players would."""

from __future__ import annotations

import numpy as np


def augment_hit(samples: np.ndarray, *, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Change speed, spectrum, room, decay and noise at random.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,), mono
    sr : int, Hz

    Returns
    -------
    np.ndarray, float32, shape (m,)
    """
    y = samples.astype(np.float64)
    for probability, change in CHANGES:
        if rng.random() < probability:
            y = change(y, sr, rng)
    return np.asarray(y / max(float(np.abs(y).max()), 1e-9) * 0.5, dtype=np.float32)


def _change_speed(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    octaves = rng.uniform(-0.22, 0.22)
    return np.interp(np.arange(0, len(y) - 1, 2.0**octaves), np.arange(len(y)), y)


def _tilt(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Apply a slope of about 1 dB an octave and up to three bells, with zero phase."""
    octave = np.log2(np.maximum(np.fft.rfftfreq(len(y), 1 / sr), 20.0) / 1000.0)
    gain_db = rng.normal(0, 1.0) * np.clip(octave, -5, 4)
    for _ in range(rng.integers(0, 4)):
        center, width = rng.uniform(-4.5, 4.0), rng.uniform(0.2, 1.2)
        gain_db += rng.normal(0, 3.5) * np.exp(-0.5 * ((octave - center) / width) ** 2)
    return np.fft.irfft(np.fft.rfft(y) * 10 ** (gain_db / 20), len(y))


def _drive(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(np.tanh(y / np.abs(y).max() * rng.uniform(1, 5)))


def _filter(y: np.ndarray, sr: int, hz: float, kind: str) -> np.ndarray:
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(2, min(hz, 0.45 * sr), kind, fs=sr, output="sos"), y))


def _lowpass(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _filter(y, sr, rng.uniform(5000, 16_000), "lowpass")


def _highpass(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _filter(y, sr, rng.uniform(25, 90), "highpass")


def _reverberate(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    from scipy.signal import oaconvolve

    t60 = rng.uniform(0.08, 0.9)
    n = int(t60 * sr)
    tail = rng.normal(size=n) * np.exp(-6.91 * np.arange(n) / sr / t60)
    wet = oaconvolve(y, tail)[: len(y) + n // 2]
    wet *= 10 ** (rng.uniform(-30, -8) / 20) * np.sqrt(np.square(y).sum() / np.square(wet).sum())
    wet[: len(y)] += y
    return np.asarray(wet)


def _damp(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(y * np.exp(-np.arange(len(y)) / sr / rng.uniform(0.05, 0.8)))


def _cut_tail(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    n = min(len(y), int(rng.uniform(0.1, 1.0) * sr))
    fade = min(n, int(0.02 * sr))
    out = y[:n].copy()
    out[n - fade :] *= np.linspace(1, 0, fade)
    return out


def _add_noise(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return y + rng.normal(size=len(y)) * np.abs(y).max() * 10 ** (rng.uniform(-75, -42) / 20)


CHANGES = (  # probability, and the change
    (0.8, _change_speed), (0.8, _tilt), (0.2, _drive), (0.2, _lowpass), (0.15, _highpass),
    (0.35, _reverberate), (0.25, _damp), (0.25, _cut_tail), (0.25, _add_noise),
)  # fmt: skip
