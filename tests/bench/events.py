"""Measure what is said of recordings that hold no single stroke: `events.py FOLDER`.

FOLDER holds `muldjordkit`, `open_percussion` and `more_percussion`. Rolls, swells, dropped sticks
and loops are made from recorded single strokes, bumps and speech-like noise are synthesized, and
`--speech FOLDER` adds recorded speech, one prompt a file. Each is measured as a scan does. Half of
the drums were looked at while the rules were written; the other half is held out. All recorded
single strokes are measured as well: none of them may be called anything else.

Recorded speech was taken from Debian's packages "asterisk-core-sounds-en-g722" and
"asterisk-core-sounds-fr-g722" (CC BY-SA 3.0), decoded to WAV, and "alsa-utils" (GPL 2).
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import numpy as np
import soxr
from scipy.signal import butter, sosfilt

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.features.measure import measure_take
from catalog.models import Event
from tests.bench.strokes import (
    GROOVE_KITS,
    HALVES,
    PEAK,
    SR,
    Recordings,
    Stroke,
    build_groove,
    load_strokes,
    mix_strokes,
    peak_of,
)
from tests.bench.takes import speech_like_noise

ROLLED = ("snare", "tom", "crash", "ride", "china", "splash", "conga_bongo", "timbale_agogo")
STICKS = ("sidestick", "wood")
# Effects that hold several sounds or no stroke, by what their instrument is called.
NO_STROKES = (
    "plural", "supposedly", "snare_brush", "ritz", "reverb_clap", "wind chimes",
    "belltree", "vibraslap", "vibra-slap", "guiro", "cuica", "scratch", "swirl", "door", "till",
    "swash", "swoosh", "zap", "impact", "elec_", "shaker", "maracas", "cabasa", "jingle",
)  # fmt: skip
Made = tuple[str, Event, np.ndarray, dict[str, float]]  # name, kind, samples at SR, known facts


def is_rolled(name: str, role: str) -> bool:
    """Return whether rolls are played on a drum, and it was recorded in several strokes."""
    if name.startswith("muldjordkit"):
        return not any(word in name for word in ("Kdrum", "Hihat", "Amb"))
    return name.startswith(("frankensnare", "avl", "gogodze", "hydrogen", "musescore")) and (
        role in ROLLED
    )


def choose(strokes: list[Stroke], rng: np.random.Generator) -> Stroke:
    """Return one of the louder strokes."""
    return strokes[int(rng.integers(len(strokes) // 2, len(strokes)))]


def rolls(recordings: Recordings, half: str) -> Iterator[Made]:
    """Return rolls of 12 to 40 strokes a second, even, or with a crescendo."""
    for number, (name, paths) in enumerate(recordings.select(half, is_rolled).items()):
        strokes, rng = load_strokes(paths[:8]), np.random.default_rng([11, number])
        if not strokes:
            continue
        rate, length_s = rng.uniform(12, 40), rng.uniform(0.6, 2.5)
        n, grow_db = max(8, round(rate * length_s)), rng.choice([0.0, 0.0, 12.0])
        laid = []
        for i in range(n):
            stroke = choose(strokes, rng)
            at_s = 0.2 + i / rate + rng.normal() * 0.06 / rate
            level_db = -grow_db * (1 - i / n) - 2.0 * (i % 2) + rng.normal()
            laid.append((at_s, stroke, 10 ** (level_db / 20) / peak_of(stroke)))
        yield name, Event.ROLL, mix_strokes(laid, rng, peak=PEAK), {"n_strokes": n}


def swells(recordings: Recordings, half: str) -> Iterator[Made]:
    """Return swells of cymbals, played with soft mallets, and brushes drawn over a head."""
    cymbals = recordings.select(half, lambda name, role: "crash" in f"{name} {role}".casefold())
    for number, (name, paths) in enumerate(cymbals.items()):
        strokes, rng = load_strokes(paths[:8]), np.random.default_rng([12, number])
        if not strokes:
            continue
        rate, length_s = rng.uniform(9, 16), rng.uniform(0.8, 3.0)
        laid = []
        for i in range(round(rate * length_s)):
            level_db = -rng.uniform(30, 36) * (1 - i / rate / length_s)
            mono, onset = choose(strokes, rng)
            soft = sosfilt(butter(1, 2500, fs=SR, output="sos"), mono)
            soft[: onset + 1764] *= np.linspace(0, 1, onset + 1764) ** 2
            laid.append((0.2 + i / rate, (soft, onset), 10 ** (level_db / 20)))
        yield name, Event.SWELL, mix_strokes(laid, rng, peak=PEAK), {}
    for number in range(16):
        rng = np.random.default_rng([13, number, half == HALVES[1]])
        n = round(rng.uniform(0.6, 2.0) * SR)
        t = np.linspace(0, 1, n)
        band = butter(
            1, (rng.uniform(400, 900), rng.uniform(5000, 9000)), "band", fs=SR, output="sos"
        )
        hand = np.sin(np.pi * t ** rng.uniform(0.6, 1.6)) ** rng.uniform(1, 2)
        grain = 1 + 0.5 * sosfilt(butter(1, 40, fs=SR, output="sos"), rng.normal(size=n)) / 0.05
        swirl = sosfilt(band, rng.normal(size=n)) * hand * np.clip(grain, 0.3, 1.7)
        swirl = np.concatenate([np.zeros(SR // 5), swirl, np.zeros(SR // 5)])
        yield f"brush {number}", Event.SWELL, _over_room(swirl, rng), {}


def _over_room(sound: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a sound at a level between -30 and -6 dBFS over the noise of a room."""
    gain = 10 ** (rng.uniform(-30, -6) / 20) / np.abs(sound).max()
    return mix_strokes([(0.1, (sound * gain, 0), 1.0)], rng)


def loops(recordings: Recordings, half: str) -> Iterator[Made]:
    """Return grooves of eight bars at several tempos, from the first stroke to the last."""
    for name, drums in GROOVE_KITS[half].items():
        kit = [load_strokes(recordings.find(drum)) for drum in drums]
        for bpm in (72, 84, 96, 104, 120, 132, 150, 168):
            rng = np.random.default_rng([14, bpm, len(name)])
            take, true_s = build_groove(kit, bpm, rng)
            bars = int(rng.choice([2, 4, 8]))
            stop = round((0.5 + bars * 240 / bpm) * SR)
            n = sum(at_s < stop / SR - 0.02 for at_s in true_s)
            yield (
                name,
                Event.LOOP,
                take[round(0.48 * SR) : stop],
                {"tempo_bpm": bpm, "n_strokes": n},
            )


def dropped_sticks(recordings: Recordings, half: str) -> Iterator[Made]:
    """Return sticks that fall and bounce: each gap is shorter than the one before it."""
    drums = recordings.select(half, lambda name, role: role in STICKS or "rim" in name)
    for number, (name, paths) in enumerate(drums.items()):
        strokes, rng = load_strokes(paths), np.random.default_rng([15, number])
        if not strokes:
            continue
        ratio, gap_s = rng.uniform(0.62, 0.86), rng.uniform(0.09, 0.35)
        at_s, level, laid = 0.3, 1.0, []
        while gap_s > 0.012 and level > 0.01:
            stroke = strokes[int(rng.integers(len(strokes)))]
            gain = level * 10 ** (rng.normal() * 2 / 20) / peak_of(stroke)
            laid.append((at_s, stroke, gain))
            at_s += gap_s * (1 + 0.04 * rng.normal())
            gap_s, level = gap_s * ratio, level * ratio
        peak = 10 ** (rng.uniform(-30, -8) / 20)
        yield name, Event.STICK_DROP, mix_strokes(laid, rng, peak=peak), {}


def bumps(_: Recordings, half: str) -> Iterator[Made]:
    """Return stands that are touched: a low, slow swing without any attack."""
    for number in range(60):
        rng = np.random.default_rng([16, number, half == HALVES[1]])
        t = np.arange(SR) / SR
        sound = np.zeros(SR)
        for _i in range(int(rng.integers(1, 4))):
            swing = np.sin(2 * np.pi * rng.uniform(12, 70) * t + rng.uniform(0, 6))
            sound += (
                swing
                * np.minimum(t / rng.uniform(0.015, 0.06), 1)
                * np.exp(-t / rng.uniform(0.03, 0.15))
            )
        yield f"bump {number}", Event.BUMP, _over_room(sound, rng), {}


def voices(_: Recordings, half: str, speech: Path | None = None) -> Iterator[Made]:
    """Return speech-like noise, and recorded speech if there is any."""
    for number in range(20):
        rng = np.random.default_rng([17, number, half == HALVES[1]])
        sound = speech_like_noise(round(rng.uniform(0.5, 3.0) * SR), SR, rng)
        yield f"noise {number}", Event.VOICE, _over_room(sound, rng), {}
    paths = sorted(speech.rglob("*.wav"))[HALVES.index(half) :: 2] if speech else []
    for number, path in enumerate(paths):
        audio, rng = decode_file(path), np.random.default_rng([18, number])
        sound = soxr.resample(audio.samples[: 3 * audio.sr, 0], audio.sr, SR)
        if np.abs(sound).max() > 0.01:
            yield f"speech {path.stem}", Event.VOICE, _over_room(sound, rng), {}


def measure(samples: np.ndarray, sr: int) -> list[tuple[Event, float | None, int]]:
    """Return event, tempo and number of strokes of each hit that a scan finds."""
    audio = Audio(samples.reshape(len(samples), -1), sr, container="WAV", subtype="PCM_24")
    found = measure_take(audio)
    return [(m.event, m.tempo_bpm, m.n_strokes) for m in (found, *found.others)]


def single_strokes(folder: Path) -> Iterator[tuple[str, bool, Path]]:
    """Return name, whether it is a proper stroke, and path of each recording of one stroke."""
    recordings = Recordings(folder)
    for half in HALVES:
        for name, paths in recordings.select(half, lambda *_: True).items():
            proper = not any(word in name.casefold() for word in NO_STROKES)
            yield from ((f"{half} {name}", proper, path) for path in paths)


CASES = (rolls, swells, loops, dropped_sticks, bumps, voices)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--speech", type=Path)
    parser.add_argument("--half", choices=HALVES, nargs="*", default=HALVES)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    recordings = Recordings(args.folder)
    for half in args.half:
        rows: dict[Event, list[str]] = defaultdict(list)
        right: Counter[Event] = Counter()
        tempo, counts = list[bool](), list[bool]()
        made = chain(
            *(case(recordings, half) for case in CASES[:-1]), voices(recordings, half, args.speech)
        )
        for name, kind, samples, facts in made:
            found = measure(samples, SR)
            is_right = {event for event, *_ in found} == {kind}
            right[kind] += is_right
            rows[kind].append("" if is_right else f"{name}: {found[:4]}")
            if is_right and "tempo_bpm" in facts:
                ratio = (found[0][1] or 0.0) / facts["tempo_bpm"]
                tempo.append(min(abs(ratio - r) for r in (0.5, 1, 2)) < 0.04)
                counts.append(abs(found[0][2] / facts["n_strokes"] - 1) < 0.05)
        for kind, names in rows.items():
            print(f"{kind}; drums {half}: {right[kind]} of {len(names)}")
            if args.verbose:
                print("   " + "\n   ".join(filter(None, names)))
        print(f"tempo right {sum(tempo)} of {len(tempo)}, number of strokes {sum(counts)}")
    strokes: Counter[str] = Counter()
    for name, proper, path in single_strokes(args.folder):
        try:
            audio = decode_file(path)
            events = {event for event, *_ in measure(audio.samples, audio.sr)}
        except CatalogError:
            continue
        key = f"{'proper strokes' if proper else 'effects'}, {name.split()[0]}"
        strokes[key] += 1
        if events != {Event.STROKE}:
            strokes[f"{key}: {'/'.join(events)}"] += 1
            if args.verbose:
                print(f"   {name} {path.name}: {events}")
    for key in sorted(strokes):
        print(f"{key}: {strokes[key]}")


if __name__ == "__main__":
    main()
