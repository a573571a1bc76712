"""Fitting on made-up embeddings whose right answer is known."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from catalog.errors import ParameterError
from catalog.features.embedding import EMBEDDING_DIM
from catalog.library.metadata.role_model import likeness
from catalog.models import ROLES
from catalog.search.spaces import make_spaces, stroke_distances
from catalog.training import __main__ as command
from catalog.training import examples, learn
from tests.signals import SR, as_frames, decaying_noise, drum_stroke


def made_up(n_drums: int = 12, n_strokes: int = 6):
    """Embeddings that differ between drums in some columns and between strokes in others."""
    rng = np.random.default_rng(3)
    drum = np.repeat(np.arange(n_drums), n_strokes)
    rows = 0.01 * rng.normal(size=(len(drum), EMBEDDING_DIM))
    rows[:, 40:44] += rng.normal(size=(n_drums, 4))[drum]
    rows[:, 100] += 2.0 * rng.normal(size=len(drum))  # strength: large, and within every drum
    return rows.astype(np.float32), drum


def test_what_varies_within_drums_counts_less_after_fitting():
    rows, drum = made_up()
    names = np.array([[f"d{d}"] for d in drum])
    roles = np.full((len(drum), len(ROLES)), 1 / len(ROLES))
    metric = learn.fit_metric(rows, names, roles)
    spaces = make_spaces(np.arange(len(rows)), rows, roles, projection=metric)
    plain, fitted = 0, 0
    for row in range(len(rows)):
        other = np.arange(len(rows)) != row
        far = np.linalg.norm(rows - rows[row], axis=1)
        plain += drum[other][far[other].argmin()] == drum[row]
        fitted += drum[other][stroke_distances(spaces, row)[other].argmin()] == drum[row]
    assert fitted > plain
    assert fitted > 0.9 * len(rows)


def test_roles_are_learned_and_unseen_ones_never_said():
    rng = np.random.default_rng(0)
    roles = np.repeat(["kick", "snare", "ride"], 40)
    rows = 0.1 * rng.normal(size=(120, EMBEDDING_DIM))
    rows[:, 5:8] += np.repeat(np.eye(3), 40, axis=0)
    weights = learn.hit_weights(roles, np.tile(["a", "b"], 60))
    model = learn.fit_role_model(rows, roles, weights=weights, is_recorded=np.ones(120, bool))
    p = model.probabilities(rows.astype(np.float32))
    assert (np.array(ROLES)[p.argmax(axis=1)] == roles).mean() > 0.95
    assert p[:, ROLES.index("china")].max() == 0.0
    unlike = model.probabilities(50.0 + np.zeros((1, EMBEDDING_DIM), np.float32))
    assert unlike[unlike > 0] == pytest.approx(np.full(3, 1 / 3), abs=1e-3)  # it says so


def test_likeness_falls_with_the_square_of_the_distance():
    near = likeness(np.array([[0.0, 0.0], [0.0, 2.0]]), np.array([[0.0, 0.0], [1.0, 0.0]]))
    assert near == pytest.approx(np.exp([[0.0, -1.0], [-4.0, -5.0]]))


def test_roles_count_alike_whatever_their_number():
    roles, sources = np.array(["kick"] * 9 + ["ride"]), np.array(["a"] * 8 + ["b", "a"])
    weights = learn.hit_weights(roles, sources)
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
    assert learn.fit_temperature(at_one, np.array(ROLES)[drawn]) == pytest.approx(true, rel=0.15)


def test_each_source_is_judged_by_a_model_that_has_not_seen_it():
    seen = []

    class Judge:
        def probabilities(self, rows):
            return np.zeros((len(rows), len(ROLES)))

    def fit_one(mask):
        seen.append(mask.copy())
        return Judge()

    sources = np.array(["a", "b", "a"])
    learn.held_out_probabilities(fit_one, np.zeros((3, EMBEDDING_DIM)), sources)
    assert [mask.tolist() for mask in seen] == [[False, True, False], [True, False, True]]


def test_fitting_from_a_table_writes_both_files(tmp_path, monkeypatch, capsys):
    columns = ("path", "source", "kit", "instrument", "role", "duplicate_of")
    with (tmp_path / "labels.csv").open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(columns)
        for source in ("a", "b"):
            for seed in range(4):
                for role, y in (
                    ("kick", drum_stroke(55, seed=seed)),
                    ("hat_closed", decaying_noise(0.06, seed=seed)),
                ):
                    name = f"{source}{seed}{role}.wav"
                    (tmp_path / name).write_bytes(encode_wav(as_frames(y), sr=SR))
                    table.writerow([name, source, source, role, role, ""])
        table.writerow(["not there.wav", "a", "a", "kick", "kick", "a0kick.wav"])
    for file in ("MODEL_FILE", "SPACES_FILE"):
        monkeypatch.setattr(command, file, tmp_path / f"{file}.npz")
    assert command.main([str(tmp_path / "labels.csv"), str(tmp_path)]) == 0
    assert "16 hits of 2 sources" in capsys.readouterr().out
    assert (tmp_path / "MODEL_FILE.npz").exists()
    assert (tmp_path / "SPACES_FILE.npz").exists()


def test_a_table_without_known_roles_is_refused(tmp_path):
    (tmp_path / "x.csv").write_text("path,kit,instrument,role\na.wav,k,i,triangle\n")
    with pytest.raises(ParameterError, match="no row has a role"):
        examples.read_labels(tmp_path / "x.csv", tmp_path)


def test_without_arguments_the_usage_is_told(capsys):
    assert command.main([]) == 2
    assert "LABELS_CSV FOLDER" in capsys.readouterr().err
