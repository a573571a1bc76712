"""Takes with three channels from strokes that several microphones recorded at once: what is found.

The strokes of each drum are joined to a take with known starts. Each channel is also written with a
known extra delay and with the opposite polarity, and what is measured must change by just that.
Drums are split into two halves by their order.

    python tests/bench/microphones.py FOLDER

FOLDER holds a folder for each drum with files "N-DRUM-MICROPHONE.flac", as in the open data set
"MuldjordKit v1.0" (Lars Muldjord, CC BY 4.0), or with files "DRUM_vlLAYER_rrN_MICROPHONE.flac", as
in the open packages frankensnare and gogodze-phu-vol-i (CC0 1.0).
"""

from __future__ import annotations

import argparse
import re
import tempfile
from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import soundfile

from catalog import Catalog
from catalog.audio.channels import measure_delays
from catalog.audio.microphone_channels import group_channels
from catalog.models import Microphone

GAP_S = 1.5  # between the starts of two strokes
MOST_STROKES, N_CHANNELS = 8, 3
START_S = 0.010  # tolerance of a start, with the lead before the onset
BY_NUMBER = re.compile(r"(?P<number>\d+)-.+-(?P<microphone>.+)")
BY_LAYER = re.compile(r"(?P<drum>.+)_vl(?P<layer>\d+)_rr(?P<rr>\d+)_(?P<microphone>\D+)")
NAMES = ("close", "OH", "room")
EXTRA = (0, 37, 150, 410)  # frames by which the channels are delayed
SIGNS = (1, -1, 1, -1)


@dataclass
class Figures:
    """Counts over the takes of one half of the drums."""

    drums: int = 0
    strokes: int = 0
    found: int = 0
    false: int = 0
    whole: int = 0
    channels: int = 0
    polarity_errors: int = 0
    single_polarity_errors: int = 0
    roles_differ: int = 0


def list_drums(folder: Path) -> list[tuple[str, list[dict[str, Path]]]]:
    """Return the strokes of each drum, each as files by microphone, by the names of the files."""
    drums: list[tuple[str, list[dict[str, Path]]]] = []
    for place in sorted(path for path in folder.iterdir() if path.is_dir()):
        found: dict[str, dict[tuple[int, ...], dict[str, Path]]] = {}
        for path in sorted(place.glob("*.flac")):
            if match := BY_NUMBER.fullmatch(path.stem):
                drum, key = "", (int(match["number"]),)
            elif match := BY_LAYER.fullmatch(path.stem):
                drum, key = match["drum"], (int(match["layer"]), int(match["rr"]))
            else:
                continue
            found.setdefault(drum, {}).setdefault(key, {})[match["microphone"]] = path
        for drum, strokes in found.items():
            ordered = [strokes[key] for key in sorted(strokes)]
            drums.append((f"{place.name} {drum}".strip(), ordered))
    return drums


def read_drum(strokes: list[dict[str, Path]]) -> tuple[list[np.ndarray], int]:
    """Return the loudest strokes of a drum, each (n_frames, n), at the microphones of them all."""
    counts = Counter(name for files in strokes for name in files)
    names = sorted(name for name, _ in counts.most_common(N_CHANNELS))
    whole = [files for files in strokes if set(names) <= set(files)]
    parts, sr = [], 44_100
    for files in whole[-MOST_STROKES:]:
        channels = []
        for name in names:
            samples, sr = soundfile.read(files[name], dtype="float32", always_2d=True)
            channels.append(samples[:, 0])
        n = min(map(len, channels))
        parts.append(np.stack([channel[:n] for channel in channels], axis=1))
    return parts, sr


def make_take(parts: list[np.ndarray], sr: int, *, changed: bool) -> tuple[np.ndarray, list[int]]:
    """Return a take and the frames at which the files of its strokes begin."""
    step = round(GAP_S * sr)
    take = np.random.default_rng(1).normal(
        scale=1e-5, size=(step * (len(parts) + 1) + 2 * sr, parts[0].shape[1])
    )
    starts = [round(0.5 * sr) + step * number for number in range(len(parts))]
    for start, part in zip(starts, parts, strict=True):
        for channel in range(part.shape[1]):
            at = start + (EXTRA[channel] if changed else 0)
            sign = SIGNS[channel] if changed else 1
            stroke = part[:step, channel]
            take[at : at + len(stroke), channel] += sign * stroke
    return take.astype(np.float32), starts


def onsets_of(parts: list[np.ndarray]) -> list[int]:
    """Return the first frame of each stroke that exceeds a tenth of the peak of its channel."""
    found = []
    for part in parts:
        level = np.abs(part) / np.abs(part).max(axis=0)
        found.append(int(np.argmax((level > 0.1).any(axis=1))))
    return found


def write_take(folder: Path, take: np.ndarray, sr: int, *, files: bool) -> None:
    """Write a take as one file, or as a file for each microphone."""
    if not files:
        soundfile.write(folder / "take 1.wav", take, sr, subtype="PCM_24")
        return
    for name, channel in zip(NAMES, take.T, strict=False):
        soundfile.write(folder / f"drum take 1 {name}.wav", channel, sr, subtype="PCM_24")


def number_of(mic: Microphone) -> int:
    """Return the channel that a microphone is, from 1."""
    return mic.channels[0] if mic.channels else NAMES.index(mic.name) + 1


def scan(folder: Path, take: np.ndarray, sr: int, *, files: bool) -> list[tuple[int, dict]]:
    """Return start and microphones of each stroke that a scan finds, and its roles."""
    folder.mkdir(parents=True)
    write_take(folder, take, sr, files=files)
    with Catalog.open(folder.with_name(f"{folder.name}.sqlite")) as cat:
        cat.scan([folder], n_jobs=1)
        return [
            (
                hit.start,
                {
                    "channels": sum(max(1, len(mic.channels)) for mic in hit.microphones),
                    "delays": {
                        number_of(mic): mic
                        for mic in hit.microphones
                        if mic.delay_samples is not None
                    },
                    "roles": {cat.hit(mic.hit_id).role for mic in hit.microphones},
                },
            )
            for hit in cat.hits()
        ]


def measure(
    drums: list[tuple[str, list[dict[str, Path]]]], work: Path, *, files: bool
) -> tuple[Figures, list[float], list[float]]:
    """Return the figures of some drums, with the errors of delays, pooled and of single strokes."""
    figures, errors, single = Figures(), list[float](), list[float]()
    for drum, strokes in drums:
        parts, sr = read_drum(strokes)
        least = 2 if files else 3  # two channels without names are one stereo microphone
        if len(parts) < 3 or parts[0].shape[1] < least:
            continue
        figures.drums += 1
        results = []
        for changed in (False, True):
            take, starts = make_take(parts, sr, changed=changed)
            results.append(scan(work / f"{drum}{changed}", take, sr, files=files))
        found = results[0]
        onsets = [a + b for a, b in zip(starts, onsets_of(parts), strict=True)]
        near = [[row for row in found if abs(row[0] - at) < START_S * sr] for at in onsets]
        figures.strokes += len(onsets)
        figures.found += sum(map(bool, near))
        figures.false += len(found) - sum(map(bool, near))
        figures.whole += sum(row["channels"] == parts[0].shape[1] for _, row in found)
        figures.roles_differ += sum(len(row["roles"]) > 1 for _, row in found)
        _compare(results, figures, errors)
        _compare_single(parts, sr, figures, single)
    return figures, errors, single


def _compare(results: list, figures: Figures, errors: list[float]) -> None:
    """Compare the change of delay and polarity of each channel with what was changed."""
    plain, changed = (rows[0][1]["delays"] if rows else {} for rows in results)
    for channel in sorted(plain.keys() & changed.keys() - {1}):
        if 1 not in plain or 1 not in changed:
            continue
        before, after = (
            mics[channel].delay_samples - mics[1].delay_samples for mics in (plain, changed)
        )
        errors.append(abs(after - before - EXTRA[channel - 1]))
        turned = [mics[channel].polarity * mics[1].polarity for mics in (plain, changed)]
        figures.channels += 1
        figures.polarity_errors += turned[0] * turned[1] != SIGNS[channel - 1]


def _compare_single(parts, sr: int, figures: Figures, errors: list[float]) -> None:
    """Do the same for each stroke by itself, as `measure_delays` does."""
    for part, onset in zip(parts, onsets_of(parts), strict=True):
        begin = max(0, onset - round(0.005 * sr))
        plain = part[begin : begin + sr // 2]
        changed = np.zeros((len(plain) + max(EXTRA), plain.shape[1]), np.float32)
        for channel, (extra, sign) in enumerate(zip(EXTRA[: part.shape[1]], SIGNS, strict=False)):
            changed[extra : extra + len(plain), channel] = sign * plain[:, channel]
        rows = [measure_delays(samples, sr=sr) for samples in (plain, changed)]
        for channel in range(1, part.shape[1]):
            delays = [(r[channel].delay_ms - r[0].delay_ms) / 1000 * sr for r in rows]
            errors.append(abs(delays[1] - delays[0] - EXTRA[channel]))
            turned = [r[channel].flipped != r[0].flipped for r in rows]
            figures.single_polarity_errors += (turned[0] != turned[1]) != (SIGNS[channel] < 0)


def count_pairs(drums: list[tuple[str, list[dict[str, Path]]]]) -> tuple[int, int]:
    """Return how many pairs of microphones without names are taken for stereo, and their number.

    Both microphones of a pair are made equally loud, so that their levels tell nothing.
    """
    n_stereo = n_pairs = 0
    for _, strokes in drums:
        parts, sr = read_drum(strokes)
        take, _ = make_take(parts, sr, changed=False) if parts else (np.zeros((0, 0)), [])
        for a, b in combinations(range(take.shape[1]), 2):
            both = take[:, [a, b]] / np.sqrt(np.square(take[:, [a, b]]).mean(axis=0))
            samples = np.concatenate([1e-3 * both[:, :1], both], axis=1)
            groups = group_channels(samples, sr=sr, pair_name=lambda *_: None)
            n_stereo += any(len(group.channels) > 1 for group in groups)
            n_pairs += 1
    return n_stereo, n_pairs


def main() -> None:
    """Print the figures of both halves of the drums."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--files", action="store_true", help="a file for each microphone")
    args = parser.parse_args()
    drums = list_drums(args.folder)
    for name, half in (("looked at", drums[::2]), ("held out", drums[1::2])):
        with tempfile.TemporaryDirectory() as work:
            figures, pooled, single = measure(half, Path(work), files=args.files)
        print(f"{name}: {figures}")
        n_stereo, n_pairs = count_pairs(half)
        print(f"  pairs of single microphones taken for stereo: {n_stereo} of {n_pairs}")
        for kind, errors in (("pooled", pooled), ("of single strokes", single)):
            if errors:
                median, p90 = np.percentile(errors, (50, 90))
                print(f"  errors of delays {kind}: median {median:.0f}, 90 % {p90:.0f} frames")


if __name__ == "__main__":
    main()
