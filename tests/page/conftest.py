"""A small library of made-up strokes: noise and a tone, each with its own decay."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.page import opened
from catalog.sound.decode import encode_wav

SR = 44100
MARKUP_NAME = "snare <img src=x onerror=window.hurt=1> \u202egnp 'q' [a](b) 09"
TONES_HZ = {"kick": 55.0, "snare": 190.0, "tom": 110.0, "hat_closed": 6000.0, "crash": 3500.0}


def make_stroke(role: str, seed: int) -> np.ndarray:
    """Noise over a decaying tone, float32, shape (n, 1); another seed is another stroke."""
    rng = np.random.default_rng(seed)
    length_s = {"crash": 1.2, "hat_closed": 0.15}.get(role, 0.4) * rng.uniform(0.9, 1.1)
    t = np.arange(round(length_s * SR)) / SR
    tone = np.sin(2 * np.pi * TONES_HZ[role] * rng.uniform(0.97, 1.03) * t)
    wave = (0.7 * tone + 0.3 * rng.normal(size=len(t))) * np.exp(-t * 7 / length_s)
    return (0.5 * wave / np.abs(wave).max())[:, None].astype(np.float32)


def write_library(folder: Path) -> None:
    """Four strokes of five drums in two sessions, two copies, a name of markup, a broken file."""
    for session, first in (("Attic first sitting", 0), ("Shed second sitting", 100)):
        (folder / session).mkdir(parents=True)
        for k, role in enumerate(TONES_HZ):
            for stroke in range(2):
                wave = make_stroke(role, first + 10 * k + stroke)
                data = encode_wav(wave, sr=SR, subtype="PCM_24")
                (folder / session / f"{role}_{stroke + 1}.wav").write_bytes(data)
    attic = folder / "Attic first sitting"
    (attic / "snare_1 copy.wav").write_bytes((attic / "snare_1.wav").read_bytes())
    quieter = encode_wav(0.5 * make_stroke("kick", 0), sr=SR, subtype="PCM_24")
    (attic / "kick_1 quieter.wav").write_bytes(quieter)
    data = encode_wav(make_stroke("snare", 77), sr=SR, subtype="PCM_24")
    (attic / f"{MARKUP_NAME}.wav").write_bytes(data)
    (attic / "broken <i>.wav").write_bytes(b"")


@dataclass(frozen=True)
class Place:
    """Where a library and its store are."""

    folder: Path
    store: Path


@pytest.fixture(scope="session")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """One scanned library, not to be changed."""
    root = tmp_path_factory.mktemp("library")
    place = Place(root / "recordings", root / "drums.sqlite")
    write_library(place.folder)
    with Catalog.open(place.store) as catalog:
        report = catalog.scan([place.folder], n_jobs=1)
    assert (len(report.added), len(report.skipped)) == (23, 1)
    return place


@pytest.fixture
def used(scanned: Place) -> Iterator[Place]:
    """The library that is not to be changed, as the page's own."""
    opened.use_store(scanned.store)
    yield scanned
    opened.open_catalog().close()
    opened.use_store(None)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Place]:
    """A library of this test alone, as the page's own."""
    place = Place(tmp_path / "recordings", tmp_path / "drums.sqlite")
    write_library(place.folder)
    with Catalog.open(place.store) as catalog:
        catalog.scan([place.folder], n_jobs=1)
    opened.use_store(place.store)
    yield place
    opened.open_catalog().close()
    opened.use_store(None)
    shutil.rmtree(tmp_path, ignore_errors=True)
