"""Variations of a hit as other rooms, microphones and hands would have made it; for fitting."""

from __future__ import annotations

import numpy as np

# Each: chance that it is applied. Strengths are in the functions beside their use.
CHANCES = {
    "speed": 0.8, "tilt": 0.8, "drive": 0.2, "lowpass": 0.2, "highpass": 0.15, "room": 0.35,
    "damp": 0.25, "cut": 0.25, "noise": 0.25,
}  # fmt: skip


def vary_hit(samples: np.ndarray, *, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Change speed, colour, room, decay and noise at random.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n,), mono
    sr : int, Hz
    rng : np.random.Generator

    Returns
    -------
    np.ndarray, float32, shape (m,)
    """
    y = samples.astype(np.float64)
    for name, chance in CHANCES.items():
        if rng.random() < chance:
            y = _CHANGES[name](y, sr, rng)
    return np.asarray(y / max(float(np.abs(y).max()), 1e-9) * 0.5, dtype=np.float32)


def _speed(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    octaves = rng.uniform(-0.22, 0.22)
    at = np.arange(0, len(y) - 1, 2.0**octaves)
    return np.interp(at, np.arange(len(y)), y)


def _tilt(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    """A slope of about 1 dB an octave and up to three bells, as a change of the spectrum."""
    octave = np.log2(np.maximum(np.fft.rfftfreq(len(y), 1 / sr), 20.0) / 1000.0)
    gain_db = rng.normal(0, 1.0) * np.clip(octave, -5, 4)
    for _ in range(rng.integers(0, 4)):
        center, width = rng.uniform(-4.5, 4.0), rng.uniform(0.2, 1.2)
        gain_db += rng.normal(0, 3.5) * np.exp(-0.5 * ((octave - center) / width) ** 2)
    return np.fft.irfft(np.fft.rfft(y) * 10 ** (gain_db / 20), len(y))


def _drive(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(np.tanh(y / np.abs(y).max() * rng.uniform(1, 5)))


def _pass(y: np.ndarray, sr: int, hz: float, kind: str) -> np.ndarray:
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(2, min(hz, 0.45 * sr), kind, fs=sr, output="sos"), y))


def _lowpass(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _pass(y, sr, rng.uniform(5000, 16_000), "lowpass")


def _highpass(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _pass(y, sr, rng.uniform(25, 90), "highpass")


def _room(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
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


def _cut(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    n = min(len(y), int(rng.uniform(0.1, 1.0) * sr))
    fade = min(n, int(0.02 * sr))
    out = y[:n].copy()
    out[n - fade :] *= np.linspace(1, 0, fade)
    return out


def _noise(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    return y + rng.normal(size=len(y)) * np.abs(y).max() * 10 ** (rng.uniform(-75, -42) / 20)


_CHANGES = {
    "speed": _speed, "tilt": _tilt, "drive": _drive, "lowpass": _lowpass, "highpass": _highpass,
    "room": _room, "damp": _damp, "cut": _cut, "noise": _noise,
}  # fmt: skip
