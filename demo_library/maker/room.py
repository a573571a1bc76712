"""Room and microphone: delay, air absorption, early reflections, tail, coloration, noise."""

from __future__ import annotations

import itertools
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
    """A room."""

    size_m: tuple[float, float, float]
    t60_s: tuple[float, float, float]  # below 300 Hz, from 300 Hz to 3 kHz, and above
    wall: float  # share of the amplitude that a wall reflects
    rumble_db: float  # dBFS rms, low-frequency room noise in a finished recording
    hum_hz: float  # mains frequency; 0 = no hum
    seed: int


@dataclass(frozen=True)
class Microphone:
    """One microphone (or one capsule of a stereo recorder)."""

    name: str
    distance_m: float  # from the drum
    direction: tuple[float, float, float] = (0.3, 0.2, 1.0)  # from the drum, any length
    low_db: float = 0.0  # gain of the shelf below 150 Hz
    high_db: float = 0.0  # gain of the shelf above 6 kHz
    low_cut_hz: float = 25.0
    high_cut_hz: float = 19_000.0
    hiss_db: float = -84.0  # dBFS rms, self-noise in a finished recording
    part_gains: Mapping[str, float] = field(default_factory=dict)  # 1.0 for parts not named
    reverb: float = 1 / 3  # share of the diffuse power; a cardioid's, 1 if omnidirectional
    level_db: float = 0.0  # relative to the gain of the drum


def impulse_response(room: Room, microphone: Microphone, *, place: int, sr: int) -> np.ndarray:
    """Return the impulse response from drum to microphone: direct sound, reflections, tail.

    `place` is the seed of the position of the drum. The response starts at the impulse, so the
    direct sound is delayed by its path.
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
    for mirrors in itertools.product(MIRRORS, repeat=3):
        order = np.array(mirrors)
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
    decays = [np.exp(-LN_60_DB * time_s / t60_s) for t60_s in room.t60_s]
    tail = sum(band * decay for band, decay in zip(bands, decays, strict=True))
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
    """Record the parts of a stroke with a microphone, without noise."""
    dry = sum(microphone.part_gains.get(name, 1.0) * part for name, part in parts.items())
    return fftconvolve(np.asarray(dry), response)[: len(dry)]


def room_noise(
    room: Room, microphone: Microphone, rng: np.random.Generator, *, n: int, sr: int
) -> np.ndarray:
    """Return `n` frames of background noise: rumble, hum, and self-noise of the microphone."""
    low = sosfilt(butter(1, 120.0, fs=sr, output="sos"), rng.standard_normal(n + sr))[sr:]
    noise = 10.0 ** (room.rumble_db / 20.0) * low / max(1e-12, np.sqrt(np.mean(low**2)))
    noise += 10.0 ** (microphone.hiss_db / 20.0) * rng.standard_normal(n)
    if room.hum_hz:
        phase = 2.0 * np.pi * room.hum_hz * (np.arange(n) / sr + rng.uniform())
        noise += 10.0 ** ((room.rumble_db - 6.0) / 20.0) * (np.sin(phase) + 0.4 * np.sin(3 * phase))
    return noise
