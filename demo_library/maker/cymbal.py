"""Cymbals and hats: very many modes, the high ones fed by the low ones while the metal swings.

A thin plate has its modes evenly spread in frequency [1]_; a hard stroke makes it bend so far that
energy climbs from low modes to high ones within some hundredths of a second [2]_.

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

from demo_library.maker.modes import LN_60_DB, Modes, Stroke, burst, push, ring


@dataclass(frozen=True)
class Cymbal:
    """One cymbal, or a pair of hats in one position of the foot.

    Attributes
    ----------
    seed : int, which casting it is: fixes the modes
    spacing_hz : float, mean distance of the modes
    t60_s : float, s, of the low modes
    fall : float, how much faster the high modes decay; 0 = as slow as the low ones
    wash : float, level of what climbs to the high modes at full strength
    rise_s : float, s, how long that takes
    contact_s : float, s, of the stick at full strength
    ping : float, level of the stick's own sound
    bell : tuple of float, Hz, strong modes of the cup; empty = struck on the bow or edge
    sizzle : float, level of plates that touch while they swing
    lowest_hz : float, Hz
    tilt : float, power of frequency by which the modes of a soft stroke get louder upwards
    """

    seed: int
    spacing_hz: float
    t60_s: float
    fall: float
    wash: float
    rise_s: float
    contact_s: float
    ping: float
    bell: tuple[float, ...] = ()
    sizzle: float = 0.0
    lowest_hz: float = 180.0
    tilt: float = -0.25


def cymbal_modes(cymbal: Cymbal, stroke: Stroke) -> Modes:
    """Modes of a cymbal as one stroke drives them.

    The casting fixes the frequencies; where the stick lands changes how much each mode gets, and
    the strength lets the highs come forward.

    Parameters
    ----------
    cymbal : Cymbal
    stroke : Stroke

    Returns
    -------
    Modes
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
    """Strike a cymbal once.

    Parameters
    ----------
    cymbal : Cymbal
    stroke : Stroke
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    dict of part to np.ndarray, shape (n,): "body" and "click"
    """
    n = round(length_s * sr)
    modes = cymbal_modes(cymbal, stroke)
    force = push(stroke, contact_s=cymbal.contact_s, n=n, sr=sr)
    body = ring(modes, force, sr=sr, feed=_climb(cymbal, stroke, n=n, sr=sr))
    if cymbal.sizzle:
        body = body + _touching(cymbal, body, stroke, sr=sr)
    click = burst(stroke.rng(21), n=n, sr=sr, band_hz=(2500.0, 15_000.0), t60_s=0.018)
    return {"body": body, "click": cymbal.ping * (0.1 + 0.9 * stroke.strength) * click}


def _climb(cymbal: Cymbal, stroke: Stroke, *, n: int, sr: int) -> np.ndarray:
    """Force on the high modes: noise that swells and is spent, steeply rising with strength."""
    rise = cymbal.rise_s * (1.3 - 0.5 * stroke.strength) * sr
    time = np.arange(n) / rise
    shape = time * np.exp(1.0 - time)
    level = cymbal.wash * stroke.strength**2 / np.sqrt(rise)
    return level * shape * stroke.rng(22).standard_normal(n)


def _touching(cymbal: Cymbal, body: np.ndarray, stroke: Stroke, *, sr: int) -> np.ndarray:
    """Noise of two plates that touch each time they swing together."""
    swing = sosfilt(butter(2, 600.0, fs=sr, output="sos"), np.abs(body))
    meets = np.maximum(0.0, swing) * (1.0 + 0.6 * np.sin(np.cumsum(swing) * 0.05))
    noise = stroke.rng(23).standard_normal(len(body))
    high = sosfilt(butter(2, (4500.0, 16_000.0), btype="bandpass", fs=sr, output="sos"), noise)
    return cymbal.sizzle * meets * high


def press_pedal(
    cymbal: Cymbal, stroke: Stroke, *, length_s: float, sr: int
) -> dict[str, np.ndarray]:
    """Close hats with the foot: no stick, two edges that meet over a few milliseconds.

    Parameters
    ----------
    cymbal : Cymbal
        the pair while it is held
    stroke : Stroke
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    dict of part to np.ndarray, shape (n,): "body"
    """
    n = round(length_s * sr)
    rng = stroke.rng(24)
    meet = np.zeros(n)
    at = np.sort((rng.beta(2.0, 3.0, 40) * (0.012 - 0.006 * stroke.strength) * sr).astype(int))
    np.add.at(meet, at, rng.normal(0.0, 0.2, len(at)) * (0.15 + 0.85 * stroke.strength))
    closing = np.exp(-LN_60_DB * np.arange(n) / (0.35 * sr))
    return {"body": ring(cymbal_modes(cymbal, stroke), meet, sr=sr) * closing}
