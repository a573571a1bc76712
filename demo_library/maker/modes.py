"""A bank of damped resonators, and the force of a stick, beater or hand.

Signals are float64, mono, in arbitrary units until the gain of a recording is set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, lfilter, sosfilt

LN_60_DB = np.log(1000.0)  # a decay of 60 dB is a factor of 1000
FED_HZ = 3000.0  # the second force of `ring_modes` is full above this


@dataclass(frozen=True)
class Stroke:
    """One stroke of a player."""

    strength: float  # 0 (softest) to 1 (hardest)
    position: float  # 0 (center) to 1 (edge)
    angle: float  # radians around the drum
    tension: float  # ratio to the tuned tension; varies by about 1 %
    seed: int  # of everything that the player does not control

    def rng(self, purpose: int) -> np.random.Generator:
        """Return the random generator for one purpose; purposes do not affect each other."""
        return np.random.default_rng([self.seed, purpose])


@dataclass(frozen=True, eq=False)
class Modes:
    """Resonances: frequency (Hz), amplitude, and time to decay by 60 dB (s), each shape (n,)."""

    hz: np.ndarray
    gain: np.ndarray
    t60_s: np.ndarray

    def in_band(self, *, sr: int) -> Modes:
        """Return the modes between 20 Hz and 0.46 times the sample rate."""
        keep = (self.hz > 20.0) & (self.hz < 0.46 * sr) & (np.abs(self.gain) > 0.0)
        return Modes(self.hz[keep], self.gain[keep], self.t60_s[keep])


def ring_modes(
    modes: Modes, force: np.ndarray, *, sr: int, feed: np.ndarray | None = None
) -> np.ndarray:
    """Return the sum of the responses of all modes to a force.

    `feed` is a second force for high modes: full above `FED_HZ`, falling with the square below.
    """
    total = np.zeros(len(force))
    used = modes.in_band(sr=sr)
    for hz, gain, t60_s in zip(used.hz, used.gain, used.t60_s, strict=True):
        radius = np.exp(-LN_60_DB / (t60_s * sr))
        angle = 2.0 * np.pi * hz / sr
        poles = [1.0, -2.0 * radius * np.cos(angle), radius * radius]
        drive = force if feed is None else force + min(1.0, (hz / FED_HZ) ** 2) * feed
        total += lfilter([0.0, gain * radius * np.sin(angle)], poles, drive)
    return total


def contact_force(stroke: Stroke, *, contact_s: float, n: int, sr: int) -> np.ndarray:
    """Return the force of one contact: a raised cosine, shorter for harder strokes.

    A shorter pulse has more high frequencies, so a hard stroke is brighter, not only louder. The
    contact time of an elastic ball falls with the fifth root of its speed [1]_; felt and fingers
    stiffen under load, so a larger exponent is used here (no source).

    Parameters
    ----------
    stroke : Stroke
    contact_s : float, s, above 0, at full strength
    n : int, length of the result in frames
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,); its sum increases with the strength

    References
    ----------
    .. [1] H. Hertz, "Ueber die Beruehrung fester elastischer Koerper", 1881: time of contact is
       proportional to speed to the power -1/5. The other numbers are the project's own.
    """
    speed = 0.05 + 0.95 * stroke.strength
    wobble = max(0.6, 1.0 + 0.12 * stroke.rng(1).standard_normal())
    width = max(3, round(sr * contact_s * wobble * speed**-0.35))
    pulse = 1.0 - np.cos(2.0 * np.pi * np.arange(1, width) / width)
    force = np.zeros(n)
    kept = min(n, len(pulse))
    force[:kept] = (speed / pulse.sum()) * pulse[:kept]
    return force


def noise_burst(
    rng: np.random.Generator, *, n: int, sr: int, band_hz: tuple[float, float], t60_s: float
) -> np.ndarray:
    """Return `n` frames of decaying band-limited noise, peak about 1: the click of a contact."""
    high = min(band_hz[1], 0.45 * sr)
    sos = butter(2, (band_hz[0], high), btype="bandpass", fs=sr, output="sos")
    noise = sosfilt(sos, rng.standard_normal(n))
    shaped = noise * np.exp(-LN_60_DB * np.arange(n) / (t60_s * sr))
    return shaped / max(1e-9, np.abs(shaped).max())


def glide_pitch(signal: np.ndarray, *, sr: int, sharp: float, settle_s: float) -> np.ndarray:
    """Raise the pitch at the start and let it fall, as the tension of a struck head does.

    Parameters
    ----------
    signal : np.ndarray, shape (n,)
    sr : int, Hz, above 0
    sharp : float, relative rise of the pitch at the start, such as 0.05
    settle_s : float, s, above 0; time constant of the fall
    """
    time_s = np.arange(len(signal)) / sr
    warped = time_s + sharp * settle_s * (1.0 - np.exp(-time_s / settle_s))
    spline = CubicSpline(time_s, signal)
    return np.where(warped <= time_s[-1], spline(np.minimum(warped, time_s[-1])), 0.0)


def jitter(values: np.ndarray, rng: np.random.Generator, *, share: float) -> np.ndarray:
    """Vary values by a relative standard deviation, never below a tenth of the value."""
    return values * np.maximum(0.1, 1.0 + share * rng.standard_normal(len(values)))
