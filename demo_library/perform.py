"""One sitting from the plan to finished hits: strokes, microphones, gain, cut, file.

A gain is set once for each drum and microphone, by its loudest stroke, and then left alone: softer
strokes are quieter in the files as they were in the room.
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
from demo_library.maker.room import Microphone, hear, impulse_response, room_noise
from demo_library.maker.write import Bext, Truth, flac_bytes, wave_bytes
from demo_library.sittings import STRENGTH, Named, Series, Sitting

LEAD_S = (0.001, 0.018)  # of room noise before the stroke, as a person would cut it
FADE_S = (0.010, 0.035)
TAKE_S = 19.0  # from one stroke to the next


@dataclass(frozen=True, eq=False)
class Played:
    """One stroke of a series, with the parts of its sound before any microphone."""

    strength: str
    stroke: int
    number: int
    parts: dict[str, np.ndarray]


def seed_of(*words: object) -> int:
    """Seed from words; the same on every machine, unlike `hash`."""
    return zlib.crc32("/".join(map(str, words)).encode())


def perform(sitting: Sitting, root: Path) -> list[Truth]:
    """Play a sitting and write its files.

    Parameters
    ----------
    sitting : Sitting
    root : Path
        of the library

    Returns
    -------
    list of Truth, one for each file
    """
    rows, take = [], 0
    for series in sitting.series:
        played = list(play_series(sitting, series))
        for microphone in series.microphones:
            sounds = record_series(sitting, series, played, microphone=microphone)
            for stroke, samples in zip(played, sounds, strict=True):
                named = Named(
                    series, stroke.strength, stroke.stroke, stroke.number,
                    take + stroke.number, microphone,
                )  # fmt: skip
                rows.append(write_hit(sitting, named, samples, root=root))
        take += len(played)
    return rows


def play_series(sitting: Sitting, series: Series) -> Iterator[Played]:
    """Play every stroke of a series, soft to hard; no two of them alike.

    Place, strength and tension of the head vary from stroke to stroke as a hand and a drum do: by
    about as much as makes two strokes as alike as real ones of one drum are (correlation .95 or so
    for kicks, .9 snares, .7 toms, .15 cymbals).
    """
    instrument = INSTRUMENTS[series.instrument]
    number = 0
    for strength in series.strengths:
        for index in range(1, series.n_strokes + 1):
            number += 1
            seed = seed_of(sitting.name, series.drum, strength, index)
            rng = np.random.default_rng([seed, 1])
            stroke = Stroke(
                strength=float(np.clip(STRENGTH[strength] + rng.normal(0, 0.025), 0.04, 1.0)),
                position=float(rng.uniform(*instrument.position)),
                angle=float(rng.uniform(0.0, 2.0 * np.pi)),
                tension=float(1.0 + rng.normal(0.0, 0.012)),
                seed=seed,
            )
            length_s = series.length_s + 0.06
            parts = instrument.play(stroke, length_s=length_s, sr=sitting.sr)
            yield Played(strength, index, number, parts)


def record_series(
    sitting: Sitting, series: Series, played: list[Played], *, microphone: str
) -> list[np.ndarray]:
    """Hear a series through one microphone (or a pair), set the gain, cut the hits.

    Returns
    -------
    list of np.ndarray, shape (n_frames, n_channels), full scale 1.0
    """
    capsules = sitting.microphones[microphone]
    place = seed_of(sitting.name, series.drum)
    responses = [impulse_response(sitting.room, c, place=place, sr=sitting.sr) for c in capsules]
    heard = [
        np.stack([hear(p.parts, c, r) for c, r in zip(capsules, responses, strict=True)], axis=1)
        for p in played
    ]
    rng = np.random.default_rng([place, 2])
    peak_db = rng.uniform(*sitting.peak_db) + capsules[0].level_db
    gain = 10.0 ** (peak_db / 20.0) / max(np.abs(sound).max() for sound in heard)
    return [
        cut_hit(sitting, series, gain * sound, capsules=capsules, stroke=p)
        for p, sound in zip(played, heard, strict=True)
    ]


def cut_hit(
    sitting: Sitting,
    series: Series,
    sound: np.ndarray,
    *,
    capsules: tuple[Microphone, ...],
    stroke: Played,
) -> np.ndarray:
    """Add the room's noise and cut: a little before the stroke, a short fade at the end.

    All microphones of one stroke are cut at the same moments, so the farther one starts later.
    """
    sr = sitting.sr
    seed = seed_of(sitting.name, series.drum, stroke.strength, stroke.stroke)
    hand = np.random.default_rng([seed, 3])
    lead = round(hand.uniform(*LEAD_S) * sr)
    shorter = {"ghost": 0.7, "soft": 0.8, "medium": 0.92, "hard": 1.0}[stroke.strength]
    n = lead + round(series.length_s * shorter * hand.uniform(0.94, 1.0) * sr)
    fade = round(hand.uniform(*FADE_S) * sr)
    hit = np.empty((n, len(capsules)))
    for channel, capsule in enumerate(capsules):
        rng = np.random.default_rng([seed, *capsule.name.encode()])
        hit[:, channel] = room_noise(sitting.room, capsule, rng, n=n, sr=sr)
    hit[lead:] += sound[: n - lead]
    hit[n - fade :] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, fade))[:, None]
    return hit


def write_hit(sitting: Sitting, named: Named, samples: np.ndarray, *, root: Path) -> Truth:
    """Write one finished hit and give its row of the truth table."""
    path = Path(sitting.folder, named.series.folder, sitting.name_file(named))
    (root / path).parent.mkdir(parents=True, exist_ok=True)
    if sitting.container == "FLAC":
        data = flac_bytes(samples, sr=sitting.sr, subtype=sitting.subtype)
    else:
        bext = recorder_note(sitting, named) if sitting.recorder else None
        data = wave_bytes(samples, sr=sitting.sr, subtype=sitting.subtype, bext=bext)
    (root / path).write_bytes(data)
    return Truth(
        path=path.as_posix(),
        sitting=sitting.name,
        drum=named.series.instrument,
        role=INSTRUMENTS[named.series.instrument].role,
        strength=named.strength,
        stroke=str(named.stroke),
        microphone=named.microphone,
    )


def recorder_note(sitting: Sitting, named: Named) -> Bext:
    """What the recorder wrote: session, take, microphone and when; one time for one stroke."""
    day = named.series.folder if named.series.folder[:2] == "20" else sitting.date
    start = datetime.fromisoformat(f"{day} {sitting.clock}")
    time = start + timedelta(seconds=TAKE_S * named.take)
    midnight = time.replace(hour=0, minute=0, second=0)
    bits = {"PCM_16": 16, "PCM_24": 24}[sitting.subtype]
    n_capsules = len(sitting.microphones[named.microphone])
    return Bext(
        description=f"session={sitting.name}; take={named.take}; mic={named.microphone}",
        originator=sitting.recorder,
        reference=f"{time:%Y%m%d}{named.take:04d}",
        date=f"{time:%Y-%m-%d}",
        time=f"{time:%H:%M:%S}",
        time_reference=round((time - midnight).total_seconds() * sitting.sr),
        history=f"A=PCM,F={sitting.sr},W={bits},M={'stereo' if n_capsules == 2 else 'mono'}\r\n",
    )
