"""The model of voices is fitted on made syllables and on takes without voices."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.training.takes import voices
from catalog.training.takes.drums import make_drum
from catalog.training.takes.material import Material
from catalog.training.takes.voices import Sounds, fit_voice_model, join_sounds, measure_sounds


def test_made_syllables_are_voices_and_made_drums_are_not(monkeypatch):
    for name, n in {"N_TAKES": 6, "N_ROLLS": 2, "N_SYLLABLES": 10}.items():
        monkeypatch.setattr(voices, name, n)
    sounds = measure_sounds(Material([make_drum(seed) for seed in range(3)], []), seed=1)
    again = measure_sounds(Material([make_drum(seed) for seed in range(3)], []), seed=1)
    assert sounds.is_voice.any()
    assert not sounds.is_voice.all()
    assert np.array_equal(sounds.numbers, again.numbers)


def test_a_fitted_model_separates_what_can_be_separated(capsys):
    rng = np.random.default_rng(1)
    is_voice = np.arange(200) % 2 == 0
    numbers = rng.standard_normal((200, 12)) + 6.0 * is_voice[:, None]
    folds = [Sounds(numbers[k::3], is_voice[k::3]) for k in range(3)]
    joined = join_sounds(folds)
    model = fit_voice_model(joined)
    likelihoods = np.array([model.likelihood(row) for row in joined.numbers])
    assert np.array_equal(likelihoods > 0.5, joined.is_voice)
    voices.print_voices(folds)
    assert "100 of 100 voices and 100 of 100 other sounds" in capsys.readouterr().out


@pytest.mark.parametrize("seed", range(4))
def test_rolls_are_finite_and_last_as_long_as_their_strokes(seed):
    roll = voices._roll(Material([make_drum(seed)], []), np.random.default_rng(seed))
    assert np.isfinite(roll).all()
    assert 0.5 <= len(roll) / voices.SR <= 2.5
    assert np.abs(roll[: len(roll) // 10]).max() > 0
