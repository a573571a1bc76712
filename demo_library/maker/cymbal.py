"""Cymbals and hats: very many modes, with energy moving from low to high modes.

The modes of a thin plate are evenly distributed in frequency [1]_; after a hard stroke energy
moves from low to high modes within a few hundredths of a second [2]_.

References
----------
.. [1] L. Cremer, M. Heckl, B. Petersson, "Structure-Borne Sound": the number of modes per Hz of a
   thin plate does not depend on frequency.
.. [2] N. H. Fletcher and T. D. Rossing, "The Physics of Musical Instruments", chapter 20: the sound
   between 3 and 5 kHz builds up after the stroke. Rates and levels here: the project's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from demo_library.maker.modes import LN_60_DB, Modes, Stroke, contact_force, noise_burst, ring_modes


@dataclass(frozen=True)
class Cymbal:
    """One cymbal, or a pair of hats at one pedal position."""

    seed: int  # fixes the modes
    spacing_hz: float  # mean distance of the modes
    t60_s: float  # decay of the low modes
    fall: float  # how much faster the high modes decay; 0 = equally fast
    wash: float  # level of the energy that moves to the high modes at full strength
    rise_s: float  # time that this takes
    contact_s: float  # contact time of the stick at full strength
    ping: float  # level of the sound of the stick
    bell: tuple[float, ...] = ()  # Hz, strong modes of the cup; empty for the bow or edge
    sizzle: float = 0.0  # level of the contact noise of two plates
    lowest_hz: float = 180.0
    tilt: float = -0.25  # exponent of frequency of the mode levels of a soft stroke


def cymbal_modes(cymbal: Cymbal, stroke: Stroke) -> Modes:
    """Return the modes of a cymbal as driven by one stroke.

    The frequencies are fixed by the seed of the cymbal; the position of the stroke sets the level
    of each mode, and a stronger stroke raises the high modes.
    """
    cast = np.random.default_rng([cymbal.seed, 7])
    n = int((19_500.0 - cymbal.lowest_hz) / cymbal.spacing_hz)
    gaps = cast.gamma(1.6, cymbal.spacing_hz / 1.6, n)
    hz = cymbal.lowest_hz + np.cumsum(gaps)
    phase = cast.uniform(0.0, 2.0 * np.pi, n) + stroke.angle * cast.integers(1, 12, n)
    gain = cast.rayleigh(0.8, n) * np.cos(phase + 4.0 * stroke.position)
    gain *= (hz / 1000.0) ** (0.4 * stroke.strength + cymbal.tilt) / np.sqrt(n)
    t60_s = cymbal.t60_s / (1.0 + (hz / 2500.0) ** 1.2 * cymbal.fall)
    t60_s *= cast.uniform(0.6, 1.4, n)
    cup = np.array(cymbal.bell)
    return Modes(
        np.concatenate([hz, cup]),
        np.concatenate([gain, 0.35 / np.arange(1, len(cup) + 1) ** 0.6]),
        np.concatenate([t60_s, cymbal.t60_s * 0.9 / np.arange(1, len(cup) + 1) ** 0.4]),
    )


def play_cymbal(
    cymbal: Cymbal, stroke: Stroke, *, length_s: float, sr: int
) -> dict[str, np.ndarray]:
    """Strike a cymbal once: "body" and "click"."""
    n = round(length_s * sr)
    modes = cymbal_modes(cymbal, stroke)
    force = contact_force(stroke, contact_s=cymbal.contact_s, n=n, sr=sr)
    body = ring_modes(modes, force, sr=sr, feed=_high_mode_force(cymbal, stroke, n=n, sr=sr))
    if cymbal.sizzle:
        body = body + _plate_contact_noise(cymbal, body, stroke, sr=sr)
    click = noise_burst(stroke.rng(21), n=n, sr=sr, band_hz=(2500.0, 15_000.0), t60_s=0.018)
    return {"body": body, "click": cymbal.ping * (0.1 + 0.9 * stroke.strength) * click}


def _high_mode_force(cymbal: Cymbal, stroke: Stroke, *, n: int, sr: int) -> np.ndarray:
    """Return the force on the high modes: noise that rises and decays, with strength squared."""
    rise = cymbal.rise_s * (1.3 - 0.5 * stroke.strength) * sr
    time = np.arange(n) / rise
    shape = time * np.exp(1.0 - time)
    level = cymbal.wash * stroke.strength**2 / np.sqrt(rise)
    return level * shape * stroke.rng(22).standard_normal(n)


def _plate_contact_noise(
    cymbal: Cymbal, body: np.ndarray, stroke: Stroke, *, sr: int
) -> np.ndarray:
    """Return the noise of two plates that touch while they vibrate."""
    swing = sosfilt(butter(2, 600.0, fs=sr, output="sos"), np.abs(body))
    meets = np.maximum(0.0, swing) * (1.0 + 0.6 * np.sin(np.cumsum(swing) * 0.05))
    noise = stroke.rng(23).standard_normal(len(body))
    high = sosfilt(butter(2, (4500.0, 16_000.0), btype="bandpass", fs=sr, output="sos"), noise)
    return cymbal.sizzle * meets * high


def press_pedal(
    cymbal: Cymbal, stroke: Stroke, *, length_s: float, sr: int
) -> dict[str, np.ndarray]:
    """Close a pair of hats with the pedal: both edges meet within a few milliseconds; "body"."""
    n = round(length_s * sr)
    rng = stroke.rng(24)
    meet = np.zeros(n)
    at = np.sort((rng.beta(2.0, 3.0, 40) * (0.012 - 0.006 * stroke.strength) * sr).astype(int))
    np.add.at(meet, at, rng.normal(0.0, 0.2, len(at)) * (0.15 + 0.85 * stroke.strength))
    closing = np.exp(-LN_60_DB * np.arange(n) / (0.35 * sr))
    return {"body": ring_modes(cymbal_modes(cymbal, stroke), meet, sr=sr) * closing}
