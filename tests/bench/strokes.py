"""Measure the detection of single strokes in takes: `strokes.py FOLDER`.

FOLDER holds `muldjordkit`, `open_percussion` and `more_percussion`. Takes of which every stroke is
known are built from single recorded strokes: grooves, soft strokes before loud ones, flams, shakers
and tambourines, overlapping cymbals, and drums with handling noise or speech-like noise between
them. Half of the drums were looked at while the detector was written; the other half is held out.

F-measures follow the onset task of MIREX (a detected onset counts if it lies within 50 ms of an
annotated one, each used once), and again with 5 ms; `tests/outside/test_onset_scores.py` checks
them against mir_eval.

The drums that were looked at also train the model of strokes: `--table FILE` writes their labels
for `catalog.training`, without recordings that resemble one of a drum that is held out.
"""

from __future__ import annotations

import argparse
import csv
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.signal import butter, sosfilt

from catalog.features.segmentation import segment_take
from tests.bench.recorded_strokes import HALVES, SR, Recordings, Stroke, load_strokes
from tests.bench.takes import decayed_at, speech_like_noise

WINDOWS_S = (0.050, 0.005)
ROOM_DBFS = -68.0
PEAK = 10 ** (-8 / 20)  # of a take
SHAKEN = ("shaker", "tambourine")
MAX_SHAKEN_S = 1.5  # longer files of shakers hold several strokes
ROLE_BY_LETTER = {
    "C": "crash",
    "H": "hat_closed",
    "K": "kick",
    "R": "ride",
    "S": "snare",
    "T": "tom",
}  # of the folders of MuldjordKit

Take = tuple[np.ndarray, dict[str, list[float]]]  # samples at SR; kinds of strokes, onsets in s


@dataclass
class Score:
    """Counts over many takes, for each window of `WINDOWS_S`; `details` lists what was wrong."""

    n_true: int = 0
    n_found: int = 0
    n_hits: list[int] = field(default_factory=lambda: [0] * len(WINDOWS_S))
    details: list[str] = field(default_factory=list)

    def add(self, name: str, true_s: list[float], found_s: list[float]) -> None:
        """Count the onsets of one take."""
        self.n_true += len(true_s)
        self.n_found += len(found_s)
        for i, window_s in enumerate(WINDOWS_S):
            pairs = match_onsets(true_s, found_s, window_s=window_s)
            self.n_hits[i] += len(pairs)
            if i == 0:
                lost = sorted(set(range(len(true_s))) - {a for a, _ in pairs})
                extra = sorted(set(range(len(found_s))) - {b for _, b in pairs})
                self.details += [f"{name} lost {k} at {true_s[k]:.3f} s" for k in lost]
                self.details += [f"{name} false at {found_s[k]:.3f} s" for k in extra]

    def line(self) -> str:
        """Format recall, share of false onsets and F-measure for each window."""
        parts = []
        for window_s, hits in zip(WINDOWS_S, self.n_hits, strict=True):
            recall, f = hits / max(1, self.n_true), 2 * hits / max(1, self.n_true + self.n_found)
            parts.append(f"within {1000 * window_s:.0f} ms found {recall:.3f}, F {f:.3f}")
        false = (self.n_found - self.n_hits[0]) / max(1, self.n_true)
        return f"{self.n_true} strokes, {'; '.join(parts)}; false {false:.3f}"


def match_onsets(
    true_s: list[float], found_s: list[float], *, window_s: float
) -> list[tuple[int, int]]:
    """Return the largest set of pairs (true, found) within the window, each onset used once.

    For points on a line, taking the earliest possible partner for each in order is optimal.
    """
    pairs, j = [], 0
    for i, at_s in enumerate(true_s):
        while j < len(found_s) and found_s[j] < at_s - window_s:
            j += 1
        if j < len(found_s) and found_s[j] <= at_s + window_s:
            pairs.append((i, j))
            j += 1
    return pairs


def count_take(
    scores: dict[str, Score], name: str, kinds: dict[str, list[float]], found_s: list[float]
) -> None:
    """Add the onsets of one take to the score of each kind; false ones count for the first."""
    everything = sorted(at_s for times in kinds.values() for at_s in times)
    pairs = match_onsets(everything, found_s, window_s=WINDOWS_S[0])
    for i, (kind, true_s) in enumerate(kinds.items()):
        others = {b for a, b in pairs if everything[a] not in true_s}
        if i:
            others |= set(range(len(found_s))) - {b for _, b in pairs}
        left = [at_s for b, at_s in enumerate(found_s) if b not in others]
        scores[kind].add(name, true_s, left)


def write_table(recordings: Recordings, file: Path) -> None:
    """Write the labels of the drums that were looked at, as `catalog.training` reads them."""
    base = recordings.folder / "open_percussion"
    held_out = {
        path for paths in recordings.select("held out", lambda *_: True).values() for path in paths
    }
    grooves_held_out = {drum for kit in GROOVE_KITS["held out"].values() for drum in kit}
    held_out |= {path for drum in grooves_held_out for path in recordings.find(drum)}
    with (base / "near_duplicates.csv").open(encoding="utf-8") as pairs:
        for row in csv.DictReader(pairs):
            pair = {base / row["path_a"], base / row["path_b"]}
            if pair & held_out:
                held_out |= pair
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["path", "source", "kit", "instrument", "microphone", "role"])
        for name, paths in recordings.select("looked at", lambda *_: True).items():
            source, kit, *rest = name.split("/")
            role = recordings.roles.get(name) or ROLE_BY_LETTER[kit[0]]
            instrument, microphone = (
                (kit, rest[0]) if source == "muldjordkit" else (rest[0], "/".join(rest[1:]))
            )
            for path in paths:
                if path not in held_out:
                    place = path.relative_to(recordings.folder)
                    writer.writerow([place, source, kit, instrument, microphone, role])


def mix_strokes(
    laid: list[tuple[float, Stroke, float]],
    rng: np.random.Generator,
    *,
    peak: float = 0.0,
    room_dbfs: float = ROOM_DBFS,
) -> np.ndarray:
    """Mix strokes, each with its time in seconds and gain, over room noise; `peak` 0 keeps it."""
    n = round(max(at_s for at_s, *_ in laid) * SR) + max(len(s[0]) for _, s, _ in laid) + SR // 2
    take = np.zeros(n)
    for at_s, (mono, onset), gain in laid:
        start = round(at_s * SR) - onset
        part = mono[max(0, -start) :]
        take[max(0, start) :][: len(part)] += gain * part
    if peak:
        take *= peak / np.abs(take).max()
    room = sosfilt(butter(1, 6000, fs=SR, output="sos"), rng.normal(size=n))
    take += room * 10 ** (room_dbfs / 20) / np.std(room)
    return take.astype(np.float32)


def peak_of(stroke: Stroke) -> float:
    """Return the highest level of a stroke."""
    return float(np.abs(stroke[0]).max())


GROOVE_KITS = {  # kick, snare, time keeper
    "looked at": {
        "overhead": [f"muldjordkit/{d}/OHL" for d in ("KdrumL", "Snare", "HihatClosed")],
        "room": [f"muldjordkit/{d}/AmbL" for d in ("KdrumL", "Snare", "HihatClosed")],
        "dry": [f"hydrogen-data/GMRockKit/{d}" for d in ("Kick", "Snare", "Hat Semi-Open")],
    },
    "held out": {
        "overhead": [f"muldjordkit/{d}/OHL" for d in ("KdrumR", "SnareRest", "RideR")],
        "open hat": [f"muldjordkit/{d}/OHL" for d in ("KdrumR", "SnareRest", "HihatOpen")],
        "room": [f"muldjordkit/{d}/AmbL" for d in ("KdrumR", "SnareRest", "HihatOpen")],
        "mixed": [
            "muldjordkit/KdrumR/KdrumR",
            "avl-drumkits/large kick/snare 38 a",
            "hydrogen-data/GMRockKit/Hat Closed",
        ],
    },
}


def build_groove(
    kit: list[list[Stroke]], bpm: float, rng: np.random.Generator
) -> tuple[np.ndarray, list[float]]:
    """Return eight bars of eighths: kick on 1, 3 and a third place, snare on 2 and 4, hat on all.

    Every stroke is a few ms early or late, as a player is. Strokes played together count once.
    """
    kick, snare, hat = kit
    loudest = max(map(peak_of, kick + snare))
    soft_hat = min(1.0, 0.4 * loudest / max(map(peak_of, hat)))
    laid, true_s = [], []
    for step in range(64):
        at_s = 0.5 + step * 30.0 / bpm + rng.normal() * 0.004
        place = step % 8
        drums = [(hat, soft_hat)]
        if place in (0, 4, 5 if step % 16 < 8 else 3):
            drums.append((kick, 1.0))
        if place in (2, 6):
            drums.append((snare, 1.0))
        times = [at_s + rng.uniform(0, 0.006) for _ in drums]
        for (strokes, gain), time_s in zip(drums, times, strict=True):
            stroke = strokes[int(rng.integers(len(strokes) // 3, len(strokes)))]
            laid.append((time_s, stroke, gain * 10 ** (rng.uniform(-3, 0) / 20)))
        true_s.append(min(times))
    return mix_strokes(laid, rng, peak=PEAK), true_s


def grooves(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return grooves at three tempi."""
    for name, drums in GROOVE_KITS[half].items():
        kit = [load_strokes(recordings.find(drum)) for drum in drums]
        for bpm in (80, 110, 140):
            rng = np.random.default_rng([1, bpm, len(name)])
            take, true_s = build_groove(kit, bpm, rng)
            yield name, (take, {f"groove, {bpm} bpm": true_s})


def is_single_drum(name: str, role: str) -> bool:
    """Return whether a drum is recorded with several strengths in one clean series."""
    if name.startswith("muldjordkit"):
        return "Amb" not in name
    return name.startswith(("frankensnare", "avl", "gogodze")) and role in (
        "snare",
        "tom",
        "kick",
        "other",
    )


def soft_before_loud(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return pairs of strokes of one drum: a softer one 80 to 250 ms before a louder one."""
    drums = recordings.select(half, is_single_drum)
    for number, (name, paths) in enumerate(drums.items()):
        strokes = load_strokes(paths)
        if len(strokes) < 2:
            continue
        for under_db in (10, 14, 20):
            rng, at_s = np.random.default_rng([2, number, under_db]), 0.5
            laid, soft_s, loud_s = [], [], []
            for _ in range(6):
                soft, loud = rng.permutation(len(strokes))[:2]
                gain = 10 ** (-under_db / 20) * peak_of(strokes[loud]) / peak_of(strokes[soft])
                gap_s = rng.uniform(0.08, 0.25)
                laid += [(at_s, strokes[soft], gain), (at_s + gap_s, strokes[loud], 1.0)]
                soft_s.append(at_s)
                loud_s.append(at_s + gap_s)
                at_s += gap_s + rng.uniform(1.0, 2.0)
            kinds = {f"softer by {under_db} dB": soft_s, f"louder, {under_db} dB": loud_s}
            yield name, (mix_strokes(laid, rng, peak=PEAK), kinds)


def flams(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return flams whose grace note is 22 to 26 dB softer; only the main strokes are true."""
    drums = recordings.select(
        half,
        lambda name, role: is_single_drum(name, role) and not re.search("Crash|China|Ride", name),
    )
    for number, (name, paths) in enumerate(drums.items()):
        strokes = load_strokes(paths)
        if len(strokes) < 2:
            continue
        rng, laid, true_s, at_s = np.random.default_rng([3, number]), [], [], 0.5
        for _ in range(8):
            soft, loud = rng.permutation(len(strokes))[:2]
            under_db = rng.uniform(22, 26)
            gain = 10 ** (-under_db / 20) * peak_of(strokes[loud]) / peak_of(strokes[soft])
            gap_s = rng.uniform(0.015, 0.045)
            laid += [(at_s, strokes[soft], gain), (at_s + gap_s, strokes[loud], 1.0)]
            true_s.append(at_s + gap_s)
            at_s += rng.uniform(0.7, 2.0)
        yield name, (mix_strokes(laid, rng, peak=PEAK), {"main strokes of flams": true_s})


def shaken(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return single strokes of shakers and tambourines at their recorded level."""
    drums = recordings.select(half, lambda _, role: role in SHAKEN)
    for number, (name, paths) in enumerate(drums.items()):
        rng, laid, at_s = np.random.default_rng([4, number]), [], 0.5
        strokes = [s for s in load_strokes(paths) if len(s[0]) < MAX_SHAKEN_S * SR]
        for i in rng.integers(max(1, len(strokes)), size=12 if strokes else 0):
            stroke = strokes[i]
            laid.append((at_s, stroke, 1.0))
            at_s += (len(stroke[0]) - stroke[1]) / SR + rng.uniform(0.2, 0.9)
        if laid:
            kinds = {"shakers and tambourines": [at_s for at_s, *_ in laid]}
            yield name, (mix_strokes(laid, rng), kinds)


def cymbals(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return cymbals struck again while they ring."""
    drums = recordings.select(
        half,
        lambda name, role: bool(re.search("Crash|China|Ride", name)) or role in ("crash", "ride"),
    )
    for number, (name, paths) in enumerate(drums.items()):
        strokes = load_strokes(paths)
        if len(strokes) < 3:
            continue
        rng, laid, at_s = np.random.default_rng([5, number]), [], 0.5
        for i in rng.integers(len(strokes), size=16):
            laid.append((at_s, strokes[i], 1.0))
            at_s += rng.uniform(0.25, 0.9)
        kinds = {"overlapping cymbals": [at_s for at_s, *_ in laid]}
        yield name, (mix_strokes(laid, rng, peak=PEAK), kinds)


def handling_noise(n: int, rng: np.random.Generator) -> np.ndarray:
    """Return what hands, clothes and stands do: low bumps, rustling, creaks."""
    out, at = np.zeros(n), 0
    while at < n:
        length = int(rng.uniform(0.1, 0.5) * SR)
        t = np.arange(length) / SR
        kind = rng.integers(3)
        if kind == 0:  # a bump through the stand
            sound = np.sin(2 * np.pi * rng.uniform(25, 70) * t) * np.minimum(t / 0.04, 1)
            sound *= np.exp(-t / rng.uniform(0.03, 0.1))
        elif kind == 1:  # cloth
            band = butter(1, (800, 5000), "band", fs=SR, output="sos")
            slow = sosfilt(
                butter(2, rng.uniform(5, 20), fs=SR, output="sos"), rng.normal(size=length)
            )
            sound = sosfilt(band, rng.normal(size=length)) * np.abs(slow)
        else:  # a creak
            pitch = rng.uniform(150, 400) * (1 + 0.3 * t / t[-1])
            sound = np.sin(2 * np.pi * np.cumsum(pitch) / SR) * np.sin(np.pi * t / t[-1])
        sound *= rng.uniform(0.2, 1) / np.abs(sound).max()
        stop = min(n, at + length)
        out[at:stop] += (sound * np.minimum((t[-1] - t) / 0.01, 1))[: stop - at]
        at = stop + int(rng.uniform(0, 0.4) * SR)
    return out


def disturbed(recordings: Recordings, half: str) -> Iterator[tuple[str, Take]]:
    """Return drums that have decayed, with handling noise or speech-like noise between them."""
    drums = recordings.select(half, is_single_drum)
    for number, (name, paths) in enumerate(drums.items()):
        strokes = load_strokes(paths)
        for kind in ("handling", "speech"):
            rng = np.random.default_rng([6, number, kind == "speech"])
            laid, gaps, at_s = [], [], 0.5
            for i in rng.permutation(len(strokes))[:8]:
                mono, onset = strokes[i]
                rest = (decayed_at(mono, SR, 40.0) - onset) / SR
                gap_s = rng.uniform(0.5, 1.6)
                laid.append((at_s, strokes[i], 1.0))
                gaps.append((at_s + rest + 0.05, at_s + rest + gap_s - 0.08))
                at_s += rest + gap_s
            take = mix_strokes(laid, rng, peak=PEAK)
            for start_s, stop_s in gaps:
                start, n = round(start_s * SR), round((stop_s - start_s) * SR)
                noise = (
                    handling_noise(n, rng) if kind == "handling" else speech_like_noise(n, SR, rng)
                )
                part = take[start : start + n]
                part += (rng.uniform(0.02, 0.12) * PEAK * noise)[: len(part)].astype(np.float32)
            yield name, (take, {f"{kind} noise between": [at_s for at_s, *_ in laid]})


CASES = (grooves, soft_before_loud, flams, shaken, cymbals, disturbed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--case", choices=[case.__name__ for case in CASES], nargs="*")
    parser.add_argument("--half", choices=HALVES, nargs="*", default=HALVES)
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--table", type=Path, help="write the labels of the drums looked at")
    args = parser.parse_args()
    recordings = Recordings(args.folder)
    if args.table:
        write_table(recordings, args.table)
        return
    for case in CASES:
        if args.case and case.__name__ not in args.case:
            continue
        for half in args.half:
            scores: dict[str, Score] = defaultdict(Score)
            for name, (take, kinds) in case(recordings, half):
                found_s = [span.onset / SR for span in segment_take(take, sr=SR)]
                count_take(scores, name, kinds, found_s)
            for kind, score in scores.items():
                print(f"{kind}; drums {half}: {score.line()}")
                if args.verbose:
                    print("   " + "\n   ".join(score.details))


if __name__ == "__main__":
    main()
