"""Sounds whose answers are arithmetic. All mono float32 unless said, full scale 1.0."""

from __future__ import annotations

import numpy as np

SR = 48_000


def decaying_sine(
    hz: float, t60_s: float, *, length_s: float = 1.0, sr: int = SR, amplitude: float = 0.5
) -> np.ndarray:
    """A tone that falls 60 dB in `t60_s`, starting at its zero crossing."""
    t = np.arange(round(length_s * sr)) / sr
    return (amplitude * np.sin(2 * np.pi * hz * t) * 10 ** (-3 * t / t60_s)).astype(np.float32)


def decaying_noise(
    t60_s: float, *, seed: int, length_s: float = 0.6, sr: int = SR, amplitude: float = 0.5
) -> np.ndarray:
    """White noise that falls 60 dB in `t60_s`."""
    t = np.arange(round(length_s * sr)) / sr
    noise = np.random.default_rng(seed).normal(size=len(t))
    y = noise * 10 ** (-3 * t / t60_s)
    return (amplitude * y / np.abs(y).max()).astype(np.float32)


def drum_stroke(
    hz: float = 110.0, *, seed: int = 0, sr: int = SR, strength: float = 1.0
) -> np.ndarray:
    """A crude drum: a gliding tone and a burst of noise, different in detail for each seed."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(0.7 * sr)) / sr
    glide = hz * (1 + 0.1 * strength * np.exp(-t / 0.03)) * (1 + 0.002 * rng.normal())
    tone = np.sin(2 * np.pi * np.cumsum(glide) / sr + 0.2 * rng.normal())
    y = tone * np.exp(-t / (0.12 + 0.01 * rng.normal()))
    for partial in (1.593, 2.136, 2.295, 2.653):
        phase, weight = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.4)
        y += weight * np.sin(2 * np.pi * hz * partial * t + phase) * np.exp(-t / 0.08)
    y += 0.4 * strength * rng.normal(size=len(t)) * np.exp(-t / 0.02)
    lead = round(0.01 * sr)
    return (0.6 * strength * np.concatenate([np.zeros(lead), y / np.abs(y).max()])).astype(
        np.float32
    )


def as_frames(mono: np.ndarray, n_channels: int = 1) -> np.ndarray:
    """The same in every channel, shape (n, n_channels)."""
    return np.repeat(mono[:, None], n_channels, axis=1)
