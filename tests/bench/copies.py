"""How many edited copies are found, and how near other strokes come: `copies.py FOLDER`.

Makes the edits itself from hits drawn from FOLDER, and compares every pair of strokes of one drum
through one microphone (by the names, as a scan reads them). Copies that FOLDER itself holds count
as false pairs: take them out first, or read the list of the highest false pairs.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from catalog.errors import CatalogError
from catalog.library.provenance import find_provenance
from catalog.search.duplicates import COPY_DB, FEW_CELLS_DB, LATE_DB, WHOLE_DB, is_copy
from catalog.sound.compare import Prepared, compare_hits, prepare_hit
from catalog.sound.decode import AUDIO_SUFFIXES, Audio, decode_file, encode_audio, resample
from catalog.sound.strokes import find_stroke, mix_to_mono

MP3_RATES = (32_000, 44_100, 48_000)


def edits(audio: Audio, rng: np.random.Generator, scratch: Path) -> Iterator[tuple[str, Audio]]:
    """Yield each edit by name; lossless ones begin with an equals sign."""
    y, sr = audio.samples, audio.sr
    peak = float(np.abs(y).max())
    onset = find_stroke(mix_to_mono(y), sr=sr).onset

    def of(samples: np.ndarray, rate: int = sr, subtype: str = "FLOAT") -> Audio:
        return Audio(np.asarray(samples, np.float32), rate, "WAV", subtype)

    yield "= gain -30 dB", of(y * 10**-1.5)
    yield "= gain +12 dB", of(y * 10**0.6)
    yield "= polarity", of(-y)
    yield "= offset", of(y + 0.01 * peak)
    yield "= silence before", of(np.concatenate([np.zeros((4800, y.shape[1])), y]))
    for rate in (44_100, 48_000, 96_000):
        yield f"{rate / 1000:g} kHz", of(resample(y, sr=sr, to_sr=rate), rate)
    yield "16 bits", of(np.rint(y / peak * 16_384) / 32_768, sr, "PCM_16")
    dither = rng.uniform(-0.5, 0.5, y.shape) + rng.uniform(-0.5, 0.5, y.shape)
    yield "16 bits, dither", of(np.rint(y / peak * 16_384 + dither) / 32_768, sr, "PCM_16")
    yield "16 bits at -30 dB", of(np.rint(y / peak * 1000) / 32_768, sr, "PCM_16")
    for ms in (1, 3, 5):
        yield f"start trimmed {ms} ms", of(y[onset + ms * sr // 1000 :])
    yield "tail cut to 30 %", of(y[: max(64, int(0.3 * len(y)))])
    yield "faded", of(y * np.linspace(1, 0, len(y))[:, None])
    yield "mono", of(y.mean(axis=1, keepdims=True))
    if y.shape[1] > 1:
        yield "one side", of(y[:, :1])
    yield "noise at -50 dB", of(y + rng.normal(size=y.shape) * peak * 10 ** (-50 / 20) / 3)
    octave = np.log2(np.maximum(np.fft.rfftfreq(len(y), 1 / sr), 20.0) / 1000.0)
    tilt = 10 ** (np.clip(octave, -4, 4)[:, None] * 1.5 / 20)
    yield "tilt 6 dB", of(np.fft.irfft(np.fft.rfft(y, axis=0) * tilt, len(y), axis=0))
    yield "driven", of(np.tanh(2.0 * y / peak))
    for container, subtype in (("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")):
        if container == "MP3" and sr not in MP3_RATES:
            continue
        path = scratch / f"x.{container.lower()}"
        path.write_bytes(encode_audio(y[:, :2], sr=sr, container=container, subtype=subtype))
        yield subtype, decode_file(path)


def prepared(path: Path) -> Prepared | None:
    try:
        return prepare_hit(decode_file(path))
    except CatalogError:
        return None


def print_false(paths: list[Path], root: Path) -> None:
    """Compare all strokes of one drum through one microphone."""
    drums: dict[tuple[str, str, str], list[Path]] = {}
    for path in paths:
        found = find_provenance(path, root=root)
        drums.setdefault((found.session, found.drum, found.microphone), []).append(path)
    rows = []
    for strokes in drums.values():
        ready = [(path, prepared(path)) for path in strokes] if len(strokes) > 1 else []
        for (a, first), (b, second) in itertools.combinations(ready, 2):
            if first is not None and second is not None:
                rows.append((compare_hits(first, second), a, b))
    scores = np.array([agreement.score_db for agreement, _, _ in rows] or [0.0])
    false = [row for row in rows if is_copy(row[0])]
    quantiles = ", ".join(
        f"{q:g} %: {np.percentile(scores, q):.1f}" for q in (50, 90, 99, 99.9, 100)
    )
    print(f"pairs of other strokes: {len(rows)}, called copies: {len(false)}; score dB {quantiles}")
    for agreement, a, b in sorted(rows, key=lambda row: -row[0].score_db)[:5]:
        print(f"  {agreement.score_db:5.1f} dB, {agreement.n_cells} cells: {a.name} | {b.name}")


def print_found(paths: list[Path], scratch: Path, rng: np.random.Generator) -> None:
    """Compare each drawn hit with its edits."""
    table: dict[str, list[tuple[bool, float]]] = {}
    for path in paths:
        original = prepared(path)
        if original is None:
            continue
        for name, edited in edits(decode_file(path), rng, scratch):
            try:
                agreement = compare_hits(original, prepare_hit(edited))
                table.setdefault(name, []).append((is_copy(agreement), agreement.score_db))
            except CatalogError:
                table.setdefault(name, []).append((False, 0.0))
    for name, found in table.items():
        share, scores = np.mean([ok for ok, _ in found]), [score for _, score in found]
        low, middle = np.percentile(scores, [1, 50])
        told = f"score dB 1 %: {low:.1f}, 50 %: {middle:.1f}"
        print(f"{name:22} found {share:.3f}  n {len(found)}  {told}")


def main() -> int:
    import tempfile

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hits", type=int, default=150, help="drawn for the edits")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    paths = sorted(p for p in args.folder.rglob("*") if p.suffix.lower() in AUDIO_SUFFIXES)
    rng = np.random.default_rng(args.seed)
    drawn = [paths[i] for i in rng.permutation(len(paths))[: args.hits]]
    print(
        f"asked: {COPY_DB:g} dB and {LATE_DB:g} after the attack; "
        f"with few cells {FEW_CELLS_DB:g}, or {WHOLE_DB:g} over the whole band"
    )
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as scratch:
        print_found(drawn, Path(scratch), rng)
    print_false(paths, args.folder)
    print(f"{time.perf_counter() - start:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
