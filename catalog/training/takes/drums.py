"""Make drums: plain tones and noise, and struck bodies of modes and bands of noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.features.onset import ONSET_SHARE
from catalog.training.takes.disturbances import SR, filter_noise, peak_of

N_PLAIN, N_PER_ROLE, N_STROKES = 40, 5, 5  # plain drums, struck ones of each role, strokes of each
MADE = "made|"  # begins the names of made drums
LONGEST_S = 3.0  # of a stroke
N_NOISE_BANDS = 5
SOFTEST_DB = 24.0  # of the strokes of a struck drum, under the hardest


@dataclass(frozen=True, eq=False)
class Stroke:
    """A single stroke: samples at `SR`, and the frame of its onset."""

    mono: np.ndarray
    onset: int


@dataclass(frozen=True, eq=False)
class Drum:
    """Strokes of one drum at one microphone."""

    instrument: str
    role: str
    strokes: list[Stroke]

    @property
    def is_made(self) -> bool:
        """Return whether the drum is no recording."""
        return self.instrument.startswith(MADE)


@dataclass(frozen=True)
class Body:
    """Ranges from which struck drums of one role are drawn, from memory."""

    mode_hz: tuple[float, float]  # of the lowest mode
    t60_s: tuple[float, float]  # of the lowest mode and the lowest band of noise
    noise_hz: tuple[float, float]  # lower end of the noise
    noise_db: tuple[float, float]  # of the noise over the modes
    attack_s: tuple[float, float]


BODIES = {
    "kick": Body((38, 90), (0.12, 0.9), (60, 800), (-35, -8), (0.001, 0.008)),
    "snare": Body((140, 320), (0.1, 0.6), (300, 2500), (-10, 12), (0.0005, 0.004)),
    "tom": Body((65, 260), (0.3, 2.0), (150, 1500), (-35, -8), (0.0005, 0.005)),
    "hat_closed": Body((350, 900), (0.04, 0.3), (2500, 8000), (5, 30), (0.0005, 0.004)),
    "hat_open": Body((300, 900), (0.3, 2.0), (1500, 7000), (3, 30), (0.0005, 0.006)),
    "crash": Body((200, 700), (1.0, 4.5), (250, 3500), (3, 30), (0.001, 0.015)),
    "ride": Body((250, 900), (0.8, 4.5), (500, 4000), (-12, 15), (0.0005, 0.004)),
    "shaker": Body((2000, 6000), (0.05, 0.25), (1500, 7000), (25, 40), (0.004, 0.06)),
    "other": Body((180, 3000), (0.05, 1.5), (300, 5000), (-35, 10), (0.0003, 0.006)),
}


def make_drums() -> list[Drum]:
    """Make drums of every role of `BODIES` and plain ones, always the same."""
    roles = [role for role in BODIES for _ in range(N_PER_ROLE)]
    struck = [make_struck_drum(role, number) for number, role in enumerate(roles)]
    return [*(make_drum(number) for number in range(N_PLAIN)), *struck]


def make_struck_drum(role: str, seed: int) -> Drum:
    """Make a drum of decaying modes and bands of noise; harder strokes are brighter."""
    rng, body = np.random.default_rng([10, seed]), BODIES[role]
    n_modes = int(rng.integers(3, 24))
    hz = _log_uniform(rng, body.mode_hz) * np.sort(1 + 9 * rng.random(n_modes) ** 2)
    t60_s, decline = _log_uniform(rng, body.t60_s), rng.uniform(0.1, 0.9)
    gains = 10 ** (-rng.uniform(0, 25, n_modes) / 20)
    edges = np.geomspace(_log_uniform(rng, body.noise_hz), 17_000, N_NOISE_BANDS + 1)
    tilt, noise_db = rng.uniform(-4, 4), rng.uniform(*body.noise_db)
    strokes = []
    for _ in range(N_STROKES):
        softer_db, t = rng.uniform(0, SOFTEST_DB), np.arange(_n_frames(t60_s)) / SR
        darker = softer_db / SOFTEST_DB * rng.uniform(0, 6)  # dB per octave
        y, noise = np.zeros(len(t)), np.zeros(len(t))
        for f, gain in zip(hz, gains, strict=True):
            loss = 10 ** (-darker * np.log2(f / hz[0]) / 20)
            phase = 2 * np.pi * (f * t + rng.random())
            y += gain * loss * np.sin(phase) * np.exp(-6.9 * t / t60_s * (f / hz[0]) ** decline)
        for i in range(N_NOISE_BANDS):
            part = filter_noise(rng.standard_normal(len(t)), "band", tuple(edges[i : i + 2]))
            level_db = (tilt - darker) * i + rng.normal()
            noise += part * 10 ** (level_db / 20) * np.exp(-6.9 * t / t60_s * (1 + i * decline))
        y = y / peak_of(y) + 10 ** (noise_db / 20) * noise / peak_of(noise)
        strokes.append(_finish(y, _log_uniform(rng, body.attack_s), softer_db))
    return Drum(f"{MADE}struck {seed}", role, strokes)


def _log_uniform(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(limits))))


def make_drum(seed: int) -> Drum:
    """Make a drum whose strokes are decaying tones or noise, as electronic percussion is."""
    rng = np.random.default_rng([9, seed])
    hz, t60_s = _log_uniform(rng, (60, 9e3)), _log_uniform(rng, (0.06, 4))
    width = rng.uniform(1.2, 20)
    role = ("crash", "hat_closed", "tom", "other")[seed % 4]
    make = _noise_stroke if seed % 2 else _tone_stroke
    strokes = [_shape(make(hz, width, t60_s, rng), t60_s, rng) for _ in range(N_STROKES)]
    return Drum(f"{MADE}{seed}", role, strokes)


def _n_frames(t60_s: float) -> int:
    return round(min(LONGEST_S, 1.3 * t60_s + 0.05) * SR)


def _noise_stroke(hz: float, width: float, t60_s: float, rng: np.random.Generator) -> np.ndarray:
    y = rng.standard_normal(_n_frames(t60_s))
    if rng.random() < 0.6:
        y = filter_noise(y, "band", (max(40.0, hz / width), min(20_000.0, hz * width)))
    return y


def _tone_stroke(hz: float, _: float, t60_s: float, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(_n_frames(t60_s)) / SR
    click = rng.choice([0, 0.3]) * rng.standard_normal(len(t)) * np.exp(-t / 0.02)
    return np.asarray(np.sin(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi)) + click)


def _shape(y: np.ndarray, t60_s: float, rng: np.random.Generator) -> Stroke:
    t = np.arange(len(y)) / SR
    attack_s = _log_uniform(rng, (0.0003, 0.01))
    return _finish(y * np.exp(-6.9 * t / t60_s), attack_s, rng.uniform(0, 10))


def _finish(y: np.ndarray, attack_s: float, softer_db: float) -> Stroke:
    """Give a sound its attack and its level, after 4 ms of silence."""
    y = y * np.minimum(1, np.arange(len(y)) / SR / attack_s)
    y = y * 10 ** (-softer_db / 20) / peak_of(y)
    mono = np.concatenate([np.zeros(round(0.004 * SR)), y]).astype(np.float32)
    return Stroke(mono, int(np.argmax(np.abs(mono) > ONSET_SHARE * peak_of(mono))))
