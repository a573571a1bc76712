"""Short decaying hits on disk, and a store, empty or with these hits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from catalog.audio.encode import encode_audio
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store

SR = 16_000  # Hz; low, so that measuring is quick


@pytest.fixture
def write_hit() -> Callable[..., Path]:
    """Write a decaying sine with a little noise; each `hz` and `seed` gives another recording."""

    def write(path: Path, *, hz: float = 200.0, seed: int = 0, container: str = "WAV") -> Path:
        t = np.arange(SR // 4) / SR
        noise = np.random.default_rng(seed).normal(scale=0.05, size=t.size)
        wave = (np.sin(2 * np.pi * hz * t) + noise) * np.exp(-t / 0.04) * 0.5
        samples = wave.astype(np.float32)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(encode_audio(samples, sr=SR, container=container, subtype="PCM_24"))
        return path

    return write


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store" / "drums.sqlite") as opened:
        yield opened


@pytest.fixture
def library(tmp_path: Path, write_hit: Callable[..., Path]) -> Path:
    """Return a folder with two sessions and six hits."""
    folder = tmp_path / "recordings"
    for at, name in enumerate(["Kick/kick_01", "Kick/kick_02", "Snare/snare_01", "Snare/snare_02"]):
        write_hit(folder / "Old barn" / f"{name}.wav", hz=80 + 40 * at, seed=at)
    write_hit(folder / "Attic" / "tom.flac", hz=150, seed=8, container="FLAC")
    write_hit(folder / "Attic" / "mystery.wav", hz=500, seed=9)
    return folder


@pytest.fixture
def scanned(store: Store, library: Path) -> Store:
    scan_folders(store, [library], n_jobs=1)
    return store
