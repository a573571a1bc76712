"""How the cost of looking for copies grows: `copies_cost.py FOLDER [N ...]`.

Makes a library of small files from the strokes in FOLDER: drums of their own pitch and colour with
15 strokes each, and one edited copy of one of them. A stroke keeps the envelope of its drum; its
phases go astray the more the higher the frequency, as those of real strokes do. The library is
scanned, and then all copies are asked for as a user would. 100,000 hits take 5 GB of disk for a
while. The share of copies that is found is of easy pairs: `copies.py` measures that on real ones.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.features.waveform import mix_to_mono
from catalog.training.edits import EDITS, applies, apply_edits

SIZES = (5_000, 20_000, 100_000)
N_STROKES = 15  # of a drum, and one copy
MAX_S = 0.8
FRAME, MIN_SAMPLES = 512, 2_048
DRUM_PITCH, STROKE_PITCH = 0.15, 0.005  # spread of the logarithm
DRUM_TILT, LEVEL_DB = 0.5, 4.0
ASTRAY_HZ = 400.0  # where phases go astray by one radian; as alike as neighbours of a real kit are


def warp(y: np.ndarray, factor: float) -> np.ndarray:
    """Play a stroke faster or slower."""
    at = np.arange(0.0, len(y) - 1, factor)
    return np.asarray(np.interp(at, np.arange(len(y)), y))


def make_drum(y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Another drum: other pitch, other colour."""
    y = warp(y, math.exp(rng.normal(0, DRUM_PITCH)))
    spectrum = np.fft.rfft(y)
    place = np.linspace(1e-3, 1, len(spectrum))
    return np.asarray(np.fft.irfft(spectrum * place ** rng.normal(0, DRUM_TILT), len(y)))


def make_stroke(y: np.ndarray, sr: int, rng: np.random.Generator) -> np.ndarray:
    """Another stroke of the same drum."""
    from scipy.signal import istft, stft

    y = warp(y, math.exp(rng.normal(0, STROKE_PITCH)))
    hz, _, cells = stft(y, sr, nperseg=FRAME)
    astray = rng.normal(size=cells.shape) * (hz / ASTRAY_HZ)[:, None]
    _, out = istft(cells * np.exp(1j * astray), sr, nperseg=FRAME)
    peak = max(float(np.abs(out).max()), 1e-9)
    return np.asarray(0.7 * out / peak * 10 ** (-abs(rng.normal(0, LEVEL_DB)) / 20))


def write_drum(place: Path, source: Path, number: int) -> bool:
    """Write the files of one drum; whether there is a copy among them."""
    rng = np.random.default_rng([7, number])
    audio = decode_file(source)
    drum = make_drum(mix_to_mono(audio.samples)[: round(MAX_S * audio.sr)].astype(float), rng)
    strokes = [make_stroke(drum, audio.sr, rng) for _ in range(N_STROKES)]
    place.mkdir(parents=True)
    for n, y in enumerate(strokes):
        data = encode_audio(y[:, None], sr=audio.sr, container="WAV", subtype="PCM_16")
        (place / f"stroke {n}.wav").write_bytes(data)
    chosen = int(rng.integers(N_STROKES))
    one = Audio(strokes[chosen][:, None].astype(np.float32), audio.sr, "WAV", "PCM_16")
    edits = [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, one)]
    try:
        copy = apply_edits(one, (edits[int(rng.integers(len(edits)))],), rng=rng)
    except CatalogError:  # nothing of the stroke is left
        return False
    data = encode_audio(copy.samples, sr=copy.sr, container="WAV", subtype="PCM_24")
    (place / f"copy of {chosen}.wav").write_bytes(data)
    return True


def time_copies(root: Path, scratch: Path) -> tuple[int, int, float, float, int, int]:
    """Hits, pairs, seconds the first time and again, copies found and false ones."""
    with Catalog.open(scratch / f"{root.name}.sqlite") as cat:
        cat.scan([root])
        n_pairs = 0

        def note(progress) -> None:
            nonlocal n_pairs
            n_pairs = progress.total

        hits = {hit.id: Path(hit.path) for hit in cat.hits()}
        begin = time.perf_counter()
        groups = cat.copies(note)
        first = time.perf_counter() - begin
    with Catalog.open(scratch / f"{root.name}.sqlite") as cat:
        begin = time.perf_counter()
        cat.copies()
        again = time.perf_counter() - begin
    found = false = 0
    for group in groups:
        names = [hits[i] for i in (group.keep, *group.others)]
        is_right = len({n.parent for n in names}) == 1 and any("copy" in n.name for n in names)
        found, false = found + (is_right and len(names) == 2), false + (not is_right)
    return len(hits), n_pairs, first, again, found, false


def main() -> int:
    folder, sizes = Path(sys.argv[1]), [int(n) for n in sys.argv[2:]] or SIZES
    paths = sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".flac", ".wav"))
    sources = [path for path in paths if len(decode_file(path).samples) >= MIN_SAMPLES]
    before: tuple[int, float] | None = None
    for size in sizes:
        with tempfile.TemporaryDirectory() as place:
            root = Path(place) / f"made {size}"
            work = (
                delayed(write_drum)(
                    root / f"{n // 100}" / f"drum {n}", sources[n % len(sources)], n
                )
                for n in range(round(size / (N_STROKES + 1)))
            )
            n_made = sum(Parallel(n_jobs=-1, batch_size=4)(work))
            n, n_pairs, first, again, found, false = time_copies(root, Path(place))
        grows = math.log(first / before[1]) / math.log(n / before[0]) if before else math.nan
        print(
            f"{n:7} hits: {n_pairs} pairs in {first:.1f} s, opened and asked again {again:.1f} s;"
            f" {found} of {n_made} copies, {false} false groups; grows with n^{grows:.2f}",
            flush=True,
        )
        before = n, first
    return 0


if __name__ == "__main__":
    sys.exit(main())
