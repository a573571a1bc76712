"""Hard things: bars, plates, pots, boxes, and hands that clap. Each is a short list of modes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_library.maker.modes import Modes, Stroke, burst, push, ring, spread

FREE_BAR = (1.0, 2.756, 5.404, 8.933)  # Fletcher and Rossing, chapter 2: bar with free ends


@dataclass(frozen=True)
class Solid:
    """A thing that is struck.

    Attributes
    ----------
    hz : float, Hz, lowest mode
    ratios : tuple of float, of the modes to the lowest
    t60_s : float, s, of the lowest mode
    contact_s : float, s, at full strength
    loss : float, how much faster high modes die
    twin : float, share by which modes come in pairs that beat; 0 = single
    knock : float, level of the contact's noise
    knock_hz : tuple of float, Hz, its band
    seed : int, fixes how loud the modes are
    wander : float, share by which each mode's pitch differs from stroke to stroke, as the grip does
    """

    hz: float
    ratios: tuple[float, ...]
    t60_s: float
    contact_s: float
    loss: float = 0.5
    twin: float = 0.0
    knock: float = 0.1
    knock_hz: tuple[float, float] = (800.0, 8000.0)
    seed: int = 1
    wander: float = 0.003


def solid_modes(thing: Solid, stroke: Stroke) -> Modes:
    """Modes of a thing as one stroke drives them; the place of the stroke weighs them.

    Parameters
    ----------
    thing : Solid
    stroke : Stroke

    Returns
    -------
    Modes
    """
    ratios = np.array(thing.ratios)
    own = np.random.default_rng([thing.seed, 9])
    loud = own.uniform(0.5, 1.0, len(ratios)) / ratios**0.3
    shift = own.uniform(0.0, 1.0, len(ratios))
    place = np.cos(np.arange(len(ratios)) * (0.4 + stroke.position) + shift)
    gain = spread(loud * (0.12 + place**2), stroke.rng(35), share=0.25)
    hz = spread(thing.hz * ratios, stroke.rng(31), share=thing.wander) * np.sqrt(stroke.tension)
    t60_s = thing.t60_s / ratios**thing.loss
    t60_s = spread(t60_s, stroke.rng(32), share=0.25)
    if not thing.twin:
        return Modes(hz, gain, t60_s)
    second = gain * np.abs(np.sin(stroke.angle + np.arange(len(ratios))))
    return Modes(
        np.concatenate([hz, hz * (1.0 + thing.twin)]),
        np.concatenate([gain, second]),
        np.concatenate([t60_s, t60_s]),
    )


def play_solid(thing: Solid, stroke: Stroke, *, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Strike a thing once.

    Parameters
    ----------
    thing : Solid
    stroke : Stroke
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    dict of part to np.ndarray, shape (n,): "body" and "click"
    """
    n = round(length_s * sr)
    force = push(stroke, contact_s=thing.contact_s, n=n, sr=sr)
    body = ring(solid_modes(thing, stroke), force, sr=sr)
    knock = burst(stroke.rng(33), n=n, sr=sr, band_hz=thing.knock_hz, t60_s=0.025)
    loud = thing.knock * (0.05 + stroke.strength**1.6) * stroke.rng(36).uniform(0.6, 1.4)
    return {"body": body, "click": loud * knock}


def clap_hands(stroke: Stroke, *, n_hands: int, length_s: float, sr: int) -> dict[str, np.ndarray]:
    """Clap: hands that meet within some hundredths of a second, each a short burst.

    Parameters
    ----------
    stroke : Stroke
    n_hands : int, above 0
    length_s : float, s
    sr : int, Hz, above 0

    Returns
    -------
    dict of part to np.ndarray, shape (n,): "body"
    """
    rng = stroke.rng(34)
    n = round(length_s * sr)
    body = np.zeros(n)
    late = np.sort(rng.uniform(0.0, 0.024, n_hands))
    starts = ((late - late[0]) * sr).astype(int)
    for at, loud in zip(starts, rng.uniform(0.5, 1.0, n_hands), strict=True):
        middle = rng.uniform(900.0, 1500.0) * (0.8 + 0.4 * stroke.strength)
        band_hz = (0.6 * middle, 2.4 * middle)
        palm = burst(rng, n=n - at, sr=sr, band_hz=band_hz, t60_s=rng.uniform(0.03, 0.06))
        skin = burst(rng, n=n - at, sr=sr, band_hz=(2500.0, 11_000.0), t60_s=0.015)
        body[at:] += loud * (palm + 0.5 * stroke.strength * skin)
    return {"body": body * (0.05 + 0.95 * stroke.strength)}
