"""A body that rings: a bank of damped resonators, and the push that a stick or hand gives it.

Signals are float64, mono, in arbitrary units until a microphone hears them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, lfilter, sosfilt

LN_60_DB = np.log(1000.0)  # a decay of 60 dB is a factor of 1000
FED_HZ = 3000.0


@dataclass(frozen=True)
class Stroke:
    """What a player does once.

    Attributes
    ----------
    strength : float, 0 (barely) to 1 (as hard as one plays)
    position : float, 0 (centre) to 1 (edge)
    angle : float, radians round the drum
    tension : float, ratio to the drum as it was tuned; drifts by a few parts in a thousand
    seed : int, of everything in this stroke that no player controls
    """

    strength: float
    position: float
    angle: float
    tension: float
    seed: int

    def rng(self, purpose: int) -> np.random.Generator:
        """Give a generator of its own for one purpose, so that parts do not disturb each other."""
        return np.random.default_rng([self.seed, purpose])


@dataclass(frozen=True, eq=False)
class Modes:
    """Resonances: frequency (Hz), amplitude, and time to fall by 60 dB (s), each shape (n,)."""

    hz: np.ndarray
    gain: np.ndarray
    t60_s: np.ndarray

    def heard(self, *, sr: int) -> Modes:
        """Keep what lies well inside the band that `sr` can carry."""
        keep = (self.hz > 20.0) & (self.hz < 0.46 * sr) & (np.abs(self.gain) > 0.0)
        return Modes(self.hz[keep], self.gain[keep], self.t60_s[keep])


def ring(modes: Modes, force: np.ndarray, *, sr: int, feed: np.ndarray | None = None) -> np.ndarray:
    """Let every mode answer a force and add them up.

    Parameters
    ----------
    modes : Modes
    force : np.ndarray, shape (n,)
    sr : int, Hz, above 0
    feed : np.ndarray, shape (n,), optional
        a second force that reaches high modes alone: full above `FED_HZ`, less and less below

    Returns
    -------
    np.ndarray, shape (n,)
    """
    total = np.zeros(len(force))
    used = modes.heard(sr=sr)
    for hz, gain, t60_s in zip(used.hz, used.gain, used.t60_s, strict=True):
        radius = np.exp(-LN_60_DB / (t60_s * sr))
        turn = 2.0 * np.pi * hz / sr
        poles = [1.0, -2.0 * radius * np.cos(turn), radius * radius]
        drive = force if feed is None else force + min(1.0, (hz / FED_HZ) ** 2) * feed
        total += lfilter([0.0, gain * radius * np.sin(turn)], poles, drive)
    return total


def push(stroke: Stroke, *, contact_s: float, n: int, sr: int) -> np.ndarray:
    """Force of one contact: a raised cosine that gets shorter as the stroke gets harder.

    A short push holds more high frequencies, so a hard stroke is brighter, not only louder. The
    contact of an elastic ball gets shorter with the fifth root of its speed [1]_; felt and
    fingers stiffen as they are squeezed and do so more, hence the exponent here (no source).

    Parameters
    ----------
    stroke : Stroke
    contact_s : float, s, above 0; of a stroke at full strength
    n : int, frames of the result
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,); its sum grows with the strength

    References
    ----------
    .. [1] H. Hertz, "Ueber die Beruehrung fester elastischer Koerper", 1881: time of contact is
       proportional to speed to the power -1/5. The rest is the project's own choice.
    """
    speed = 0.05 + 0.95 * stroke.strength
    wobble = max(0.6, 1.0 + 0.12 * stroke.rng(1).standard_normal())
    width = max(3, round(sr * contact_s * wobble * speed**-0.35))
    pulse = 1.0 - np.cos(2.0 * np.pi * np.arange(1, width) / width)
    force = np.zeros(n)
    kept = min(n, len(pulse))
    force[:kept] = (speed / pulse.sum()) * pulse[:kept]
    return force


def burst(
    rng: np.random.Generator, *, n: int, sr: int, band_hz: tuple[float, float], t60_s: float
) -> np.ndarray:
    """Noise in a band that dies away: the scrape and click of a contact.

    Parameters
    ----------
    rng : np.random.Generator
    n : int, frames
    sr : int, Hz, above 0
    band_hz : tuple of float, Hz, lower and upper edge
    t60_s : float, s, above 0

    Returns
    -------
    np.ndarray, shape (n,), peak about 1
    """
    high = min(band_hz[1], 0.45 * sr)
    sos = butter(2, (band_hz[0], high), btype="bandpass", fs=sr, output="sos")
    noise = sosfilt(sos, rng.standard_normal(n))
    shaped = noise * np.exp(-LN_60_DB * np.arange(n) / (t60_s * sr))
    return shaped / max(1e-9, np.abs(shaped).max())


def bend(signal: np.ndarray, *, sr: int, sharp: float, settle_s: float) -> np.ndarray:
    """Start a sound sharp and let it settle, as a head does that a stroke has stretched.

    Parameters
    ----------
    signal : np.ndarray, shape (n,)
    sr : int, Hz, above 0
    sharp : float, share by which the pitch is too high at the start, such as 0.05
    settle_s : float, s, above 0; by then it has come down by 1/e

    Returns
    -------
    np.ndarray, shape (n,)
    """
    time_s = np.arange(len(signal)) / sr
    warped = time_s + sharp * settle_s * (1.0 - np.exp(-time_s / settle_s))
    spline = CubicSpline(time_s, signal)
    return np.where(warped <= time_s[-1], spline(np.minimum(warped, time_s[-1])), 0.0)


def spread(values: np.ndarray, rng: np.random.Generator, *, share: float) -> np.ndarray:
    """Vary numbers by a share of themselves (standard deviation), never below a tenth."""
    return values * np.maximum(0.1, 1.0 + share * rng.standard_normal(len(values)))
