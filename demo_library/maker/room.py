"""Room and microphone: delay, air absorption, early reflections, tail, coloration, noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from demo_library.maker.modes import LN_60_DB

SPEED_OF_SOUND = 343.0  # m/s at 20 degrees C; 2.9 ms per metre
AIR_DB = 1.6e-9  # dB per metre and Hz squared, about ISO 9613-1 at 20 degrees C and 50 %; rounded
MIRRORS = (-1, 0, 1)  # image sources per axis: one reflection from each wall


@dataclass(frozen=True)
class Room:
    """A room.

    Attributes
    ----------
    size_m : tuple of float, m
    t60_s : tuple of float, s, reverberation time below 300 Hz, from 300 Hz to 3 kHz, and above
    wall : float, share of the amplitude that a wall reflects
    rumble_db : float, dBFS rms, low-frequency room noise in a finished recording
    hum_hz : float, Hz, mains frequency; 0 = no hum
    seed : int
    """

    size_m: tuple[float, float, float]
    t60_s: tuple[float, float, float]
    wall: float
    rumble_db: float
    hum_hz: float
    seed: int


@dataclass(frozen=True)
class Microphone:
    """One microphone (or one capsule of a stereo recorder).

    Attributes
    ----------
    name : str
    distance_m : float, m, from the drum
    direction : tuple of float, from the drum, any length
    low_db, high_db : float, dB, gain of the shelves below 150 Hz and above 6 kHz
    low_cut_hz, high_cut_hz : float, Hz
    hiss_db : float, dBFS rms, self-noise in a finished recording
    part_gains : mapping of part to amplitude; 1.0 for parts not named
    reverb : float, share of the diffuse power it picks up: 1/3 for a cardioid, 1 for an
        omnidirectional capsule (textbook values)
    level_db : float, dB, relative to the gain of the drum
    """

    name: str
    distance_m: float
    direction: tuple[float, float, float] = (0.3, 0.2, 1.0)
    low_db: float = 0.0
    high_db: float = 0.0
    low_cut_hz: float = 25.0
    high_cut_hz: float = 19_000.0
    hiss_db: float = -84.0
    part_gains: Mapping[str, float] = field(default_factory=dict)
    reverb: float = 1 / 3
    level_db: float = 0.0


def impulse_response(room: Room, microphone: Microphone, *, place: int, sr: int) -> np.ndarray:
    """Return the impulse response from drum to microphone: direct sound, reflections, tail.

    Parameters
    ----------
    room : Room
    microphone : Microphone
    place : int, seed of the position of the drum
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,); starts at the impulse, so the direct sound is delayed by its path
    """
    rng = np.random.default_rng([room.seed, place, 3])
    size = np.array(room.size_m)
    source = size * np.array([*rng.uniform(0.3, 0.6, 2), 0.3])
    way = np.array(microphone.direction) / np.linalg.norm(microphone.direction)
    receiver = np.clip(source + microphone.distance_m * way, 0.05, size - 0.05)
    n = round((0.1 + max(room.t60_s)) * sr)
    response = _reflections(room, source, receiver, n=n, sr=sr)
    response += _tail(room, microphone, n=n, sr=sr)
    return _color(response, microphone, sr=sr)


def _reflections(
    room: Room, source: np.ndarray, receiver: np.ndarray, *, n: int, sr: int
) -> np.ndarray:
    """Return the direct sound and the first reflections, by image sources."""
    size = np.array(room.size_m)
    hz = np.fft.rfftfreq(n, 1.0 / sr)
    spectrum = np.zeros(len(hz), dtype=complex)
    for ix in MIRRORS:
        for iy in MIRRORS:
            for iz in MIRRORS:
                order = np.array([ix, iy, iz])
                image = np.where(order == 0, source, np.where(order > 0, 2 * size, 0) - source)
                way = float(np.linalg.norm(image - receiver))
                bounces = int(np.abs(order).sum())
                air_db = AIR_DB * way * hz**2 + bounces * 1.5 * np.minimum(1.0, hz / 6000.0)
                level = room.wall**bounces / way * 10.0 ** (-air_db / 20.0)
                spectrum += level * np.exp(-2j * np.pi * hz * way / SPEED_OF_SOUND)
    return np.fft.irfft(spectrum, n)


def _tail(room: Room, microphone: Microphone, *, n: int, sr: int) -> np.ndarray:
    """Return decaying noise in three bands, at the diffuse level of the room.

    At the distance 0.057 sqrt(V / T60) direct and diffuse sound are equal (Sabine; V in m³).
    """
    rng = np.random.default_rng([room.seed, *microphone.name.encode()])
    noise = rng.standard_normal(n)
    low = sosfilt(butter(1, 300.0, fs=sr, output="sos"), noise)
    high = sosfilt(butter(1, 3000.0, btype="highpass", fs=sr, output="sos"), noise)
    bands = (low, noise - low - high, high)
    time_s = np.arange(n) / sr
    tail = sum(
        band * np.exp(-LN_60_DB * time_s / t60) for band, t60 in zip(bands, room.t60_s, strict=True)
    )
    size = np.prod(room.size_m)
    start_s = (microphone.distance_m + 0.35 * size ** (1 / 3)) / SPEED_OF_SOUND
    tail *= 1.0 - np.exp(-np.maximum(0.0, time_s - start_s) / 0.008)
    equal_m = 0.057 * np.sqrt(size / room.t60_s[1])
    return tail * np.sqrt(microphone.reverb / np.sum(tail**2)) / equal_m


def _color(response: np.ndarray, microphone: Microphone, *, sr: int) -> np.ndarray:
    """Apply the frequency response of a microphone: shelves without delay, and band limits."""
    hz = np.fft.rfftfreq(len(response), 1.0 / sr)
    low = 10.0 ** (microphone.low_db / 20.0 / (1.0 + (hz / 150.0) ** 2))
    high = 10.0 ** (microphone.high_db / 20.0 * (1.0 - 1.0 / (1.0 + (hz / 6000.0) ** 2)))
    colored = np.fft.irfft(np.fft.rfft(response) * low * high, len(response))
    cut = butter(2, microphone.low_cut_hz, btype="highpass", fs=sr, output="sos")
    end = butter(2, min(microphone.high_cut_hz, 0.45 * sr), fs=sr, output="sos")
    return sosfilt(end, sosfilt(cut, colored))


def record_parts(
    parts: Mapping[str, np.ndarray], microphone: Microphone, response: np.ndarray
) -> np.ndarray:
    """Record the parts of a stroke with a microphone.

    Parameters
    ----------
    parts : mapping of part to np.ndarray, all of shape (n,)
    microphone : Microphone
    response : np.ndarray, from `impulse_response`

    Returns
    -------
    np.ndarray, shape (n,), without noise
    """
    dry = sum(microphone.part_gains.get(name, 1.0) * part for name, part in parts.items())
    return fftconvolve(np.asarray(dry), response)[: len(dry)]


def room_noise(
    room: Room, microphone: Microphone, rng: np.random.Generator, *, n: int, sr: int
) -> np.ndarray:
    """Return the background noise: rumble, hum, and the self-noise of the microphone.

    Parameters
    ----------
    room : Room
    microphone : Microphone
    rng : np.random.Generator
    n : int, frames
    sr : int, Hz, above 0

    Returns
    -------
    np.ndarray, shape (n,), full scale 1.0
    """
    low = sosfilt(butter(1, 120.0, fs=sr, output="sos"), rng.standard_normal(n + sr))[sr:]
    noise = 10.0 ** (room.rumble_db / 20.0) * low / max(1e-12, np.sqrt(np.mean(low**2)))
    noise += 10.0 ** (microphone.hiss_db / 20.0) * rng.standard_normal(n)
    if room.hum_hz:
        phase = 2.0 * np.pi * room.hum_hz * (np.arange(n) / sr + rng.uniform())
        noise += 10.0 ** ((room.rumble_db - 6.0) / 20.0) * (np.sin(phase) + 0.4 * np.sin(3 * phase))
    return noise
