"""Measure the segmentation of takes: `takes.py FOLDER [--finished FOLDER ...]`.

FOLDER holds one folder per drum with its strokes, one file per microphone
("3-Snare-SnareTop.flac"). Takes are built from strokes of one drum and microphone, soft and loud,
at uneven distances: each after the previous one has decayed by 45 dB ("apart") or while it rings
("ringing"), with room noise between them, and once more with speech-like noise between them. Files
with one finished hit are checked for false splits.
"""

from __future__ import annotations

import argparse
import re
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.signal import butter, sosfilt

from catalog.audio.decode import decode_file
from catalog.errors import CatalogError
from catalog.features.onset import find_stroke
from catalog.features.segmentation import segment_take
from catalog.features.waveform import mix_to_mono

TOLERANCE_S = 0.002  # a detected onset further away is another one
KEEP_DB = -40.0
ROOM_DB = -66.0  # below the loudest stroke
MIN_LENGTH_S = 0.05  # shorter files were truncated when the set was made
TUNING_DRUMS = ("China", "CrashL", "HihatClosed", "KdrumL", "RideL", "Snare", "Tom1", "Tom3")


@dataclass
class Score:
    """Counts over many takes; `details` lists what was missed or false."""

    n_onsets: int = 0
    n_found: int = 0
    n_false: int = 0
    n_cut_early: int = 0
    errors_ms: list[float] = field(default_factory=list)
    details: list[str] = field(default_factory=list)

    def line(self) -> str:
        """Format the counts."""
        found = self.n_found / max(1, self.n_onsets)
        error = np.percentile(self.errors_ms, 95) if self.errors_ms else np.nan
        return (
            f"{self.n_onsets} onsets, found within 2 ms {found:.4f}, false {self.n_false},"
            f" cut above {KEEP_DB:.0f} dB {self.n_cut_early}, 95 % within {error:.2f} ms"
        )


def strokes_of(folder: Path) -> dict[tuple[str, str], list[tuple[np.ndarray, int]]]:
    """Return the files of strokes by drum and microphone, softest first."""
    found = defaultdict(list)
    for path in sorted(folder.glob("*/*.flac")):
        match = re.fullmatch(r"(\d+)-(.+)-(.+)", path.stem)
        if match:
            found[match[2], match[3]].append((int(match[1]), path))
    return {key: [p for _, p in sorted(paths)] for key, paths in found.items() if len(paths) > 2}


def decayed_at(mono: np.ndarray, sr: int, drop_db: float, room: float = 0.0) -> int:
    """Return the sample from which the level stays `drop_db` below the peak, or below the room."""
    n = sr // 100
    whole = len(mono) // n * n
    level = np.square(mono[:whole]).reshape(-1, n).mean(axis=1)
    loud = np.flatnonzero(level > max(level.max() * 10 ** (-drop_db / 10), room**2))
    return int((loud[-1] + 1) * n) if len(loud) else len(mono)


def speech_like_noise(n: int, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Return a glottal buzz with hiss, in syllables, through three formants."""
    t = np.arange(n) / sr
    pitch = 110 * 2 ** (0.3 * np.sin(2 * np.pi * 0.7 * t + rng.uniform(0, 6)))
    buzz = np.sign(np.sin(2 * np.pi * np.cumsum(pitch) / sr)) + 0.3 * rng.normal(size=n)
    out = np.zeros(n)
    for hz in rng.uniform((350, 900, 2200), (800, 1800, 3200)):
        out += sosfilt(butter(1, (hz * 0.85, hz * 1.15), "band", fs=sr, output="sos"), buzz)
    env, at = np.zeros(n), 0
    while at < n:
        length = int(rng.uniform(0.09, 0.3) * sr)
        rise = int(rng.uniform(0.015, 0.06) * sr)
        fall = (length - np.arange(length)) / (0.05 * sr)
        shape = np.minimum(np.arange(length) / rise, 1) * np.minimum(fall, 1)
        stop = min(n, at + length)
        env[at:stop] = rng.uniform(0.4, 1) * shape[: stop - at]
        at = stop + int(rng.choice([0, 0, 0.05, 0.3]) * sr)
    out *= env
    return out / np.abs(out).max(initial=1e-9)


def build_take(paths, rng, *, ringing: bool, talking: bool):
    """Return a take, its rate, its onsets and the sample where each stroke has decayed by 40 dB."""
    order = [*rng.permutation(len(paths)), *rng.permutation(len(paths))][:16]
    laid, at = [], 0
    for i in order:
        audio = decode_file(paths[i])
        mono, sr = mix_to_mono(audio.samples), audio.sr
        if len(mono) < MIN_LENGTH_S * sr:
            continue
        onset = find_stroke(mono, sr=sr).onset
        if not laid:
            at = int(0.4 * sr)
        laid.append((at, mono, onset))
        gap = 0 if ringing else decayed_at(mono, sr, 45.0) - onset
        at += onset + gap + int(rng.uniform(0.25, 1.8) * sr)
    n = max(a + len(m) for a, m, *_ in laid) + sr // 2
    take = rng.normal(size=n) * 10 ** (ROOM_DB / 20) * max(np.abs(m).max() for _, m, _ in laid)
    take = sosfilt(butter(1, 2000, fs=sr, output="sos"), take)
    room = float(np.sqrt(np.mean(np.square(take))))
    decayed = [a + decayed_at(m, sr, -KEEP_DB, room) for a, m, _ in laid]
    for a, mono, _ in laid:
        take[a : a + len(mono)] += mono
    if talking:
        top = float(np.abs(take).max())
        for f, follower in zip(decayed, [*laid[1:], None], strict=True):
            start = f + int(0.05 * sr)
            stop = (follower[0] + follower[2] if follower else n) - int(0.08 * sr)
            if stop - start > 0.15 * sr:
                level = rng.uniform(0.02, 0.12) * top
                take[start:stop] += level * speech_like_noise(stop - start, sr, rng)
    return take.astype(np.float32), sr, [a + o for a, _, o in laid], decayed


def count_take(score: Score, name: str, take, sr, onsets, decayed) -> None:
    """Segment a take and add the result to the score."""
    regions = segment_take(take, sr=sr)
    found = np.array([r.onset for r in regions])
    used = set()
    for k, onset in enumerate(onsets):
        score.n_onsets += 1
        near = np.abs(found - onset) if len(found) else np.array([np.inf])
        best = int(np.argmin(near))
        if near[best] > TOLERANCE_S * sr:
            score.details.append(f"{name} stroke {k} {near[best] / sr * 1000:.1f} ms")
            if near[best] < 0.03 * sr:
                used.add(best)
            continue
        used.add(best)
        score.n_found += 1
        score.errors_ms.append(near[best] / sr * 1000)
        following = onsets[k + 1] if k + 1 < len(onsets) else len(take)
        early = regions[best].stop < min(decayed[k], following - 0.003 * sr)
        score.n_cut_early += bool(early)
        if early:
            score.details.append(f"{name} stroke {k} cut early")
    score.n_false += len(regions) - len(used)
    for r in (r for i, r in enumerate(regions) if i not in used):
        since = min((r.onset - o for o in onsets if o < r.onset), default=0)
        score.details.append(f"{name} false, {since / sr:.3f} s after a stroke")


def find_false_splits(folder: Path) -> tuple[int, list[str]]:
    """Return the number of files, and those that are split although each holds one hit."""
    n, split = 0, []
    for path in sorted(folder.rglob("*.flac")):
        try:
            audio = decode_file(path)
        except CatalogError:
            continue
        n += 1
        regions = segment_take(mix_to_mono(audio.samples), sr=audio.sr)
        if len(regions) > 1:
            onsets_s = [round(r.onset / audio.sr, 3) for r in regions]
            split.append(f"{path.relative_to(folder)}: {onsets_s}")
    return n, split


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--finished", type=Path, nargs="*", default=[])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    strokes = strokes_of(args.folder)
    for ringing, talking in ((False, False), (True, False), (False, True)):
        kind = ("ringing" if ringing else "apart") + (", speech between" if talking else "")
        scores = {"used for tuning": Score(), "held out": Score()}
        for number, ((drum, mic), paths) in enumerate(sorted(strokes.items())):
            rng = np.random.default_rng([args.seed, number, ringing, talking])
            half = "used for tuning" if drum in TUNING_DRUMS else "held out"
            take = build_take(paths, rng, ringing=ringing, talking=talking)
            count_take(scores[half], f"{drum} {mic}", *take)
        for half, score in scores.items():
            print(f"{kind}; drums {half}: {score.line()}")
            if args.verbose:
                print("   " + "\n   ".join(score.details[:40]))
    for folder in [args.folder, *args.finished]:
        n, split = find_false_splits(folder)
        print(f"finished hits in {folder.name}: {n}, wrongly split {len(split)}")
        if args.verbose:
            print("   " + "\n   ".join(split))


if __name__ == "__main__":
    main()
