"""Whether faults are found and clean strokes left alone: `faults.py FOLDER [--only WORD ...]`.

Takes real strokes, makes each clean (offset off, start and end faded, set below full scale, laid
between quiet), and puts one fault into each at sizes drawn from a seed: once clearly there, once
clearly not. A stroke is clean because it was made so, not because nothing was found in it. What
rattles, scrapes, rolls or bounces is many strokes by itself and is left out by its name.

Precision: of all times a kind was raised, on clean strokes, on strokes of this kind and on strokes
with any other fault, how many were right; a stroke that raises a kind wrongly in several of its
versions does so once. Recall: of the faults clearly there, how many were found.
"""

from __future__ import annotations

import argparse
import collections
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve

from catalog.audio.decode import AUDIO_SUFFIXES, decode_file
from catalog.audio.resample import resample
from catalog.errors import CatalogError
from catalog.features.faults import find_faults, find_raw_peak
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono

MANY_STROKES = (
    "vibra", "guiro", "shaker", "maraca", "cabasa", "roll", "tamb", "scratch", "whistle", "swirl",
    "jingle", "ratchet", "sweep", "chime", "applause", "clap", "flam", "castanet", "carillon",
    "cuica", "belltree", "door", "till", "swoosh", "crush", "loop", "snarerest", "elec_", "glitch",
    "vinyl", "brush_snr", "orch", "misc", "effects",
)  # fmt: skip
BEFORE_S, AFTER_S = 0.30, 0.35  # of quiet around a stroke, as it comes off a recorder
QUIET_DBFS = -92.0  # its noise, RMS
CEILING_DBTP = -9.0  # of a clean stroke
Inject = Callable[[np.ndarray, int, int, bool, np.random.Generator], np.ndarray]


def db(value: float) -> float:
    return float(10 ** (value / 20))


def true_peak(y: np.ndarray, sr: int) -> float:
    """By soxr at sixteenfold rate: not the way in which the program measures it."""
    return float(np.abs(resample(y, sr=sr, to_sr=16 * sr)).max())


def clean(path: Path, rng: np.random.Generator) -> tuple[np.ndarray, int, int] | None:
    """Give a clean stroke, shape (n, 1), its rate and its first frame; None if it holds none."""
    try:
        audio = decode_file(path)
        mono = mix_to_mono(audio.samples)
        stroke = find_stroke(mono, sr=audio.sr)
    except CatalogError:
        return None
    sr = audio.sr
    y = mono[stroke.start : stroke.stop].astype(float)
    if len(y) < 0.08 * sr:
        return None
    y -= slow_part(y, sr)
    n_in, n_out = round(0.0007 * sr), round(0.5 * len(y))
    y[:n_in] *= np.linspace(0, 1, n_in)
    y[-n_out:] *= np.cos(np.linspace(0, np.pi / 2, n_out)) ** 4
    y *= db(CEILING_DBTP) / np.abs(y).max()
    y = np.concatenate([np.zeros(round(BEFORE_S * sr)), y, np.zeros(round(AFTER_S * sr))])
    y += rng.normal(size=len(y)) * db(QUIET_DBFS)
    return y[:, None], sr, round(BEFORE_S * sr)


def slow_part(y: np.ndarray, sr: int) -> np.ndarray:
    """What moves slower than some 10 Hz: an offset, or one that wanders under the stroke."""
    n = round(0.2 * sr)
    bell = np.hanning(n + 2)[1:-1]
    even = np.concatenate([np.full(n, np.median(y)), y, np.full(n, np.median(y))])
    return fftconvolve(even, bell / bell.sum(), "same")[n : n + len(y)]


def clipped(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    ceiling = db(rng.uniform(-3, -0.01))
    y = y / np.abs(y).max() * ceiling * db(rng.uniform(3, 12) if big else rng.uniform(-3, -0.5))
    return np.clip(y, -ceiling, ceiling)


def over(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    """A burst at a quarter of the rate, 45 degrees off: its samples lie 3 dB under its peaks."""
    n = round(rng.uniform(0.003, 0.01) * sr)
    t = np.arange(n)
    burst = np.sin(np.pi / 2 * t + np.pi / 4) * np.hanning(n)
    y = y * 0.3
    y[at : at + n, 0] += burst
    return y / true_peak(y, sr) * db(rng.uniform(0.3, 2.0) if big else rng.uniform(-2.0, -0.3))


def dc(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    return y + rng.choice([-1, 1]) * db(rng.uniform(-52, -20) if big else rng.uniform(-85, -68))


def hum(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    t, mains = np.arange(len(y)) / sr, rng.choice([50, 60])
    parts = [
        rng.uniform(0.3, 1) / k * np.sin(2 * np.pi * mains * k * t + rng.uniform(0, 7))
        for k in range(1, 6)
    ]
    tone = np.sum(parts, axis=0)
    level = db(rng.uniform(-62, -35) if big else rng.uniform(-105, -86))
    return y + (tone / tone.std() * level)[:, None]


def click(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    n, y = int(rng.integers(1, 30)), y.copy()
    start = at - round(rng.uniform(0.012, 0.2) * sr)
    level = np.abs(y).max() * db(rng.uniform(-40, -12) if big else rng.uniform(-80, -58))
    y[start : start + n, 0] += level * np.exp(-np.arange(n) / 6) * rng.choice([-1, 1])
    return y


def rumble(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(len(y)) / sr
    level = np.abs(y).max() * db(rng.uniform(-42, -18) if big else rng.uniform(-85, -62))
    wave = np.sin(2 * np.pi * rng.uniform(5, 18) * t + rng.uniform(0, 7))
    fades = np.clip((len(y) / sr - 0.1 - t) / 0.2, 0, 1)  # lorries pass: the end is quiet again
    return y + (level * wave * fades)[:, None]


def start_cut(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    if big:
        level = np.abs(y[:, 0])
        return y[int(np.argmax(level >= rng.uniform(0.25, 0.9) * level.max())) :]
    return y[at - round(rng.uniform(0.001, 0.02) * sr) :]


def tail_cut(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    if not big and rng.uniform() < 0.5:
        return y[: len(y) - round(rng.uniform(0, 0.3) * sr)]
    n = round(0.01 * sr)
    power = np.square(y[: len(y) // n * n, 0]).reshape(-1, n).mean(axis=1)
    above = np.flatnonzero(power > power.max() * 10 ** (rng.uniform(-45, -15) / 10))
    cut = y[: max(at + 6 * n, (int(above[-1]) + 1) * n)].copy()
    if not big:  # a tail that somebody faded out is not cut
        m = min(round(rng.uniform(0.008, 0.05) * sr), len(cut) - at)
        cut[-m:, 0] *= np.linspace(1, 0, m)
    return cut


def second(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    """The stroke once more, before the first has died away; a flam's first may be the softer one.

    Clearly there: its attack is 10 dB above the loudest of the 20 ms before it.
    """
    n = round(0.02 * sr)
    for _ in range(50):
        late = round(rng.uniform(0.02, 0.3) * sr)
        level = db(rng.uniform(-10, 10) if big else rng.uniform(-60, -40))
        if at + late + n >= len(y):
            continue
        rings = np.abs(y[at + late - n : at + late]).max()
        if not big or level * np.abs(y[at : at + n // 2]).max() > db(10) * rings:
            break
    else:
        return np.empty((0, 1))
    both = y + level * np.concatenate([np.zeros((late, 1)), y[: len(y) - late]])
    return both * min(1.0, np.abs(y).max() / np.abs(both).max())


def floor(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    level = db(rng.uniform(-55, -35) if big else rng.uniform(-95, -75))
    return y + rng.normal(size=y.shape) * level


def silent(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    level = db(rng.uniform(-100, -55) if big else rng.uniform(-34, 0))
    return np.concatenate([y, y * level], axis=1)


def polarity(y: np.ndarray, sr: int, at: int, big: bool, rng: np.random.Generator) -> np.ndarray:
    late = int(rng.integers(0, round(0.0006 * sr)))
    other = np.concatenate([np.zeros((late, 1)), y[: len(y) - late]])
    smooth = np.convolve(other[:, 0], [0.2, 0.6, 0.2], "same")[:, None] * db(rng.uniform(-6, 6))
    return np.concatenate([y, -smooth if big else smooth], axis=1)


INJECT: dict[str, Inject] = {
    f.__name__: f
    for f in (
        clipped, over, dc, hum, click, rumble, start_cut, tail_cut, second, floor, silent, polarity,
    )
}  # fmt: skip


FOLLOWS = {"clipped": {"over"}}  # the wave between flat tops does go above them


def raised(y: np.ndarray, sr: int) -> set[str]:
    samples = np.asarray(y, np.float32)
    if len(samples) < 2 or not samples.any():
        return set()
    found = find_faults(samples, mix_to_mono(samples), sr=sr, subtype="PCM_24")
    return {fault.kind for fault in found}


def count(paths: list[Path], seed: int) -> None:
    right: collections.Counter[str] = collections.Counter()
    missed: collections.Counter[str] = collections.Counter()
    wrong: collections.Counter[str] = collections.Counter()
    left_out: collections.Counter[str] = collections.Counter()
    where: collections.Counter[tuple[str, str]] = collections.Counter()
    n_clean = n_raised = 0
    seconds = 0.0
    for i, path in enumerate(paths):
        rng = np.random.default_rng([seed, i])
        made = clean(path, rng)
        if made is None:
            continue
        y, sr, at = made
        n_clean += 1
        start = time.process_time()
        found = raised(y, sr)
        seconds += time.process_time() - start
        n_raised += bool(found)
        wrongly = set(found)
        where.update((kind, "clean") for kind in found)
        for name, inject in INJECT.items():
            for big in (True, False):
                made_worse = inject(y, sr, at, big, rng)
                if len(made_worse) == 0:
                    left_out[name] += 1
                    continue
                found = raised(made_worse, sr)
                if big:
                    (right if name in found else missed)[name] += 1
                more = found - (FOLLOWS.get(name, set()) | {name} if big else set())
                wrongly |= more
                where.update((kind, f"{name} {'there' if big else 'not'}") for kind in more)
        wrong.update(wrongly)
    print(f"{n_clean} strokes, {len(INJECT)} faults at two sizes each, seed {seed}")
    print(f"clean strokes with any fault raised: {n_raised} ({n_raised / max(1, n_clean):.1%})")
    print(f"processor time: {1000 * seconds / max(1, n_clean):.2f} ms a stroke")
    print(f"{'kind':<12}{'precision':>10}{'recall':>8}   raised wrongly on")
    for name in INJECT:
        precision = right[name] / max(1, right[name] + wrong[name])
        recall = right[name] / max(1, right[name] + missed[name])
        most = [f"{w} {n}" for (k, w), n in where.most_common() if k == name][:3]
        print(f"{name:<12}{precision:>10.3f}{recall:>8.3f}   {', '.join(most)}")
    if left_out:
        print(f"not clearly there at any size, left out: {dict(left_out)}")
    count_raw_peaks(seed)


def count_raw_peaks(seed: int) -> None:
    """The peak of a raw take is a number with two limits; this only shows that they hold."""
    rng = np.random.default_rng(seed)
    out = np.concatenate([rng.uniform(-40, -12.5, 200), rng.uniform(-5.5, 0, 200)])
    within = rng.uniform(-11.9, -6.1, 400)
    hit = sum(bool(find_raw_peak(db(v), subtype="PCM_24")) for v in out)
    false = sum(bool(find_raw_peak(db(v), subtype="PCM_24")) for v in within)
    print(f"{'raw_peak':<12}{hit / max(1, hit + false):>10.3f}{hit / len(out):>8.3f}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="+", default=[], help="words of paths to take")
    parser.add_argument("--most", type=int, default=150, help="strokes, drawn from the seed")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    paths = [
        path
        for path in sorted(args.folder.rglob("*"))
        if path.suffix.lower() in AUDIO_SUFFIXES
        and not any(word in str(path.relative_to(args.folder)).lower() for word in MANY_STROKES)
        and (not args.only or any(word in str(path) for word in args.only))
    ]
    rng = np.random.default_rng(args.seed)
    picked = rng.permutation(len(paths))[: args.most]
    count([paths[i] for i in sorted(picked)], args.seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
