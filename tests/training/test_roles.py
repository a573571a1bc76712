"""The role model on invented embeddings, and its calibration on drawn labels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.features.embedding import EMBEDDING_DIM
from catalog.library.metadata.role_model import gaussian_kernel
from catalog.models import ROLES
from catalog.training.examples import Examples
from catalog.training.labels import Label
from catalog.training.roles import (
    SHARED_COPIES,
    fit_calibrated,
    fit_role_model,
    fit_temperature,
    held_out_probabilities,
    hit_weights,
    recording_groups,
    source_weights,
)


def test_roles_are_learned_and_those_without_examples_get_no_probability():
    rng = np.random.default_rng(0)
    roles = np.repeat(["kick", "snare", "ride"], 40)
    rows = 0.1 * rng.normal(size=(120, EMBEDDING_DIM))
    rows[:, 5:8] += np.repeat(np.eye(3), 40, axis=0)
    weights = hit_weights(roles, np.tile(["a", "b"], 60))
    model = fit_role_model(rows, roles, weights=weights, is_recorded=np.ones(120, bool))
    p = model.probabilities(rows.astype(np.float32))
    assert (np.array(ROLES)[p.argmax(axis=1)] == roles).mean() > 0.95
    assert p[:, ROLES.index("china")].max() == 0.0
    unlike_all = model.probabilities(50.0 + np.zeros((1, EMBEDDING_DIM), np.float32))
    assert unlike_all[unlike_all > 0] == pytest.approx(np.full(3, 1 / 3), abs=1e-3)


def test_likeness_is_a_gaussian_of_the_distance():
    near = gaussian_kernel(np.array([[0.0, 0.0], [0.0, 2.0]]), np.array([[0.0, 0.0], [1.0, 0.0]]))
    assert near == pytest.approx(np.exp([[0.0, -1.0], [-4.0, -5.0]]))


def test_roles_have_equal_weight_whatever_their_number():
    roles, sources = np.array(["kick"] * 9 + ["ride"]), np.array(["a"] * 8 + ["b", "a"])
    weights = hit_weights(roles, sources)
    assert weights[:9].sum() == pytest.approx(weights[9])
    assert weights[8] > weights[0]


@pytest.mark.parametrize("true", [2.0, 6.0])
def test_the_temperature_that_made_the_labels_is_found(true):
    rng = np.random.default_rng(1)
    logits = 8 * rng.normal(size=(4000, len(ROLES)))
    odds = np.exp(logits / true - (logits / true).max(axis=1, keepdims=True))
    odds /= odds.sum(axis=1, keepdims=True)
    drawn = np.array([rng.choice(len(ROLES), p=row) for row in odds])
    at_one = np.exp(logits - logits.max(axis=1, keepdims=True))
    at_one /= at_one.sum(axis=1, keepdims=True)
    assert fit_temperature(at_one, np.array(ROLES)[drawn]) == pytest.approx(true, rel=0.15)


def test_each_source_is_predicted_by_a_model_fitted_without_it():
    masks = []

    class Uniform:
        def probabilities(self, rows):
            return np.zeros((len(rows), len(ROLES)))

    def fit(mask):
        masks.append(mask.tolist())
        return Uniform()

    held_out_probabilities(fit, np.zeros((3, EMBEDDING_DIM)), np.array(["a", "b", "a"]))
    assert masks == [[False, True, False], [True, False, True]]


def labelled(source: str, role: str, name: str) -> Label:
    return Label(Path(name), source, source, role, role, "", has_siblings=False)


def drawn(sources: str, roles: str, *, shift: float = 0.0) -> Examples:
    """Hits of two roles in two places, 40 of each source and role, moved by `shift`."""
    rng = np.random.default_rng(len(sources))
    labels = tuple(
        labelled(source, role, f"{source}{role}{k}.wav")
        for source in sources.split() for role in roles.split() for k in range(40)
    )  # fmt: skip
    rows = 0.3 * rng.normal(size=(len(labels), EMBEDDING_DIM))
    rows[:, 5] += [3.0 * (label.role == "kick") + shift for label in labels]
    return Examples(labels, rows.astype(np.float32), np.arange(len(labels)))


def test_strangers_lower_the_confidence_and_change_nothing_else():
    taught, strangers = drawn("a b", "kick snare"), drawn("c", "other", shift=3.0)
    alone, with_strangers = fit_calibrated(taught), fit_calibrated(taught, strangers=strangers)
    assert with_strangers.model.temperature > 1.3 * alone.model.temperature
    assert np.array_equal(with_strangers.model.weights, alone.model.weights)
    assert np.array_equal(with_strangers.held_out, alone.held_out)


def test_hits_of_no_known_role_count_in_the_calibration():
    taught = drawn("a b", "kick snare")
    other = tuple(labelled("c", "other", f"c{k}.wav") for k in range(40))
    rows = np.concatenate([taught.embeddings, taught.embeddings[:40]])
    both = Examples(taught.labels + other, rows, np.arange(len(rows)))
    assert fit_calibrated(both).model.temperature > 1.3 * fit_calibrated(taught).model.temperature


def test_sources_that_share_recordings_are_held_out_together():
    labels = drawn("a b c", "kick snare").labels
    pairs = [(labels[k].path, labels[80 + k].path) for k in range(SHARED_COPIES)]
    pairs += [(labels[0].path, labels[160].path), (labels[0].path, labels[1].path)]
    groups = recording_groups(labels, pairs)
    assert len(set(groups[:160])) == 1
    assert set(groups[160:]) == {"c"}
    assert set(recording_groups(labels, pairs[1:])) == {"a", "b", "c"}


def test_a_source_counts_by_the_root_of_its_size():
    weights = source_weights(np.array(["a"] * 9 + ["b"]))
    assert weights[:9].sum() == pytest.approx(3.0 * weights[9])
