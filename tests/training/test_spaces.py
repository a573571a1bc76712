"""The stroke space on invented embeddings whose right neighbors are known."""

from __future__ import annotations

import numpy as np

from catalog.features.embedding import EMBEDDING_DIM
from catalog.models import ROLES
from catalog.search.spaces import make_spaces, stroke_distances
from catalog.training.spaces import fit_projection


def invent_embeddings(n_drums: int = 12, n_strokes: int = 6) -> tuple[np.ndarray, np.ndarray]:
    """Embeddings that differ between drums in some columns and between strokes in others."""
    rng = np.random.default_rng(3)
    drum = np.repeat(np.arange(n_drums), n_strokes)
    rows = 0.01 * rng.normal(size=(len(drum), EMBEDDING_DIM))
    rows[:, 40:44] += rng.normal(size=(n_drums, 4))[drum]
    rows[:, 100] += 2.0 * rng.normal(size=len(drum))  # strength: large, and within every drum
    return rows.astype(np.float32), drum


def test_directions_that_vary_within_drums_are_weighted_down():
    rows, drum = invent_embeddings()
    names = np.array([[f"d{d}"] for d in drum])
    roles = np.full((len(drum), len(ROLES)), 1 / len(ROLES))
    projection = fit_projection(rows, names, roles)
    spaces = make_spaces(np.arange(len(rows)), rows, roles, projection=projection)
    n_plain, n_fitted = 0, 0
    for row in range(len(rows)):
        other = np.arange(len(rows)) != row
        plain = np.linalg.norm(rows - rows[row], axis=1)
        n_plain += drum[other][plain[other].argmin()] == drum[row]
        n_fitted += drum[other][stroke_distances(spaces, row)[other].argmin()] == drum[row]
    assert n_fitted > n_plain
    assert n_fitted > 0.9 * len(rows)
