"""Compute the files of one session: strokes, microphones, gain, cut.

The gain of each drum and microphone is set once, by the loudest stroke, so softer strokes are
quieter in the files too.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from demo_library.instruments import INSTRUMENTS
from demo_library.maker.modes import Stroke
from demo_library.maker.room import Microphone, impulse_response, record_parts, room_noise
from demo_library.maker.write import Bext, Truth, flac_bytes, wave_bytes
from demo_library.sessions import STRENGTH, HitName, Series, Session

LEAD_S = (0.001, 0.018)  # room noise before the stroke, as in files that were cut by hand
FADE_S = (0.010, 0.035)  # fade-out at the end
TAKE_S = 19.0  # time from one stroke to the next


@dataclass(frozen=True, eq=False)
class PlayedStroke:
    """One stroke of a series, with the parts of its sound before the microphone."""

    strength: str
    stroke: int
    number: int
    parts: dict[str, np.ndarray]


def seed_from_words(*words: object) -> int:
    """Return a seed made from words; the same on every machine, unlike `hash`."""
    return zlib.crc32("/".join(map(str, words)).encode())


def perform(session: Session, root: Path) -> list[Truth]:
    """Play a session, write its files below the folder `root`, and return their rows."""
    rows, take = [], 0
    for series in session.series:
        played = list(play_series(session, series))
        for microphone in series.microphones:
            sounds = record_series(session, series, played, microphone=microphone)
            for stroke, samples in zip(played, sounds, strict=True):
                named = HitName(
                    series, stroke.strength, stroke.stroke, stroke.number,
                    take + stroke.number, microphone,
                )  # fmt: skip
                rows.append(write_hit(session, named, samples, root=root))
        take += len(played)
    return rows


def play_series(session: Session, series: Series) -> Iterator[PlayedStroke]:
    """Play every stroke of a series, soft to hard; no two are equal.

    Position, strength and tension of the head vary from stroke to stroke. The variation makes two
    strokes about as similar as real strokes of one drum (correlation about .95 for kicks, .9
    snares, .7 toms, .15 cymbals).
    """
    instrument = INSTRUMENTS[series.instrument]
    number = 0
    for strength in series.strengths:
        for index in range(1, series.n_strokes + 1):
            number += 1
            seed = seed_from_words(session.name, series.drum, strength, index)
            rng = np.random.default_rng([seed, 1])
            stroke = Stroke(
                strength=float(np.clip(STRENGTH[strength] + rng.normal(0, 0.025), 0.04, 1.0)),
                position=float(rng.uniform(*instrument.position)),
                angle=float(rng.uniform(0.0, 2.0 * np.pi)),
                tension=float(1.0 + rng.normal(0.0, 0.012)),
                seed=seed,
            )
            length_s = series.length_s + 0.06
            parts = instrument.play(stroke, length_s=length_s, sr=session.sr)
            yield PlayedStroke(strength, index, number, parts)


def record_series(
    session: Session, series: Series, played: list[PlayedStroke], *, microphone: str
) -> list[np.ndarray]:
    """Record a series with one microphone or a stereo pair, set the gain, cut the hits."""
    capsules = session.microphones[microphone]
    place = seed_from_words(session.name, series.drum)
    responses = [impulse_response(session.room, c, place=place, sr=session.sr) for c in capsules]
    pairs = list(zip(capsules, responses, strict=True))
    recorded = [np.stack([record_parts(p.parts, c, r) for c, r in pairs], axis=1) for p in played]
    rng = np.random.default_rng([place, 2])
    peak_db = rng.uniform(*session.peak_db) + capsules[0].level_db
    gain = 10.0 ** (peak_db / 20.0) / max(np.abs(sound).max() for sound in recorded)
    return [
        cut_hit(session, series, gain * sound, capsules=capsules, stroke=p)
        for p, sound in zip(played, recorded, strict=True)
    ]


def cut_hit(
    session: Session,
    series: Series,
    sound: np.ndarray,
    *,
    capsules: tuple[Microphone, ...],
    stroke: PlayedStroke,
) -> np.ndarray:
    """Add room noise and cut: a short lead before the stroke, a fade at the end.

    All microphones of one stroke are cut at the same times, so a more distant one starts later.
    """
    sr = session.sr
    seed = seed_from_words(session.name, series.drum, stroke.strength, stroke.stroke)
    rng_cut = np.random.default_rng([seed, 3])
    lead = round(rng_cut.uniform(*LEAD_S) * sr)
    length_share = {"ghost": 0.7, "soft": 0.8, "medium": 0.92, "hard": 1.0}[stroke.strength]
    n = lead + round(series.length_s * length_share * rng_cut.uniform(0.94, 1.0) * sr)
    fade = round(rng_cut.uniform(*FADE_S) * sr)
    hit = np.empty((n, len(capsules)))
    for channel, capsule in enumerate(capsules):
        rng = np.random.default_rng([seed, *capsule.name.encode()])
        hit[:, channel] = room_noise(session.room, capsule, rng, n=n, sr=sr)
    hit[lead:] += sound[: n - lead]
    hit[n - fade :] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, fade))[:, None]
    return hit


def write_hit(session: Session, named: HitName, samples: np.ndarray, *, root: Path) -> Truth:
    """Write one finished hit and return its row of the truth table."""
    path = Path(session.folder, named.series.folder, session.name_file(named))
    (root / path).parent.mkdir(parents=True, exist_ok=True)
    if session.container == "FLAC":
        data = flac_bytes(samples, sr=session.sr, subtype=session.subtype)
    else:
        bext = make_bext(session, named) if session.recorder else None
        data = wave_bytes(samples, sr=session.sr, subtype=session.subtype, bext=bext)
    (root / path).write_bytes(data)
    instrument = named.series.instrument
    return Truth(
        path.as_posix(), session.name, instrument, INSTRUMENTS[instrument].role, named.strength,
        str(named.stroke), named.microphone,
    )  # fmt: skip


def make_bext(session: Session, named: HitName) -> Bext:
    """Return the recorder's metadata: session, take, microphone and the time of the stroke."""
    day = named.series.folder if named.series.folder[:2] == "20" else session.date
    start = datetime.fromisoformat(f"{day} {session.clock}")
    time = start + timedelta(seconds=TAKE_S * named.take)
    midnight = time.replace(hour=0, minute=0, second=0)
    bits = {"PCM_16": 16, "PCM_24": 24}[session.subtype]
    n_capsules = len(session.microphones[named.microphone])
    return Bext(
        description=f"session={session.name}; take={named.take}; mic={named.microphone}",
        originator=session.recorder,
        reference=f"{time:%Y%m%d}{named.take:04d}",
        date=f"{time:%Y-%m-%d}",
        time=f"{time:%H:%M:%S}",
        time_reference=round((time - midnight).total_seconds() * session.sr),
        history=f"A=PCM,F={session.sr},W={bits},M={'stereo' if n_capsules == 2 else 'mono'}\r\n",
    )
