"""A library of short strokes for processes that are killed or find a disk full."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from tests.signals import drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
TONES_HZ = {"kick": 60.0, "snare": 190.0, "tom": 110.0, "hat_closed": 5000.0, "crash": 3000.0}


def write_stroke(path: Path, seed: int, *, hz: float) -> None:
    """Write a decaying tone in noise; each seed is another recording."""
    rng = np.random.default_rng(seed)
    t = np.arange(SR // 4) / SR
    wave = (np.sin(2 * np.pi * hz * t) + 0.3 * rng.standard_normal(t.size)) * np.exp(-t / 0.05)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(encode_wav(0.4 * wave[:, None].astype(np.float32), sr=SR))


def write_take(path: Path, *, n_strokes: int) -> None:
    """Write strokes of one drum, a second apart, in room noise."""
    wave = np.random.default_rng(1).normal(scale=2e-4, size=(n_strokes + 1) * SR)
    for stroke in range(n_strokes):
        at = round((stroke + 0.4) * SR)
        wave[at : at + SR // 2] += drum_stroke(150, seed=stroke, sr=SR)[: SR // 2]
    path.write_bytes(encode_wav(wave[:, None].astype(np.float32), sr=SR))


@pytest.fixture
def library(tmp_path: Path) -> Path:
    """Return a folder with five drums of eight strokes each."""
    folder = tmp_path / "recordings"
    for k, (role, hz) in enumerate(TONES_HZ.items()):
        for stroke in range(8):
            write_stroke(folder / "Old barn" / f"{role}_{stroke + 1}.wav", 10 * k + stroke, hz=hz)
    return folder
