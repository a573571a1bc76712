"""Measure precision and recall of fault detection: `faults.py FOLDER [--only WORD ...]`.

Real strokes are cleaned (offset removed, start and end faded, below full scale, quiet around them)
and one fault is added to each, at sizes drawn from a seed: once clearly present, once clearly
negligible. A stroke counts as clean because it was cleaned, not because no fault was detected.
Rattles, scrapes, rolls and the like hold many strokes by nature and are skipped by their names.

Precision: of all detections of a kind, on clean strokes and on strokes with this or another fault,
the share that is right; a stroke with false detections in several versions counts once. Recall: of
the faults clearly present, the share that is detected.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve

from catalog.audio.decode import AUDIO_SUFFIXES, decode_file
from catalog.audio.resample import resample
from catalog.errors import CatalogError
from catalog.features.faults.channels import find_raw_peak
from catalog.features.faults.detect import find_faults
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono

MULTI_STROKE_WORDS = (
    "vibra", "guiro", "shaker", "maraca", "cabasa", "roll", "tamb", "scratch", "whistle", "swirl",
    "jingle", "ratchet", "sweep", "chime", "applause", "clap", "flam", "castanet", "carillon",
    "cuica", "belltree", "door", "till", "swoosh", "crush", "loop", "snarerest", "elec_", "glitch",
    "vinyl", "brush_snr", "orch", "misc", "effects",
)  # fmt: skip
LEAD_S, TAIL_S = 0.30, 0.35  # of quiet around a stroke, as in a recording
QUIET_DBFS = -92.0  # RMS of the noise in it
CEILING_DBTP = -9.0  # of a clean stroke


def to_ratio(value_db: float) -> float:
    return float(10 ** (value_db / 20))


@dataclass(frozen=True)
class Draw:
    """Draws the size of a fault that is clearly present or clearly negligible."""

    is_present: bool
    rng: np.random.Generator

    def ratio(self, present_db: tuple[float, float], negligible_db: tuple[float, float]) -> float:
        return to_ratio(self.rng.uniform(*(present_db if self.is_present else negligible_db)))


Inject = Callable[[np.ndarray, int, int, Draw], np.ndarray]  # samples, Hz, start of the stroke


def true_peak(y: np.ndarray, sr: int) -> float:
    """Return the peak at 16 times the rate by soxr, unlike the code under test."""
    return float(np.abs(resample(y, sr=sr, to_sr=16 * sr)).max())


def clean_stroke(path: Path, rng: np.random.Generator) -> tuple[np.ndarray, int, int] | None:
    """Return a clean stroke, shape (n, 1), its rate and its start; None without a stroke."""
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
    y -= infrasound(y, sr)
    n_in, n_out = round(0.0007 * sr), round(0.5 * len(y))
    y[:n_in] *= np.linspace(0, 1, n_in)
    y[-n_out:] *= np.cos(np.linspace(0, np.pi / 2, n_out)) ** 4
    y *= to_ratio(CEILING_DBTP) / np.abs(y).max()
    y = np.concatenate([np.zeros(round(LEAD_S * sr)), y, np.zeros(round(TAIL_S * sr))])
    y += rng.normal(size=len(y)) * to_ratio(QUIET_DBFS)
    return y[:, None], sr, round(LEAD_S * sr)


def infrasound(y: np.ndarray, sr: int) -> np.ndarray:
    """Return the part below about 10 Hz: a constant or drifting offset."""
    n = round(0.2 * sr)
    window = np.hanning(n + 2)[1:-1]
    padded = np.pad(y, n, constant_values=np.median(y))
    return fftconvolve(padded, window / window.sum(), "same")[n : n + len(y)]


def clipped(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    ceiling = to_ratio(draw.rng.uniform(-3, -0.01))
    y = y / np.abs(y).max() * ceiling * draw.ratio((3, 12), (-3, -0.5))
    return np.clip(y, -ceiling, ceiling)


def over(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    """Add a burst at a quarter of the rate, 45 degrees off: samples are 3 dB below its peaks."""
    n = round(draw.rng.uniform(0.003, 0.01) * sr)
    t = np.arange(n)
    burst = np.sin(np.pi / 2 * t + np.pi / 4) * np.hanning(n)
    y = y * 0.3
    y[at : at + n, 0] += burst
    return y / true_peak(y, sr) * draw.ratio((0.3, 2.0), (-2.0, -0.3))


def dc(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    return y + draw.rng.choice([-1, 1]) * draw.ratio((-52, -20), (-85, -68))


def hum(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    t, mains = np.arange(len(y)) / sr, draw.rng.choice([50, 60])
    parts = [
        draw.rng.uniform(0.3, 1) / k * np.sin(2 * np.pi * mains * k * t + draw.rng.uniform(0, 7))
        for k in range(1, 6)
    ]
    tone = np.sum(parts, axis=0)
    level = draw.ratio((-62, -35), (-105, -86))
    return y + (tone / tone.std() * level)[:, None]


def click(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    n, y = int(draw.rng.integers(1, 30)), y.copy()
    start = at - round(draw.rng.uniform(0.012, 0.2) * sr)
    level = np.abs(y).max() * draw.ratio((-40, -12), (-80, -58))
    y[start : start + n, 0] += level * np.exp(-np.arange(n) / 6) * draw.rng.choice([-1, 1])
    return y


def rumble(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    t = np.arange(len(y)) / sr
    level = np.abs(y).max() * draw.ratio((-42, -18), (-85, -62))
    wave = np.sin(2 * np.pi * draw.rng.uniform(5, 18) * t + draw.rng.uniform(0, 7))
    fades = np.clip((len(y) / sr - 0.1 - t) / 0.2, 0, 1)  # the end is quiet again
    return y + (level * wave * fades)[:, None]


def start_cut(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    if draw.is_present:
        level = np.abs(y[:, 0])
        return y[int(np.argmax(level >= draw.rng.uniform(0.25, 0.9) * level.max())) :]
    return y[at - round(draw.rng.uniform(0.001, 0.02) * sr) :]


def tail_cut(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    if not draw.is_present and draw.rng.uniform() < 0.5:
        return y[: len(y) - round(draw.rng.uniform(0, 0.3) * sr)]
    n = round(0.01 * sr)
    power = np.square(y[: len(y) // n * n, 0]).reshape(-1, n).mean(axis=1)
    above = np.flatnonzero(power > power.max() * 10 ** (draw.rng.uniform(-45, -15) / 10))
    cut = y[: max(at + 6 * n, (int(above[-1]) + 1) * n)].copy()
    if not draw.is_present:  # a faded tail is not cut
        m = min(round(draw.rng.uniform(0.008, 0.05) * sr), len(cut) - at)
        cut[-m:, 0] *= np.linspace(1, 0, m)
    return cut


def second(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    """Add the stroke once more before it has decayed; the first may be softer, as in a flam.

    It is clearly present if its attack is 10 dB above the peak of the 20 ms before it.
    """
    n = round(0.02 * sr)
    for _ in range(50):
        late = round(draw.rng.uniform(0.02, 0.3) * sr)
        level = draw.ratio((-10, 10), (-60, -40))
        if at + late + n >= len(y):
            continue
        ringing = np.abs(y[at + late - n : at + late]).max()
        if (
            not draw.is_present
            or level * np.abs(y[at : at + n // 2]).max() > to_ratio(10) * ringing
        ):
            break
    else:
        return np.empty((0, 1))
    both = y + level * np.concatenate([np.zeros((late, 1)), y[: len(y) - late]])
    return both * min(1.0, np.abs(y).max() / np.abs(both).max())


def floor(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    level = draw.ratio((-55, -35), (-95, -75))
    return y + draw.rng.normal(size=y.shape) * level


def silent(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    level = draw.ratio((-100, -55), (-34, 0))
    return np.concatenate([y, y * level], axis=1)


def polarity(y: np.ndarray, sr: int, at: int, draw: Draw) -> np.ndarray:
    late = int(draw.rng.integers(0, round(0.0006 * sr)))
    other = np.concatenate([np.zeros((late, 1)), y[: len(y) - late]])
    smooth = np.convolve(other[:, 0], [0.2, 0.6, 0.2], "same")[:, None]
    smooth *= draw.ratio((-6, 6), (-6, 6))
    return np.concatenate([y, -smooth if draw.is_present else smooth], axis=1)


KINDS: tuple[Inject, ...] = (
    clipped, over, dc, hum, click, rumble, start_cut, tail_cut, second, floor, silent, polarity,
)  # fmt: skip
INJECT = {function.__name__: function for function in KINDS}
OF_TAKES = {"raw_peak"}  # measured over all strokes of a take, by `print_raw_peaks`
IMPLIED = {"clipped": {"over"}}  # the signal between flat tops exceeds them


def detected_kinds(y: np.ndarray, sr: int) -> set[str]:
    samples = np.asarray(y, np.float32)
    if len(samples) < 2 or not samples.any():
        return set()
    found = find_faults(samples, mix_to_mono(samples), sr=sr, subtype="PCM_24")
    return {fault.kind for fault in found}


def print_detection(paths: list[Path], seed: int) -> None:
    right, missed, wrong, skipped, confusions = (Counter() for _ in range(5))
    n_clean = n_detected = 0
    seconds = 0.0
    for i, path in enumerate(paths):
        rng = np.random.default_rng([seed, i])
        cleaned = clean_stroke(path, rng)
        if cleaned is None:
            continue
        y, sr, onset = cleaned
        n_clean += 1
        start = time.process_time()
        found = detected_kinds(y, sr)
        seconds += time.process_time() - start
        n_detected += bool(found)
        wrongly = set(found)
        confusions.update((kind, "clean") for kind in found)
        for name, inject in INJECT.items():
            for is_present in (True, False):
                faulty = inject(y, sr, onset, Draw(is_present, rng))
                if len(faulty) == 0:
                    skipped[name] += 1
                    continue
                found = detected_kinds(faulty, sr)
                if is_present:
                    (right if name in found else missed)[name] += 1
                more = found - (IMPLIED.get(name, set()) | {name} if is_present else set())
                wrongly |= more
                confusions.update(
                    (kind, f"{name} {'present' if is_present else 'negligible'}") for kind in more
                )
        wrong.update(wrongly)
    print(f"{n_clean} strokes, {len(INJECT)} faults at two sizes each, seed {seed}")
    share = n_detected / max(1, n_clean)
    print(f"clean strokes with any fault detected: {n_detected} ({share:.1%})")
    print(f"processor time: {1000 * seconds / max(1, n_clean):.2f} ms a stroke")
    print(f"{'kind':<12}{'precision':>10}{'recall':>8}   wrongly detected on")
    for name in INJECT:
        precision = right[name] / max(1, right[name] + wrong[name])
        recall = right[name] / max(1, right[name] + missed[name])
        most = [f"{w} {n}" for (k, w), n in confusions.most_common() if k == name][:3]
        print(f"{name:<12}{precision:>10.3f}{recall:>8.3f}   {', '.join(most)}")
    if skipped:
        print(f"not clearly present at any size, skipped: {dict(skipped)}")
    print_raw_peaks(seed)


def print_raw_peaks(seed: int) -> None:
    """Print the same for the peak of a raw take, which has two limits."""
    rng = np.random.default_rng(seed)
    out = np.concatenate([rng.uniform(-40, -12.5, 200), rng.uniform(-5.5, 0, 200)])
    within = rng.uniform(-11.9, -6.1, 400)
    hit = sum(bool(find_raw_peak(to_ratio(v))) for v in out)
    false = sum(bool(find_raw_peak(to_ratio(v))) for v in within)
    print(f"{'raw_peak':<12}{hit / max(1, hit + false):>10.3f}{hit / len(out):>8.3f}")


def has_word(text: str, words: Iterable[str]) -> bool:
    return any(word in text for word in words)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="+", default=[], help="words in the paths to use")
    parser.add_argument("--max-strokes", type=int, default=150, help="drawn from the seed")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    paths = [
        path
        for path in sorted(args.folder.rglob("*"))
        if path.suffix.lower() in AUDIO_SUFFIXES
        and not has_word(str(path.relative_to(args.folder)).lower(), MULTI_STROKE_WORDS)
        and (not args.only or has_word(str(path), args.only))
    ]
    rng = np.random.default_rng(args.seed)
    drawn = rng.permutation(len(paths))[: args.max_strokes]
    print_detection([paths[i] for i in sorted(drawn)], args.seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
