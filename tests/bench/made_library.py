"""Make a large store from few strokes: each hit has varied measurements of one of them.

The strokes are recordings from a folder, or synthetic. No audio is written for the other hits:
every path leads, through a linked folder, to the file of the stroke that the hit was made from.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np

from catalog.audio.decode import AUDIO_SUFFIXES, decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.model import Audio
from catalog.features.measure import measure_audio
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.roles import RoleEstimate
from catalog.library.scan.walk import hash_file
from catalog.library.store.ingest import FoundFile, MeasuredFile
from catalog.library.store.store import Store
from catalog.models import ROLES, RoleSource

SR, LENGTH_S = 44_100, 1.1  # of a synthetic stroke
N_STROKES = 64
BATCH_SIZE = 1000  # hits per insert
SPREAD = 0.1  # relative deviation of values in Hz or s
SPREAD_DB = 2.0  # deviation of levels
EMBEDDING_SPREAD = 0.5  # deviation of each number; less than between strokes
N_CLUSTERS = 12  # on the map


def make_library(folder: Path, n_hits: int, recordings: Path | None = None) -> Path:
    """Make a store in an empty folder; the same arguments give the same store.

    The strokes are drawn from a folder of recordings; without one they are a tone with noise.
    """
    rng = np.random.default_rng(0)
    strokes = folder / "strokes"
    strokes.mkdir()
    if recordings is None:
        _write_strokes(strokes, rng)
    else:
        _link_strokes(strokes, recordings, rng)
    with Store.open(folder / "bench.sqlite") as store:
        paths = sorted(strokes.iterdir())
        store.files.write_measured([_measure(path, k) for k, path in enumerate(paths)])
        _multiply(store, folder, n_hits, rng)
        ids = np.array([row[0] for row in store.database.read("SELECT id FROM hit ORDER BY id")])
        centers = rng.normal(size=(N_CLUSTERS, 2)) * 5
        xy = centers[rng.integers(N_CLUSTERS, size=len(ids))] + rng.normal(size=(len(ids), 2))
        store.layouts.save(ids, xy.astype(np.float32), kind="umap", seed=0)
    return folder / "bench.sqlite"


def _write_strokes(strokes: Path, rng: np.random.Generator) -> None:
    t = np.arange(round(LENGTH_S * SR)) / SR
    for k in range(N_STROKES):
        wave = np.sin(2 * np.pi * rng.uniform(60, 900) * t) + rng.normal(size=len(t))
        wave *= np.exp(-t * rng.uniform(4, 20)) / 5
        samples = np.repeat(wave[:, None], 2, 1).astype(np.float32)
        data = encode_wav(samples, sr=SR, subtype="PCM_16")
        (strokes / f"{k:03d}.wav").write_bytes(data)


def _link_strokes(strokes: Path, recordings: Path, rng: np.random.Generator) -> None:
    found = sorted(p for p in recordings.rglob("*") if p.suffix.lower() in AUDIO_SUFFIXES)
    drawn = rng.choice(len(found), size=min(N_STROKES, len(found)), replace=False)
    for k, at in enumerate(drawn):
        (strokes / f"{k:03d}{found[at].suffix}").symlink_to(found[at])


def _measure(path: Path, k: int) -> MeasuredFile:
    audio: Audio = decode_file(path)
    measures, size = measure_audio(audio), path.stat().st_size
    return MeasuredFile(
        file=FoundFile(str(path), "", size, k),
        content_hash=hash_file(path),
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        container=audio.container,
        subtype=audio.subtype,
        provenance=Provenance(f"Sitting {k % 7}", f"drum {k % 40}"),
        strokes=(measures,),
        roles=(RoleEstimate(ROLES[k % len(ROLES)], 0.9, RoleSource.NAME),),
        role_probabilities=np.full((1, len(ROLES)), 1 / len(ROLES), np.float32),
    )


def _multiply(store: Store, folder: Path, n_hits: int, rng: np.random.Generator) -> None:
    columns = [row[1] for row in store.database.read("PRAGMA table_info(hit)")]
    hits = store.database.read("SELECT * FROM hit")
    rows = [dict(zip(columns, row, strict=True)) for row in hits]
    hit_sql = f"INSERT INTO hit VALUES ({', '.join('?' * len(columns))})"
    numbers = {row[0]: row[1:] for row in store.database.read("SELECT * FROM numbers")}
    n_numbers = len(next(iter(numbers.values()))) + 1
    numbers_sql = f"INSERT INTO numbers VALUES ({', '.join('?' * n_numbers)})"
    for first in range(len(rows), n_hits, BATCH_SIZE):
        made = range(first, min(first + BATCH_SIZE, n_hits))
        place = folder / f"sitting_{first:06d}"
        moved = rng.normal(0, EMBEDDING_SPREAD, (len(made), len(numbers[1][0]) // 2))
        with store.writing() as db:
            hits = []
            for k, i in enumerate(made):
                row = rows[i % len(rows)]
                source = Path(row["path"])
                if k % len(rows) == 0:
                    home = place / f"{k:04d}"
                    home.parent.mkdir(exist_ok=True)
                    os.symlink(source.parent, home)
                embedding, *rest = numbers[row["id"]]
                embedding = (np.frombuffer(embedding, "<f2") + moved[k]).astype("<f2").tobytes()
                change = {
                    "id": i + 1,
                    "path": str(home / source.name),
                    "content_hash": f"{i:064x}",
                    "session": f"Sitting {i % 7}",
                    "drum": f"drum {i % 40}",
                    "role": ROLES[i % len(ROLES)],
                    "descriptors": _vary(row["descriptors"], rng),
                }
                hits.append((tuple((row | change).values()), (i + 1, embedding, *rest)))
            db.executemany(hit_sql, [hit for hit, _ in hits])
            db.executemany(numbers_sql, [one for _, one in hits])


def _vary(descriptors: str, rng: np.random.Generator) -> str:
    by, out = rng.normal(size=32), {}
    for k, (name, value) in enumerate(json.loads(descriptors).items()):
        if value is not None and name.endswith(("_hz", "_s")):
            value *= float(np.exp(SPREAD * by[k]))
        elif value is not None and name.endswith(("_db", "_lkfs")):
            value += SPREAD_DB * float(by[k])
            value = min(value, 0.0) if name == "peak_db" else value
        out[name] = value
    return json.dumps(out)
