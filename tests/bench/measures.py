"""Measure how far the numbers of a hit hold: against known answers and independent computations.

    python tests/bench/measures.py [--toms FOLDER] [--hits FOLDER ...] [--labels TABLE FOLDER ...]

FOLDER of `--toms` holds one folder for each drum with files named NUMBER-DRUM-MICROPHONE.flac,
such as MuldjordKit (Lars Muldjord, CC BY 4.0). Files of `--hits` are taken at random. Each line
gives the former definition, which is written out below, and the present one side by side. Tables
of `--labels` had no part in the fit of the roles. Levels of kits: `tests/bench/velocities.py`.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import tempfile
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[2]))

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features.measure import measure_audio
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.models import Hit, Role, RoleSource
from catalog.search.drums.drum_pitch import estimate_drum_pitches
from tests.bench.strangers import print_strangers

N_HITS = 140
N_PAIRS = 24
LEADS_S = (0.0, 0.01, 0.1, 0.25, 0.5)  # of silence before a copy
SR = 44_100
FAR_WORDS = ("OH", "Amb")  # in the names of MuldjordKit's far microphones
ROLES = {"Tom": Role.TOM, "Kdrum": Role.KICK, "Snare": Role.SNARE, "Hihat": Role.HAT_CLOSED}


def measure(samples: np.ndarray, sr: int) -> dict[str, float]:
    """Return the present descriptors of a mono hit."""
    audio = Audio(np.asarray(samples, np.float32)[:, None], sr, "WAV", "FLOAT")
    return measure_audio(audio).descriptors


def former(samples: np.ndarray, sr: int) -> dict[str, float]:
    """Return the descriptors as they were defined until measure version 3, in plain numpy."""
    mono = np.asarray(samples, np.float64)
    stroke = find_stroke(mono.astype(np.float32), sr=sr)
    body = mono[stroke.start : stroke.stop]
    n = round(0.01 * sr)
    blocks = np.array([np.square(body[i : i + n]).sum() for i in range(0, len(body), n)])
    left = np.cumsum(np.square(body)[::-1])[::-1] / np.square(body).sum()
    first, last = (int(np.argmax(left <= share)) for share in (10**-0.5, 10**-2.5))
    time_s, level_db = np.arange(first, last) / sr, 10 * np.log10(left[first:last])
    slope = np.polyfit(time_s, level_db, 1)[0] if last > first + 8 else math.nan
    w = max(1, round(0.002 * sr))
    level = np.sqrt(np.convolve(np.square(body[: sr // 2]), np.ones(w) / w, "same"))
    reached = int(np.argmax(level >= 0.9 * level.max()))
    below = np.flatnonzero(level[: reached + 1] < 0.1 * level.max())
    floor = [np.var(mono[i : i + 2 * n]) for i in range(0, len(mono) - 2 * n + 1, 2 * n)]
    head = body[: round(0.2 * sr)]
    hz, power = _former_spectrum(body, sr)
    return {
        "length_s": (np.flatnonzero(blocks > 1e-6 * blocks.max())[-1] + 1) * n / sr,
        "decay60_s": -60.0 / slope,
        "attack_s": (reached - (int(below[-1]) if len(below) else 0)) / sr,
        "floor_db": 10 * math.log10(min((v for v in floor if v > 1e-20), default=1e-20)),
        "centroid_hz": float(hz @ power / power.sum()),
        "rolloff_hz": float(hz[np.argmax(np.cumsum(power) >= 0.85 * power.sum())]),
        "flatness": float(np.exp(np.log(power + 1e-10 * power.max()).mean()) / power.mean()),
        "crest_db": 20 * math.log10(np.abs(body).max() / np.sqrt(np.square(head).mean())),
        "body_hz": _former_body(body, sr),
    }


def _former_spectrum(body: np.ndarray, sr: int) -> tuple[np.ndarray, np.ndarray]:
    padded = np.concatenate([np.zeros(2048), body[: round(1.5 * sr)], np.zeros(4096)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, 4096)[::2048]
    power = np.square(np.abs(np.fft.rfft(frames * np.hanning(4096), axis=1))).mean(axis=0)
    hz = np.fft.rfftfreq(4096, 1 / sr)
    return hz[hz <= 20_000], power[hz <= 20_000]


def _former_body(body: np.ndarray, sr: int) -> float:
    part = body[round(0.01 * sr) :][: round(0.37 * sr)]
    if len(part) < 0.02 * sr:
        return math.nan
    power = np.square(np.abs(np.fft.rfft(part * np.hanning(len(part)), 16 * SR)))
    hz = np.fft.rfftfreq(16 * SR, 1 / sr)
    inside = (hz > 30) & (hz < 500)
    if power[inside].sum() < 0.02 * power.sum():
        return math.nan
    return float(hz[inside][power[inside].argmax()])


def independent_pitch(samples: np.ndarray, sr: int) -> float:
    """Return the lowest strong mode by librosa's reassigned spectrogram; NaN without one."""
    import librosa

    start = find_stroke(samples, sr=sr).start + round(0.03 * sr)
    low = librosa.resample(samples[start : start + round(0.72 * sr)], orig_sr=sr, target_sr=5_500)
    low = np.pad(low, (0, max(0, 1024 - len(low))))
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of numpy on a comparison within librosa
        hz, _, size = librosa.reassigned_spectrogram(
            low, sr=5_500, n_fft=1024, hop_length=64, center=False, reassign_times=False
        )
    inside = (hz > 40) & (hz < 500)
    semitones, energy = 12 * np.log2(hz[inside]), np.square(size[inside])
    histogram, edges = np.histogram(semitones, np.arange(63.8, 107.7, 0.1), weights=energy)
    smooth = np.convolve(histogram, np.hanning(9), "same")
    inner = smooth[1:-1]
    peaks = (inner >= smooth[:-2]) & (inner > smooth[2:]) & (inner >= 0.1 * smooth.max())
    if not peaks.any() or smooth.max() <= 0:
        return math.nan
    near = np.abs(semitones - edges[1 + int(np.argmax(peaks))]) <= 0.5
    return float(2 ** (np.average(semitones[near], weights=energy[near]) / 12))


def print_pitch(folder: Path) -> None:
    """Print how many strokes are within a semitone of their drum, by role and microphone."""
    hits, raw, names = [], {}, {}
    for number, path in enumerate(sorted(folder.glob("*/*.flac")), 1):
        _, drum, microphone = path.stem.split("-", 2)
        audio = decode_file(path)
        mono = mix_to_mono(audio.samples)
        role = next((r for word, r in ROLES.items() if drum.startswith(word)), Role.CRASH)
        hits.append(
            Hit(
                number, path, 0, len(mono), audio.sr, 1, "session", drum, microphone, "", role, 1.0,
                RoleSource.USER, measure_audio(audio).descriptors, "FLAC", "PCM_16", "",
            )
        )  # fmt: skip
        raw[number] = former(mono, audio.sr)["body_hz"]
        names[number] = independent_pitch(mono, audio.sr) if role == Role.TOM else math.nan
    pitches = estimate_drum_pitches(hits)
    rows: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    middle = _medians(hits, raw)
    for hit in hits:
        far = any(word in hit.microphone for word in FAR_WORDS)
        own = hit.descriptors["body_hz"]
        usual = middle.get((hit.drum, hit.microphone), math.nan)
        drum = pitches[hit.id].hz if hit.id in pitches else math.nan
        rows[f"{hit.role}, {'far' if far else 'close'}"].append(
            (_apart(raw[hit.id], usual), _apart(own, drum), own, drum, _apart(names[hit.id], drum))
        )
    print("pitch: strokes more than a semitone off / with a pitch / all")
    for name, values in sorted(rows.items()):
        v = np.array(values)
        print(
            f"  {name:18s} before {np.sum(v[:, 0] > 1):3d} / {np.sum(np.isfinite(v[:, 0])):3d}"
            f"   stroke {np.sum(v[:, 1] > 1):3d} / {np.sum(np.isfinite(v[:, 2])):3d}"
            f"   drum has one {np.sum(np.isfinite(v[:, 3])):3d}   librosa off"
            f" {np.sum(v[:, 4] > 1):3d}   all {len(v):3d}"
        )


def _medians(hits: list[Hit], hz: dict[int, float]) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for hit in hits:
        if hz[hit.id] > 0:
            found[hit.drum, hit.microphone].append(hz[hit.id])
    return {key: float(np.median(values)) for key, values in found.items()}


def _apart(a: float, b: float) -> float:
    return abs(12 * math.log2(a / b)) if a > 0 and b > 0 else math.nan


def changes(y: np.ndarray, sr: int) -> Iterator[tuple[str, np.ndarray, int]]:
    """Yield a hit under changes that should not matter: noise, padding, a fade, another rate."""
    rng = np.random.default_rng(len(y))
    peak, fade = float(np.abs(y).max()), np.ones(len(y))
    n = min(len(y), round(0.03 * sr))
    fade[-n:] = np.linspace(1, 0, n)
    yield "noise at -60 dB", y + 1e-3 * peak * rng.normal(size=len(y)), sr
    yield "silence around", np.concatenate([np.zeros(sr // 3), y, np.zeros(sr)]), sr
    yield "fade of 30 ms", y * fade, sr
    yield "96 kHz", resample(y[:, None], sr=sr, to_sr=96_000)[:, 0], 96_000


CHECKED = {
    "noise at -60 dB": ("length_s", "decay60_s"),
    "silence around": ("length_s", "decay60_s", "attack_s", "centroid_hz", "flatness", "crest_db"),
    "fade of 30 ms": ("length_s", "decay60_s"),
    "96 kHz": ("attack_s", "centroid_hz", "rolloff_hz", "flatness", "crest_db"),
}


def print_stability(folders: list[Path]) -> None:
    """Print by how many per cent changes that should not matter change the numbers."""
    paths = sorted(path for folder in folders for path in folder.rglob("*.flac"))
    random.Random(3).shuffle(paths)
    found: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    n_bounds = n_end = n_noise = 0
    for path in paths[:N_HITS]:
        audio = decode_file(path)
        y = mix_to_mono(audio.samples).astype(np.float64)
        for name, function in (("before", former), ("after", measure)):
            start = function(y, audio.sr)
            for change, samples, sr in changes(y, audio.sr):
                changed = function(samples, sr)
                if name == "after" and max(start["seen_db"], changed["seen_db"]) > -59.9:
                    changed |= {"length_s": math.nan}  # told as a lower bound
                for number in CHECKED[change]:
                    ratio = changed[number] / start[number] if start[number] else math.nan
                    found[change, number, name].append(100 * abs(ratio - 1))
        now = measure(y, audio.sr)
        n_bounds += now["seen_db"] > -59.9
        n_noise += math.isfinite(now["floor_db"])
        n_end += former(y, audio.sr)["length_s"] >= now["tail_s"] - 0.01
    n = min(N_HITS, len(paths))
    print(f"{n} hits: {n_end} lengths reached the end before, {n_bounds} are told as bounds now;")
    print(f"{n_noise} show noise. Changes in per cent, 50th / 90th / 95th percentile:")
    for (change, number, name), values in sorted(found.items()):
        p = np.nanpercentile(values, [50, 90, 95])
        print(f"  {change:16s} {number:12s} {name:7s} {p[0]:7.1f} {p[1]:7.1f} {p[2]:7.1f}")


def print_offsets(folders: list[Path]) -> None:
    """Print the errors of offsets between hits and copies with silence put before them."""
    paths = sorted(path for folder in folders for path in folder.rglob("*.flac"))
    random.Random(4).shuffle(paths)
    errors = []
    with (
        tempfile.TemporaryDirectory() as folder,
        Catalog.open(Path(folder) / "drums.sqlite") as cat,
    ):
        for number, path in enumerate(paths[:N_PAIRS]):
            audio = decode_file(path)
            lead = np.zeros(
                (round(LEADS_S[number % len(LEADS_S)] * audio.sr), audio.samples.shape[1])
            )
            later = np.concatenate([lead, audio.samples])
            for name, samples in (("a", audio.samples), ("b", later)):
                soundfile.write(Path(folder) / f"{number}{name}.wav", samples, audio.sr, "FLOAT")
        cat.scan([folder])
        hits = {hit.path.stem: hit for hit in cat.hits()}
        for number in range(N_PAIRS):
            first, second = (hits.get(f"{number}{name}") for name in "ab")
            if first is not None and second is not None:
                found = cat.duplicates.align(first.id, second.id).offset_s
                errors.append(1000 * abs(found - LEADS_S[number % len(LEADS_S)]))
    p = np.percentile(errors, [50, 95, 100])
    print(f"offsets of {len(errors)} copies moved by 0 to 500 ms, error in ms, 50th / 95th / most:")
    print(f"  {p[0]:.3f} {p[1]:.3f} {p[2]:.3f}   before: median 85 to 162, most 296")


def print_floors() -> None:
    """Print the floor of a stroke in known noise, and under a fade and silence before it."""
    t = np.arange(SR) / SR
    print("noise floor of a stroke in noise at -50 dBFS, lowest and highest of eight seeds")
    for label, change in FLOOR_CHANGES.items():
        signals = [change(_decay(t, 0.4, 10**-2.5 / 0.5, seed)) for seed in range(8)]
        texts = []
        for function in (former, measure):
            values = [function(y, SR)["floor_db"] for y in signals]
            texts.append(f"{min(values):7.1f} to {max(values):7.1f}")
        print(f"  {label:24s} before {texts[0]}   after {texts[1]}")
    silent = measure(_decay(t, 0.4, 0.0, 0), SR)["floor_db"]
    print(f"  without noise            after {silent} (none)")


FLOOR_CHANGES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "as it is": lambda y: y,
    "fade of 50 ms": lambda y: y * np.minimum(1.0, np.arange(len(y))[::-1] / (0.05 * SR)),
    "0.3 s of silence before": lambda y: np.pad(y, (round(0.3 * SR), 0)),
}


def print_known_answers() -> None:
    """Print numbers of made signals whose answers are arithmetic."""
    t = np.arange(SR) / SR
    rows: list[tuple[str, str, Callable[[int], np.ndarray], str]] = [
        ("white noise of 20 ms", "flatness", lambda s: _noise(s, 0.02), "1"),
        ("white noise of 1 s", "flatness", lambda s: _noise(s, 1.0), "1"),
        ("burst cut at 20 ms", "crest_db", lambda s: _noise(0, 0.02), "as below"),
        (
            "the same with silence",
            "crest_db",
            lambda s: np.pad(_noise(0, 0.02), (0, SR)),
            "as above",
        ),
        ("T60 of 1 s, noise -50", "decay60_s", lambda s: _decay(t, 1.0, 10**-2.5, s), "1"),
        ("T60 of 1 s, noise -60", "length_s", lambda s: _decay(t, 1.0, 10**-3, s), "1"),
        ("rise of 25 ms at 40 Hz", "attack_s", lambda s: _rise(t, 40.0, 0.025, s), "one value"),
        ("rise of 5 ms at 40 Hz", "attack_s", lambda s: _rise(t, 40.0, 0.005, s), "one value"),
    ]
    print("known answers: lowest and highest of eight seeds or phases")
    for label, number, make, answer in rows:
        texts = []
        for function in (former, measure):
            values = [function(make(seed), SR)[number] for seed in range(8)]
            texts.append(f"{min(values):8.4g} to {max(values):8.4g}")
        print(f"  {label:24s} {number:10s} before {texts[0]}   after {texts[1]}   answer {answer}")


def _noise(seed: int, length_s: float) -> np.ndarray:
    return 0.1 * np.random.default_rng(seed).normal(size=round(length_s * SR))


def _decay(t: np.ndarray, t60_s: float, noise: float, seed: int) -> np.ndarray:
    t = np.concatenate([t, t + 1.0])
    tone = np.sin(2 * np.pi * 300 * t) * 10 ** (-3 * t / t60_s)
    return 0.5 * (tone + noise * np.random.default_rng(seed).normal(size=len(t)))


def _rise(t: np.ndarray, hz: float, rise_s: float, phase: int) -> np.ndarray:
    level = np.minimum(1.0, t / rise_s) * np.exp(-t / 0.3)
    return 0.5 * level * np.sin(2 * np.pi * hz * t + phase * np.pi / 8)


def main() -> None:
    """Print the tables that the arguments allow."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--toms", type=Path, help="folder of strokes through several microphones")
    parser.add_argument("--hits", type=Path, nargs="*", default=[], help="folders of any hits")
    parser.add_argument("--labels", type=Path, nargs="*", default=[], metavar="TABLE FOLDER")
    arguments = parser.parse_args()
    print_known_answers()
    print_floors()
    if arguments.hits:
        print_offsets(arguments.hits)
        print_stability(arguments.hits)
    if arguments.labels:
        tables = zip(arguments.labels[::2], arguments.labels[1::2], strict=True)
        print_strangers(list(tables))
    if arguments.toms:
        print_pitch(arguments.toms)


if __name__ == "__main__":
    main()
