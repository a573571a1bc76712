"""Measure how often a kit is completed from its own hits: `kit.py LABELS_CSV FOLDER`.

Kick and snare of a kit are given; the share of the other slots that get a hit of the same kit is
measured. Names, sessions and drums are hidden. Rows that repeat another file (`duplicate_of`) are
skipped. A kit counts if it has a kick, a snare and two more roles. The result stands beside a
baseline (the hit nearest to the mean of kick and snare in standardized features, slot by slot) and
beside chance, the share of the kit among all hits of the role.
"""

from __future__ import annotations

import argparse
import csv
import time
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.errors import CatalogError
from catalog.features.measure import measure_audio
from catalog.kit.fill.fill import Pool, fill_kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit

MAX_PAIRS = 24  # of kick and snare per kit, drawn at random
FIGURES = "ours {:.3f}  baseline {:.3f}  chance {:.3f}"


@dataclass(frozen=True)
class LabelledPool:
    """Hits with their production features, and the kit of each."""

    pool: Pool
    kits: tuple[str, ...]


def read_library(labels: Path, folder: Path, leave_out: list[str]) -> LabelledPool:
    hits, production, kits = [], [], []
    with labels.open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if not row["duplicate_of"]]
    for row in rows:
        if row["source"] in leave_out:
            continue
        try:
            audio = decode_file(folder / row["path"])
            measures = measure_audio(audio)
        except CatalogError as err:
            print(f"skipped: {err}")
            continue
        hits.append(
            Hit(
                id=len(hits), path=folder / row["path"], start=measures.start, stop=measures.stop,
                sr=audio.sr, n_channels=audio.samples.shape[1], session="", drum="", microphone="",
                take="", role=row["role"], role_confidence=1.0, role_source="user",
                descriptors=measures.descriptors, container=audio.container,
                subtype=audio.subtype, content_hash="",
            )
        )  # fmt: skip
        production.append(measures.production)
        kits.append(f"{row['source']}/{row['kit']}")
    return LabelledPool(Pool(tuple(hits), np.array(production)), tuple(kits))


def choose_baseline(pool: Pool, role: str, pair: tuple[int, int]) -> int:
    """Return the row of the hit nearest to the mean of kick and snare, in standardized features."""
    x = pool.production.astype(np.float64)
    roles = np.array([hit.role for hit in pool.hits])
    z = np.zeros_like(x)
    for name in set(roles):
        rows = roles == name
        z[rows] = (x[rows] - x[rows].mean(0)) / (x[rows].std(0) + 1e-6)
    z = np.clip(z, -4, 4)
    rows = np.flatnonzero(roles == role)
    return int(rows[np.argmin(np.square(z[rows] - z[list(pair)].mean(0)).sum(1))])


def score_kit(library: LabelledPool, kit: str, seed: int) -> tuple[float, float, float] | None:
    """Return the shares of ours, the baseline and chance; None if the kit is too small."""
    hits, kits = library.pool.hits, library.kits
    own: dict[str, list[int]] = {}
    for hit, name in zip(hits, kits, strict=True):
        if name == kit:
            own.setdefault(hit.role, []).append(hit.id)
    roles = sorted(set(own) - {"kick", "snare", "other"})
    if "kick" not in own or "snare" not in own or len(roles) < 2:
        return None
    slots = [next(s.name for s in SLOTS.values() if s.roles == (role,)) for role in roles]
    if "tom_low" in slots and len(own["tom"]) >= 3:
        slots += ["tom_mid", "tom_high"]
    pairs = list(product(own["kick"], own["snare"]))
    rng = np.random.default_rng(seed)
    if len(pairs) > MAX_PAIRS:
        pairs = [pairs[i] for i in rng.choice(len(pairs), MAX_PAIRS, replace=False)]
    ours, baseline, chance = [], [], []
    for kick, snare in pairs:
        filled = fill_kit(library.pool, {"kick": kick, "snare": snare}, slots=slots, seed=seed)[0]
        ours += [kits[filled.slots[slot][0]] == kit for slot in slots]
        for slot in slots:
            role = SLOTS[slot].roles[0]
            same = [k == kit for hit, k in zip(hits, kits, strict=True) if hit.role == role]
            chance.append(float(np.mean(same)))
            baseline.append(kits[choose_baseline(library.pool, role, (kick, snare))] == kit)
    return float(np.mean(ours)), float(np.mean(baseline)), float(np.mean(chance))


def time_fill(library: LabelledPool, n_hits: int) -> float:
    """Return the seconds of one fill of the default slots from `n_hits` varied hits."""
    rng = np.random.default_rng(0)
    rows = rng.integers(len(library.pool.hits), size=n_hits)
    noise = rng.normal(scale=0.05, size=(n_hits, library.pool.production.shape[1]))
    hits = tuple(replace(library.pool.hits[row], id=i) for i, row in enumerate(rows))
    pool = Pool(hits, (library.pool.production[rows] * (1 + noise)).astype(np.float32))
    locked = {role: next(h.id for h in hits if h.role == role) for role in ("kick", "snare")}
    start = time.perf_counter()
    fill_kit(pool, locked)
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("labels", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--leave-out", action="append", default=[], metavar="SOURCE")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    library = read_library(args.labels, args.folder, args.leave_out)
    table = {}
    for kit in sorted(set(library.kits)):
        scores = score_kit(library, kit, args.seed)
        if scores is not None:
            table[kit] = scores
            print(f"{kit:40s} {FIGURES.format(*scores)}")
    ours, baseline, chance = np.mean(list(table.values()), axis=0)
    print(f"{len(table)} kits: {FIGURES.format(ours, baseline, chance)}")
    print(f"ours / baseline {ours / baseline:.2f}, ours / chance {ours / chance:.2f}")
    print(f"one fill from 10,000 hits: {time_fill(library, 10_000):.2f} s")


if __name__ == "__main__":
    main()
