"""The outline of a long take is stored by its scan, and shows the samples of its file."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.features.takes.long_take import SECTION_FRAMES
from catalog.features.waveform import waveform_outline
from catalog.library.store.records import outlines
from catalog.services import takes
from tests.signals import drum_stroke

SR = 8_000
N_FRAMES = 8_100_000  # long by the number of frames, and no multiple of a section


@pytest.fixture
def path(tmp_path):
    wave = np.random.default_rng(5).normal(scale=2e-4, size=N_FRAMES)
    for k, at in enumerate(range(SR, N_FRAMES - 2 * SR, 100 * SR)):
        stroke = drum_stroke(150, seed=k, sr=SR)
        wave[at : at + len(stroke)] += (0.9 - 0.1 * (k % 4)) * stroke
    (tmp_path / "takes").mkdir()
    path = tmp_path / "takes" / "long.wav"
    soundfile.write(path, wave.astype(np.float32), SR, "PCM_16")
    return path


@pytest.fixture
def cat(path, tmp_path):
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([path.parent], n_jobs=1)
        yield cat


def test_the_outline_comes_from_the_store_without_reading_the_file(cat, path, monkeypatch):
    whole = waveform_outline(decode_file(path).samples, n_points=N_FRAMES // SECTION_FRAMES)
    n_points = 100
    frames = 500 * SECTION_FRAMES
    samples = decode_file(path, stop=frames).samples
    monkeypatch.setattr(takes, "decode_sides", None)  # fails if a file is decoded
    monkeypatch.setattr(takes, "count_frames", None)
    shown = cat.takes.waveform(path, n_points=n_points)
    assert len(shown) == n_points
    assert (shown.min(), shown.max()) == (whole.min(), whole.max())
    part = cat.takes.waveform(path, n_points=n_points, start=0, stop=frames)
    np.testing.assert_array_equal(part, waveform_outline(samples, n_points=n_points))
    assert cat.takes.n_frames(path) == N_FRAMES


def test_a_short_part_is_read_from_the_file(cat, path):
    part = cat.takes.waveform(path, n_points=50, start=100, stop=1100)
    samples = decode_file(path, start=100, stop=1100).samples
    np.testing.assert_array_equal(part, waveform_outline(samples, n_points=50))


def test_a_lost_outline_is_read_from_the_file_again(cat, path):
    before = cat.takes.waveform(path, n_points=100)
    database = cat.takes._store.database
    with database.writing() as db:
        db.execute("DELETE FROM outline")
    assert outlines.read_outline(database, cat.hits()[0].content_hash) is None
    after = cat.takes.waveform(path, n_points=100)
    assert after.shape == before.shape
    assert (after.min(), after.max()) == (before.min(), before.max())
