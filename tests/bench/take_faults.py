"""Measure the faults of takes: `take_faults.py FOLDER [--seed N] [--microphones]`.

FOLDER is arranged as for `takes.py`, which builds the takes: as they are, no stroke of them has a
cut tail. Then tails are cut in three ways: the file ends while the last stroke rings, a stroke is
muted abruptly while it rings, and it is faded instead, which is no fault. Drums that were looked at
while the limits were chosen are counted apart from those that were not.

With `--microphones` the takes have a channel for each microphone, as in `microphones.py`. One
channel of each is weakened to a dead one, hums, hisses, or has its polarity turned. A fault counts
as right if it is of the changed channel only. Which polarity a microphone has in the recordings is
not known, so it must be found odd either as recorded or turned, and not both.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.features.measure import measure_take
from catalog.features.measures import Measures
from tests.bench.microphones import list_drums, make_take, read_drum
from tests.bench.takes import TUNING_DRUMS, build_take, strokes_of

ABOVE_ROOM_DB = 15.0  # of a tail that is clearly cut
CUT_DB = (-38.0, -15.0)  # under the loudest 10 ms, where it is cut
NEXT_S = 0.15  # the least time from the cut to the next stroke
FADE_S = (0.015, 0.05)
CHANNEL_KINDS = ("silent", "hum", "floor", "polarity")


def levels_of(take: np.ndarray, sr: int) -> np.ndarray:
    """Return the mean square of each 10 ms."""
    n = sr // 100
    return np.square(take[: len(take) // n * n], dtype=float).reshape(-1, n).mean(axis=1)


def find_cut(take, sr, *, onset: int, following: int, cut_db: float) -> int | None:
    """Return the frame where a ring has fallen to `cut_db`, well above the room; None if never."""
    n = sr // 100
    power = levels_of(take, sr)
    room = float(np.percentile(power, 2))
    part = power[onset // n : following // n]
    if len(part) < 10:
        return None
    above = np.flatnonzero(part > part.max() * 10 ** (cut_db / 10))
    at = int(above[-1]) + 1
    is_clear = at >= 5 and part[at - 1] > room * 10 ** (ABOVE_ROOM_DB / 10)
    frame = (onset // n + at) * n
    return frame if is_clear and frame < following - NEXT_S * sr else None


def mute(take, sr, rng, *, at: int, following: int, faded: bool) -> np.ndarray:
    """Replace what follows frame `at` by the room, with a fade before it or none."""
    take = take.copy()
    room = float(np.sqrt(np.percentile(levels_of(take, sr), 2)))
    if faded:
        n = round(rng.uniform(*FADE_S) * sr)
        take[at - n : at] *= np.linspace(1, 0, n)
    stop = following - sr // 100
    take[at:stop] = rng.normal(size=stop - at) * room
    return take.astype(np.float32)


def cut_tails(take: np.ndarray, sr: int) -> tuple[int, list[float]]:
    """Return the number of strokes and the times of cut tails in a take."""
    first: Measures = measure_take(Audio(take[:, None], sr, "WAV", "PCM_24"))
    strokes = [first, *first.others]
    times = [f.at_s for m in strokes for f in m.faults if f.kind == "tail_cut"]
    return len(strokes), times


def count(score: Counter, sr: int, take, onsets, rng) -> None:
    """Add the cut tails found in one take and in its cut versions to the score."""
    n, false = cut_tails(take, sr)
    score.update(strokes=n, false=len(false))
    limits = [*onsets[1:], len(take)]
    k = int(rng.integers(1, len(onsets)))
    for version in ("file ends", "muted", "faded"):
        k = len(onsets) - 1 if version == "file ends" else k
        cut_db = float(rng.uniform(*CUT_DB))
        at = find_cut(take, sr, onset=onsets[k], following=limits[k], cut_db=cut_db)
        if at is None:
            continue
        if version == "file ends":
            made = take[:at]
        else:
            made = mute(take, sr, rng, at=at, following=limits[k], faded=version == "faded")
        _, times = cut_tails(made, sr)
        near = [t for t in times if abs(t - at / sr) < 0.05]
        present = version != "faded"
        score[f"{version}: made"] += 1
        score[f"{version}: found"] += bool(near)
        score["right"] += bool(near) and present
        score["false"] += len(times) - (bool(near) and present)


def find_channel_faults(take: np.ndarray, sr: int) -> dict[str, set[int]]:
    """Return the channels, from 0, of each kind of fault of a take with several microphones."""
    groups = [ChannelGroup(f"ch {n + 1}", (n + 1,)) for n in range(take.shape[1])]
    first = measure_take(Audio(take.astype(np.float32), sr, "WAV", "PCM_24"), groups)
    found: dict[str, set[int]] = {kind: set() for kind in CHANNEL_KINDS}
    for fault in (f for m in (first, *first.others) for f in m.faults if f.kind in CHANNEL_KINDS):
        found[fault.kind].add(fault.channel)
    return found


def change_channel(take: np.ndarray, sr: int, rng, *, kind: str, channel: int) -> np.ndarray:
    """Return a take with one kind of fault in one channel."""
    take, n = take.copy(), len(take)
    if kind == "silent":
        loudest = np.abs(take).max()
        peak = np.abs(take[:, channel]).max()
        take[:, channel] *= loudest * 10 ** (rng.uniform(-70, -50) / 20) / peak
    elif kind == "hum":
        level = 10 ** (rng.uniform(-60, -45) / 20)
        take[:, channel] += np.sqrt(2) * level * np.sin(2 * np.pi * 50 * np.arange(n) / sr)
    elif kind == "floor":
        take[:, channel] += rng.normal(size=n) * 10 ** (rng.uniform(-58, -45) / 20)
    else:
        take[:, channel] *= -1
    return take


def count_microphones(score: dict[str, Counter], take: np.ndarray, sr: int, rng) -> None:
    """Add the faults that are found in one take and in its changed versions to the score."""
    plain = find_channel_faults(take, sr)
    for kind in CHANNEL_KINDS:
        channel = int(rng.integers(take.shape[1]))
        found = find_channel_faults(change_channel(take, sr, rng, kind=kind, channel=channel), sr)
        if kind == "polarity":
            told = plain[kind] | found[kind]
            score[kind].update(right=len(plain[kind] ^ found[kind]), told=len(told), made=1)
            score[kind].update(false=len(plain[kind] & found[kind] & {channel}))
            continue
        right = channel in found[kind]
        others = sum(len(c - {channel}) for k, c in found.items() if k == kind)
        score[kind].update(made=1, right=right, false=others + len(plain[kind]))


def main_microphones(folder: Path, seed: int) -> int:
    """Print precision and recall of each kind of fault, by halves of the drums."""
    drums = list_drums(folder)
    for name, half in (("looked at", drums[::2]), ("held out", drums[1::2])):
        score: dict[str, Counter] = defaultdict(Counter)
        for drum, strokes in half:
            parts, sr = read_drum(strokes)
            if len(parts) >= 4 and parts[0].shape[1] > 1:
                rng = np.random.default_rng([seed, zlib.crc32(drum.encode())])
                take, _ = make_take(parts, sr, changed=False)
                count_microphones(score, take, sr, rng)
        for kind, counts in score.items():
            precision = counts["right"] / max(1, counts["right"] + counts["false"])
            print(f"{name}: {kind} precision {precision:.3f}, {dict(counts)}")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", default=[], help="drums")
    parser.add_argument("--how", nargs="+", default=["apart", "ringing", "talking"])
    parser.add_argument("--microphones", action="store_true", help="faults of channels")
    args = parser.parse_args()
    if args.microphones:
        return main_microphones(args.folder, args.seed)
    scores = defaultdict(Counter)
    for (drum, mic), paths in strokes_of(args.folder).items():
        if args.only and drum not in args.only:
            continue
        seen = "looked at" if drum in TUNING_DRUMS else "held out"
        for how in args.how:
            rng = np.random.default_rng([args.seed, zlib.crc32(f"{drum}{mic}{how}".encode())])
            take, sr, onsets, _ = build_take(
                paths, rng, ringing=how == "ringing", talking=how == "talking"
            )
            count(scores[seen], sr, take, onsets, rng)
    for seen, score in scores.items():
        precision = score["right"] / max(1, score["right"] + score["false"])
        print(f"{seen}: tail_cut precision {precision:.3f}, {dict(score)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
