"""Measure which of two copies is found to be the earlier one: `keepers.py FOLDER ...`.

Hits are drawn from the folders, and each is edited by every edit of the bench of copies, alone and
in drawn pairs. The copy is stored as the edit leaves it, or rounded to 24 or 16 bits. Right is the
recording; where the edit loses nothing, such as a change of polarity, or changes nothing, "no
difference" is right too.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.matching.origin.compare import compare_origin
from catalog.training.edits import EDITS, Edit, applies, apply_edits, draw_pair

FORMATS = {"as edited": 0, "24 bits": 24, "16 bits": 16}
REVERSIBLE = {"polarity", "FLAC, 24 bits", "44.1 kHz", "offset (DC)"}  # nothing is lost
MIN_SR = 44_100
N_LISTED = 20


def stored(audio: Audio, bits: int) -> Audio:
    """Return the copy rounded to so many bits, scaled down if it exceeds full scale."""
    if not bits or audio.subtype != "FLOAT":
        return audio
    peak, full = float(np.abs(audio.samples).max()), 2.0 ** (bits - 1)
    y = audio.samples.astype(np.float64) * (0.99 / peak if peak > 1 else 1.0)
    y = np.clip(np.rint(y * full), -full, full - 1) / full
    return Audio(y.astype(np.float32), audio.sr, "WAV", f"PCM_{bits}")


def is_equal(copy: Audio, original: Audio) -> bool:
    """Return whether an edit changed nothing, such as a rate that the recording has already."""
    return copy.sr == original.sr and np.array_equal(copy.samples, original.samples)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    parser.add_argument("--hits", type=int, default=4, help="drawn from the folders")
    parser.add_argument("--pairs", type=int, default=12, help="pairs of edits for each hit")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    files = sorted(path for folder in args.folders for path in folder.rglob("*.flac"))
    rng = np.random.default_rng(args.seed)
    results: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    seconds, wrong = 0.0, []
    for index in rng.permutation(len(files))[: args.hits].tolist():
        original = decode_file(files[index])
        if original.sr < MIN_SR:
            continue
        drawn: list[tuple[Edit, ...]] = [
            (edit,) for edit in EDITS if edit.kind != "speed" and applies(edit, original)
        ]
        drawn += [draw_pair(original, rng) for _ in range(args.pairs)]
        for edits in drawn:
            for form, bits in FORMATS.items():
                try:
                    copy = stored(apply_edits(original, edits, rng=rng), bits)
                except CatalogError:
                    continue  # nothing is left of the hit
                start = time.perf_counter()
                order = compare_origin(original, copy).order
                seconds += time.perf_counter() - start
                is_reversible = all(edit.name in REVERSIBLE for edit in edits)
                is_reversible |= is_equal(copy, original)
                answer = {1: "right", 0: "no difference", -1: "wrong"}[order]
                if order == 0 and is_reversible:
                    answer = "right"
                name = edits[0].name if len(edits) == 1 else "pairs of edits"
                results[name, form][answer] += 1
                if answer == "wrong":
                    wrong.append(
                        f"{files[index].name}, {' + '.join(e.name for e in edits)}, {form}"
                    )
    total: dict[str, Counter[str]] = defaultdict(Counter)
    for (name, form), counts in results.items():
        print(f"{name:22} {form:10} {dict(counts)}")
        total[form] += counts
    for form, counts in total.items():
        n = counts.total()
        shares = ", ".join(f"{a} {c / n:.3f}" for a, c in counts.most_common())
        print(f"all {form}: {n} pairs, {shares}")
    print(*wrong[:N_LISTED], sep="\n")
    n_all = sum(counts.total() for counts in total.values())
    print(f"{1000 * seconds / n_all:.0f} ms a pair")
    return 0


if __name__ == "__main__":
    sys.exit(main())
