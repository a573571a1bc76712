"""Measure how the cost of finding copies grows with the library: `copies_cost.py FOLDER [N ...]`.

A library of small files is made from the strokes in FOLDER: drums of their own pitch and spectrum
with 15 strokes each, and one edited copy of one of them. Strokes share the envelope of their drum;
their phases differ the more the higher the frequency, as those of real strokes do. The library is
scanned and all copies are searched for, as a user would do. 100,000 hits need 5 GB of disk
meanwhile. The copies are easy ones: `copies.py` measures the share that is found on real pairs.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.duplicates.groups import CopyGroup
from catalog.errors import CatalogError
from catalog.features.waveform import mix_to_mono
from catalog.training.edits import EDITS, applies, apply_edits

SIZES = (5_000, 20_000, 100_000)
N_STROKES = 15  # of a drum, and one copy
MAX_S = 0.8
N_FFT, MIN_SAMPLES = 512, 2_048
DRUM_PITCH, STROKE_PITCH = 0.15, 0.005  # deviation of the logarithm
DRUM_TILT, LEVEL_DB = 0.5, 4.0
PHASE_HZ = 400.0  # where phases deviate by one radian, as between strokes of a real kit


@dataclass(frozen=True)
class Cost:
    """Cost of finding copies in one library, and what was found."""

    n_hits: int
    n_pairs: int
    first_s: float
    first_cpu_s: float  # of this process, without its workers
    again_s: float
    n_found: int
    n_false: int


def resample_pitch(y: np.ndarray, factor: float) -> np.ndarray:
    positions = np.arange(0.0, len(y) - 1, factor)
    return np.asarray(np.interp(positions, np.arange(len(y)), y))


def make_drum(y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Make another drum: another pitch, another spectral slope."""
    y = resample_pitch(y, math.exp(rng.normal(0, DRUM_PITCH)))
    spectrum = np.fft.rfft(y)
    frequency = np.linspace(1e-3, 1, len(spectrum))
    return np.asarray(np.fft.irfft(spectrum * frequency ** rng.normal(0, DRUM_TILT), len(y)))


def make_stroke(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Make another stroke of the same drum."""
    from scipy.signal import istft, stft

    y = resample_pitch(y, math.exp(rng.normal(0, STROKE_PITCH)))
    hz, _, frames = stft(y, sr, nperseg=N_FFT)
    phase = rng.normal(size=frames.shape) * (hz / PHASE_HZ)[:, None]
    _, out = istft(frames * np.exp(1j * phase), sr, nperseg=N_FFT)
    peak = max(float(np.abs(out).max()), 1e-9)
    return np.asarray(0.7 * out / peak * 10 ** (-abs(rng.normal(0, LEVEL_DB)) / 20))


def write_drum(folder: Path, source: Path, number: int) -> bool:
    """Write the files of one drum; return whether there is a copy among them."""
    rng = np.random.default_rng([7, number])
    audio = decode_file(source)
    drum = make_drum(mix_to_mono(audio.samples)[: round(MAX_S * audio.sr)].astype(float), rng)
    strokes = [make_stroke(drum, audio.sr, rng) for _ in range(N_STROKES)]
    folder.mkdir(parents=True)
    for n, y in enumerate(strokes):
        data = encode_audio(y[:, None], sr=audio.sr, container="WAV", subtype="PCM_16")
        (folder / f"stroke {n}.wav").write_bytes(data)
    chosen = int(rng.integers(N_STROKES))
    original = Audio(strokes[chosen][:, None].astype(np.float32), audio.sr, "WAV", "PCM_16")
    edits = [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, original)]
    try:
        copy = apply_edits(original, (edits[int(rng.integers(len(edits)))],), rng=rng)
    except CatalogError:  # nothing of the stroke is left
        return False
    data = encode_audio(copy.samples, sr=copy.sr, container="WAV", subtype="PCM_24")
    (folder / f"copy of {chosen}.wav").write_bytes(data)
    return True


def make_library(folder: Path, sources: list[Path], n_hits: int) -> int:
    """Write the drums and return the number of copies."""
    tasks = (
        delayed(write_drum)(folder / f"{n // 100}" / f"drum {n}", sources[n % len(sources)], n)
        for n in range(round(n_hits / (N_STROKES + 1)))
    )
    return sum(Parallel(n_jobs=-1, batch_size=4)(tasks))


def count_groups(groups: list[CopyGroup], paths: dict[int, Path]) -> tuple[int, int]:
    """Return the number of copies that were found, and of groups of anything else."""
    members = [[paths[i] for i in group.members] for group in groups]
    is_right = [
        len({p.parent for p in of_group}) == 1 and any("copy" in p.name for p in of_group)
        for of_group in members
    ]
    n_found = sum(ok and len(m) == 2 for ok, m in zip(is_right, members, strict=True))
    return n_found, is_right.count(False)


def measure_cost(root: Path, scratch: Path) -> Cost:
    """Scan a library and search for copies, and again after it was closed."""
    store = scratch / f"{root.name}.sqlite"
    n_pairs = [0]
    with Catalog.open(store) as cat:
        cat.scan([root])
        paths = {hit.id: Path(hit.path) for hit in cat.hits()}
        start, cpu_before = time.perf_counter(), time.process_time()
        groups = cat.copies(lambda progress: n_pairs.append(progress.total))
        first_s, first_cpu_s = time.perf_counter() - start, time.process_time() - cpu_before
    with Catalog.open(store) as cat:
        start = time.perf_counter()
        cat.copies()
        again_s = time.perf_counter() - start
    times = first_s, first_cpu_s, again_s
    return Cost(len(paths), max(n_pairs), *times, *count_groups(groups, paths))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="strokes, FLAC or WAV")
    parser.add_argument("sizes", type=int, nargs="*", metavar="N", help="hits of each library")
    args = parser.parse_args()
    paths = sorted(p for p in args.folder.rglob("*") if p.suffix.lower() in (".flac", ".wav"))
    sources = [path for path in paths if len(decode_file(path).samples) >= MIN_SAMPLES]
    previous: Cost | None = None
    for size in args.sizes or SIZES:
        with tempfile.TemporaryDirectory() as scratch:
            root = Path(scratch) / f"made {size}"
            n_made = make_library(root, sources, size)
            cost = measure_cost(root, Path(scratch))
        exponent = math.nan
        if previous:
            exponent = math.log(cost.first_s / previous.first_s)
            exponent /= math.log(cost.n_hits / previous.n_hits)
        print(
            f"{cost.n_hits:7} hits: {cost.n_pairs} pairs in {cost.first_s:.1f} s"
            f" ({cost.first_cpu_s:.1f} s of processor time without workers), opened and"
            f" searched again {cost.again_s:.1f} s; {cost.n_found} of {n_made} copies,"
            f" {cost.n_false} false groups; grows with n^{exponent:.2f}",
            flush=True,
        )
        previous = cost
    return 0


if __name__ == "__main__":
    sys.exit(main())
