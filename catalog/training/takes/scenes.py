"""Build takes from single strokes: series, grooves, pairs, flams, rings, shakers, finished hits.

The strokes are varied in pitch, spectrum and damping, and laid into noise, speech and handling.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.signal import butter, sosfilt

from catalog.training.takes.disturbances import (
    SR,
    add_echo,
    filter_noise,
    make_handling,
    make_noise,
    make_speech,
    peak_of,
    resample_linearly,
    tilt_spectrum,
)
from catalog.training.takes.drums import Drum, Stroke
from catalog.training.takes.material import Material

LONGEST_S, AFTER_S = 16.0, 2.5  # of a take, and of it after its last stroke
MARGIN_S = 0.045  # a stroke this close to the end is not counted
NOISE_DB = (-95.0, -42.0)  # of the noise under the highest peak
BOUNCING = 0.15  # share of the series in which sticks bounce on the head
BOUNCE_AFTER_S = 0.3  # after a bouncing stroke the next one follows no sooner than this after
MOST_IN_SERIES = 3  # strokes that a drum needs to be played in a series most of the time
ALIKE_ROLES = ("snare", "tom", "kick", "other", "conga_bongo", "hat_closed")
RINGING_ROLES = (
    "crash", "ride", "china", "splash", "hat_open", "ride_bell", "other", "cowbell",
)  # fmt: skip
BACKBEAT_ROLES = ("snare", "tom", "sidestick", "clap", "other", "conga_bongo")
PULSE_ROLES = (
    "hat_closed", "hat_open", "ride", "shaker", "hat_pedal", "tambourine", "crash",
)  # fmt: skip
Next = Callable[[], Stroke]


@dataclass(frozen=True, eq=False)
class Laid:
    """A stroke in a take; `counts` is False for the grace note of a flam."""

    at_s: float
    stroke: Stroke
    gain: float
    counts: bool = True


@dataclass(frozen=True, eq=False)
class Scene:
    """A take, the times of its strokes and whether each counts."""

    kind: str
    take: np.ndarray
    times_s: list[float]
    counts: list[bool]


def make_scene(material: Material, rng: np.random.Generator) -> Scene:
    """Build one take of a random kind."""
    kind, laid, take = lay_take(material, rng)
    take = take / peak_of(take)
    take = _disturb(take, [x.at_s for x in laid], kind, material, rng)
    within = [x for x in laid if x.at_s < len(take) / SR - MARGIN_S]
    return Scene(kind, take, [x.at_s for x in within], [x.counts for x in within])


def lay_take(material: Material, rng: np.random.Generator) -> tuple[str, list[Laid], np.ndarray]:
    """Lay the strokes of a random kind of take; return the kind, the strokes and the take."""
    kinds = list(KINDS)
    kind = kinds[rng.choice(len(kinds), p=[KINDS[name][1] for name in kinds])]
    laid = KINDS[kind][0](material, rng)
    end_s = max(x.at_s + len(x.stroke.mono) / SR for x in laid) + 0.3
    if kind != "finished":
        end_s = min(end_s, max(x.at_s for x in laid) + AFTER_S)
    take = _mix(laid, round(min(end_s, LONGEST_S) * SR))
    return kind, laid, add_echo(take, rng) if rng.random() < 0.45 else take


def _mix(laid: list[Laid], n: int) -> np.ndarray:
    take = np.zeros(n, np.float32)
    for x in laid:
        start = round(x.at_s * SR) - x.stroke.onset
        part = x.stroke.mono[max(0, -start) :]
        if start < n:
            take[max(0, start) :][: len(part)] += x.gain * part[: n - max(0, start)]
    return take


def _disturb(
    take: np.ndarray, at_s: list[float], kind: str, material: Material, rng: np.random.Generator
) -> np.ndarray:
    """Add speech, handling and noise to a take with peak 1, and change its band and level."""
    n = len(take)
    if rng.random() < TALK_SHARES.get(kind, 0.12):
        speech = _between(make_speech(n, material.voices, rng), at_s, rng)
        take = take + speech * np.exp(rng.uniform(np.log(0.008), np.log(0.4)))
    if rng.random() < 0.28:
        handling = _between(make_handling(n, rng), at_s, rng)
        take = take + handling * np.exp(rng.uniform(np.log(0.005), np.log(0.2)))
    noise = make_noise(n, rng)
    take = take + noise / noise.std() * 10 ** (rng.uniform(*NOISE_DB) / 20)
    if rng.random() < 0.08:
        take = sosfilt(butter(4, rng.uniform(3000, 12_000), fs=SR, output="sos"), take)
    if rng.random() < 0.1:
        take = np.tanh(2 * take) / 2
    return np.asarray(take * 10 ** (rng.uniform(-30, -1) / 20), np.float32)


def _between(y: np.ndarray, at_s: list[float], rng: np.random.Generator) -> np.ndarray:
    """Silence a disturbance around the strokes in half of the takes."""
    if rng.random() < 0.5:
        for at in at_s:
            first = max(0, round((at - 0.06) * SR))
            y[first : round((at + rng.uniform(0.1, 0.5)) * SR)] = 0
    return y


def _vary(stroke: Stroke, rng: np.random.Generator) -> Stroke:
    """Change pitch, spectrum and damping of a stroke."""
    mono, onset = stroke.mono, stroke.onset
    if rng.random() < 0.5:
        ratio = float(np.exp(rng.uniform(-0.2, 0.2)))
        mono, onset = resample_linearly(mono, ratio), round(onset / ratio)
    if rng.random() < 0.5:
        mono = tilt_spectrum(mono, rng)
    if rng.random() < 0.25:
        t = np.maximum(0, np.arange(len(mono)) - onset) / SR
        mono = mono * np.exp(-t / rng.uniform(0.03, 0.4))
    return Stroke(np.asarray(mono, np.float32), onset)


def _choose(
    material: Material, rng: np.random.Generator, roles: tuple[str, ...] = (), *, often: float = 0.0
) -> Next:
    """Return what gives strokes of a random drum, all varied alike.

    Every role is as likely as any other. With the probability `often`, any drum of several strokes
    is as likely as any other.
    """
    several = [drum for drum in material.drums if len(drum.strokes) >= MOST_IN_SERIES]
    by_role = material.of_roles(roles) or material.of_roles(())
    if several and rng.random() < often:
        drum = several[rng.integers(len(several))]
    else:
        alike = by_role[rng.integers(len(by_role))]
        drum = alike[rng.integers(len(alike))]
    seed = int(rng.integers(1 << 30)) if rng.random() < 0.7 else None
    return partial(_next_stroke, drum, rng, seed)


def _next_stroke(drum: Drum, rng: np.random.Generator, seed: int | None) -> Stroke:
    stroke = drum.strokes[rng.integers(len(drum.strokes))]
    return stroke if seed is None else _vary(stroke, np.random.default_rng(seed))


def _lay(at_s: float, stroke: Stroke, level_db: float, *, counts: bool = True) -> Laid:
    """Lay a stroke with its peak at `level_db`."""
    return Laid(at_s, stroke, 10 ** (level_db / 20) / peak_of(stroke.mono), counts)


def _series(material: Material, rng: np.random.Generator) -> list[Laid]:
    following = _choose(material, rng, often=0.6)
    gap_s = partial(_log_uniform, rng, 0.07, 2.2)
    return _lay_series(following, rng, int(rng.integers(4, 14)), 26.0, gap_s)


def _rings(material: Material, rng: np.random.Generator) -> list[Laid]:
    following = _choose(material, rng, RINGING_ROLES)
    gap_s = partial(rng.uniform, 0.15, 1.1)
    return _lay_series(following, rng, int(rng.integers(6, 16)), 20.0, gap_s)


def _lay_series(
    following: Next, rng: np.random.Generator, n: int, most_db: float, gap_s: Callable[[], float]
) -> list[Laid]:
    """Lay strokes at recorded or at equal peaks, lowered by up to a random range."""
    is_normalized, range_db, at_s = rng.random() < 0.5, rng.uniform(0, most_db), _first_s(rng)
    is_bouncing, laid = rng.random() < BOUNCING, []
    for _ in range(n):
        stroke = following()
        gain = 10 ** (-rng.uniform(0, range_db) / 20)
        gain /= peak_of(stroke.mono) if is_normalized else 1.0
        last_s = 0.0
        if is_bouncing and rng.random() < 0.6:
            stroke, last_s = _bounce(stroke, rng)
        laid.append(Laid(at_s, stroke, gain))
        at_s += gap_s() + (last_s + BOUNCE_AFTER_S if last_s else 0.0)
    return laid


def _bounce(stroke: Stroke, rng: np.random.Generator) -> tuple[Stroke, float]:
    """Return a stroke whose stick bounces up to three times, and the time of the last bounce."""
    gap_s, at_s, level_db = rng.uniform(0.06, 0.2), 0.0, 0.0
    n_bounces = int(rng.integers(1, 4))
    mono = np.pad(stroke.mono, (0, round(n_bounces * gap_s * SR)))
    for _ in range(n_bounces):
        at_s += gap_s
        level_db -= rng.uniform(5, 18)
        first = round(at_s * SR)
        soft = filter_noise(stroke.mono, "low", rng.uniform(800, 15_000))
        mono[first : first + len(soft)] += 10 ** (level_db / 20) * soft[: len(mono) - first]
        gap_s *= rng.uniform(0.6, 1.02)
    return Stroke(mono, stroke.onset), at_s


def _groove(material: Material, rng: np.random.Generator) -> list[Laid]:
    kick, backbeat, pulse = (
        _choose(material, rng, roles) for roles in (("kick",), BACKBEAT_ROLES, PULSE_ROLES)
    )
    step_s = 30 / rng.uniform(60, 180) / rng.choice([1, 1, 2])
    pulse_db, range_db, first_s = rng.uniform(-24, 0), rng.uniform(1, 12), _first_s(rng)
    laid = []
    for step in range(int(min(28, 9 / step_s))):
        at_s = first_s + step * step_s + rng.standard_normal() * 0.004
        for following, share, level_db in (
            (pulse, 0.9, pulse_db),
            (kick, 0.35, 0),
            (backbeat, 0.3, 0),
        ):
            if rng.random() < share:
                level = level_db - rng.uniform(0, range_db)
                laid.append(_lay(at_s + rng.uniform(0, 0.006), following(), level))
    return laid or _finished(material, rng)


def _ringing_groove(material: Material, rng: np.random.Generator) -> list[Laid]:
    """Lay a cymbal that rings on through every stroke, with drums and soft strokes between."""
    pulse, kick, backbeat = (
        _choose(material, rng, roles) for roles in (RINGING_ROLES, ("kick",), BACKBEAT_ROLES)
    )
    step_s, share = rng.uniform(0.10, 0.30), rng.uniform(0.5, 1.0)
    pulse_db, soft_db, first_s = rng.uniform(-14, 0), rng.uniform(-22, -6), _first_s(rng)
    laid = []
    for step in range(int(min(40, 9 / step_s))):
        at_s = first_s + step * step_s + rng.standard_normal() * 0.004
        for following, probability, level_db in (
            (pulse, share, pulse_db),
            (kick, 0.25, 0),
            (backbeat, 0.15, 0),
            (backbeat, 0.15, soft_db),
        ):
            if rng.random() < probability:
                level = level_db - rng.uniform(0, 4)
                laid.append(_lay(at_s + rng.uniform(0, 0.006), following(), level))
    return laid or _finished(material, rng)


def _pairs(material: Material, rng: np.random.Generator) -> list[Laid]:
    following, at_s, laid = _choose(material, rng, often=0.7), _first_s(rng), []
    for _ in range(rng.integers(3, 7)):
        loud_db, gap_s = -rng.uniform(0, 8), rng.uniform(0.07, 0.35)
        laid.append(_lay(at_s, following(), loud_db - rng.uniform(4, 26)))
        laid.append(_lay(at_s + gap_s, following(), loud_db))
        at_s += gap_s + rng.uniform(0.5, 2)
    return laid


def _flams(material: Material, rng: np.random.Generator) -> list[Laid]:
    following, at_s, laid = _choose(material, rng, ALIKE_ROLES), _first_s(rng), []
    for _ in range(rng.integers(3, 9)):
        gap_s = rng.uniform(0.012, 0.045)
        laid.append(_lay(at_s, following(), -rng.uniform(10, 28), counts=False))
        laid.append(_lay(at_s + gap_s, following(), -rng.uniform(0, 6)))
        at_s += gap_s + rng.uniform(0.4, 1.8)
    return laid


def _shaken(material: Material, rng: np.random.Generator) -> list[Laid]:
    following, at_s, laid = _choose(material, rng, ("shaker", "tambourine")), _first_s(rng), []
    for _ in range(rng.integers(5, 14)):
        laid.append(_lay(at_s, following(), -rng.uniform(0, 10)))
        at_s += rng.uniform(0.15, 1.3)
    return laid


def _finished(material: Material, rng: np.random.Generator) -> list[Laid]:
    return [Laid(rng.uniform(0, 0.3), _choose(material, rng)(), 1.0)]


def _first_s(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.1, 0.8))


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


Layout = Callable[[Material, np.random.Generator], list[Laid]]
KINDS: dict[str, tuple[Layout, float]] = {  # and the share of each
    "series": (_series, 0.15),
    "groove": (_groove, 0.17),
    "ringing groove": (_ringing_groove, 0.12),
    "pairs": (_pairs, 0.17),
    "flams": (_flams, 0.05),
    "rings": (_rings, 0.11),
    "shaken": (_shaken, 0.06),
    "finished": (_finished, 0.09),
    "talk": (_series, 0.08),
}
TALK_SHARES = {"talk": 1.0, "groove": 0.06, "finished": 0.08}  # of takes with speech; others 0.12
