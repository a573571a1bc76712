"""Measure grooves that several microphones record at once: `groove_microphones.py FOLDER`.

FOLDER holds `muldjordkit`, of which every stroke was recorded by all its microphones. The same
grooves are cut by each microphone alone and by one cut for the take. Drums as in `strokes.py`.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from pathlib import Path

import numpy as np

from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.features.segmentation import segment_take
from catalog.features.takes.microphones import cut_microphones
from tests.bench.recorded_strokes import HALVES, SR, Recordings, Stroke, load_stroke
from tests.bench.strokes import PEAK, Score, mix_strokes, peak_of

KITS = {  # kick, snare, time keeper
    "looked at": [("KdrumL", "Snare", cymbal) for cymbal in ("HihatClosed", "RideL", "China")],
    "held out": [("KdrumR", "SnareRest", cymbal) for cymbal in ("HihatOpen", "RideR")],
}
MICROPHONES = ("OHL", "AmbL")
TEMPOS = (80, 110, 140)
STEPS = 64


def strokes_of(recordings: Recordings, drum: str) -> list[tuple[Stroke, ...]]:
    """Return the strokes that all microphones recorded, softest first."""
    by_number: dict[str, dict[str, Path]] = defaultdict(dict)
    for microphone in MICROPHONES:
        for path in recordings.find(f"muldjordkit/{drum}/{microphone}"):
            by_number[path.stem.split("-")[0]][microphone] = path
    whole = [paths for paths in by_number.values() if len(paths) == len(MICROPHONES)]
    return [tuple(load_stroke(paths[name]) for name in MICROPHONES) for paths in whole]


def build_groove(
    kit: list[list[tuple[Stroke, ...]]], bpm: float, rng: np.random.Generator
) -> tuple[np.ndarray, list[float]]:
    """Return the channels of eight bars of eighths, shape (n, n_microphones), and their onsets.

    All microphones have one clock: a stroke lies where its first microphone has its onset.
    """
    laid: list[list[tuple[float, Stroke, float]]] = [[] for _ in MICROPHONES]
    true_s = []
    loudest = max(peak_of(stroke[0]) for drum in kit[:2] for stroke in drum)
    soft = min(1.0, 0.4 * loudest / max(peak_of(stroke[0]) for stroke in kit[2]))
    for step in range(STEPS):
        at_s, place = 0.5 + step * 30.0 / bpm + rng.normal() * 0.004, step % 8
        drums = [(2, soft)] + [(0, 1.0)] * (place in (0, 4, 5)) + [(1, 1.0)] * (place in (2, 6))
        for number, gain in drums:
            stroke = kit[number][int(rng.integers(len(kit[number]) // 3, len(kit[number])))]
            gain *= 10 ** (rng.uniform(-3, 0) / 20)
            for row, (mono, _) in zip(laid, stroke, strict=True):
                row.append((at_s, (mono, stroke[0][1]), gain))
        true_s.append(at_s)
    channels = [mix_strokes(row, rng, peak=PEAK) for row in laid]
    n = min(map(len, channels))
    return np.stack([channel[:n] for channel in channels], axis=1), true_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=HALVES, nargs="*", default=HALVES)
    args = parser.parse_args()
    recordings = Recordings(args.folder)
    groups = [ChannelGroup(name, (k + 1,)) for k, name in enumerate(MICROPHONES)]
    for half in args.half:
        scores: dict[str, Score] = defaultdict(Score)
        for number, drums in enumerate(KITS[half]):
            kit = [strokes_of(recordings, drum) for drum in drums]
            for bpm in TEMPOS:
                take, true_s = build_groove(kit, bpm, np.random.default_rng([6, bpm, number]))
                for k, name in enumerate(MICROPHONES):
                    found_s = [span.onset / SR for span in segment_take(take[:, k], sr=SR)]
                    scores[f"{bpm} bpm, {name}"].add("", true_s, found_s)
                audio = Audio(take, SR, container="WAV", subtype="PCM_24")
                starts = [start / SR for start, _ in cut_microphones(audio, groups)]
                scores[f"{bpm} bpm, both"].add("", true_s, starts)
        for kind, score in scores.items():
            print(f"{kind}; drums {half}: {score.line()}")


if __name__ == "__main__":
    main()
