"""Distances in both spaces, and role probabilities."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.embedding import EMBEDDING_DIM
from catalog.features.measure import measure_audio
from catalog.library.metadata.role_model import load_role_model, role_probabilities
from catalog.models import ROLES
from catalog.search import spaces as m
from tests.matching.hits import as_audio
from tests.signals import decaying_noise, decaying_sine, drum_stroke


def embeddings_of(*sounds: np.ndarray) -> np.ndarray:
    return np.stack([measure_audio(as_audio(y)).embedding for y in sounds])


@pytest.fixture(scope="module")
def spaces() -> m.Spaces:
    drums = [drum_stroke(hz, seed=s) for hz in (60, 180) for s in range(3)]
    cymbals = [decaying_noise(t, seed=s) for t in (0.08, 0.5) for s in range(3)]
    rows = embeddings_of(*drums, *cymbals)
    return m.make_spaces(np.arange(12) * 10, rows, role_probabilities(rows))


def test_strokes_of_one_drum_are_nearer_than_any_other_drum(spaces):
    for row in range(12):
        distances = m.stroke_distances(spaces, row)
        siblings = np.arange(12) // 3 == row // 3
        assert distances[siblings].max() < distances[~siblings].min(), row


def test_both_distances_are_symmetric_and_the_first_is_0_to_itself(spaces):
    strokes = np.stack([m.stroke_distances(spaces, row) for row in range(12)])
    similar = np.stack([m.similar_distances(spaces, row) for row in range(12)])
    assert strokes == pytest.approx(strokes.T)
    assert similar == pytest.approx(similar.T, abs=1e-6)
    assert np.diag(strokes).max() == 0.0


def test_a_gain_does_not_move_a_hit():
    y = drum_stroke(100)
    rows = embeddings_of(y, 0.1 * y, drum_stroke(101, seed=9))
    spaces = m.make_spaces(np.arange(3), rows, role_probabilities(rows))
    assert m.stroke_distances(spaces, 0)[1] < 0.02 * m.stroke_distances(spaces, 0)[2]


def test_projecting_in_batches_gives_the_same_points(spaces, monkeypatch):
    rows = np.random.default_rng(0).uniform(0, 1, (50, EMBEDDING_DIM)).astype(np.float32)
    roles = np.full((50, len(ROLES)), 1 / len(ROLES), np.float32)
    whole = m.make_spaces(np.arange(50), rows, roles)
    monkeypatch.setattr(m, "BATCH_ROWS", 7)
    parts = m.make_spaces(np.arange(50), rows, roles)
    assert parts.strokes == pytest.approx(whole.strokes, rel=1e-4, abs=1e-4)


def test_a_saved_projection_is_loaded_unchanged(tmp_path, monkeypatch):
    shipped = m.load_projection()
    shipped.save(tmp_path / "again.npz")
    monkeypatch.setattr(m, "SPACES_FILE", tmp_path / "again.npz")
    m.load_projection.cache_clear()
    again = m.load_projection()
    m.load_projection.cache_clear()
    assert np.array_equal(again.strokes, shipped.strokes)
    assert again.acoustic_median == shipped.acoustic_median


def test_role_probabilities_sum_to_one_and_a_low_drum_is_a_drum_but_noise_is_no_kick():
    rows = embeddings_of(drum_stroke(55), decaying_noise(0.06, seed=1), decaying_sine(900, 0.2))
    p = role_probabilities(rows)
    assert p.shape == (3, len(ROLES))
    assert p.min() >= 0
    assert p.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-5)
    kick, tom = ROLES.index("kick"), ROLES.index("tom")
    assert p[0, kick] + p[0, tom] > 0.5
    assert p[1, kick] < 0.1


def test_the_shipped_model_covers_every_role():
    assert np.isfinite(load_role_model().bias).all()
