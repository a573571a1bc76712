"""Recognize voices by how a hit rises, lasts and changes, and by a fitted model of its voicing.

`python -m catalog.training voices` fits the model on recorded speech and on made takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.features.events.contour import Contour
from catalog.features.events.voicing import Voicing, measure_voicing, spread_of_brightness

MODEL_FILE = Path(__file__).with_name("voice_model.npz")
# How long a syllable takes to rise, how long it is loud, and its level 200 ms after its start.
RISE_S, LEAST_S, LATER_DB = 0.010, 0.12, -9.0
# Semitones by which brightness spreads over 20 ms parts; a voice without it has a steady level.
UNSTEADY, STEADY_DB = 3.5, -1.5
LEAST_LIKELIHOOD = 0.65
LIMIT = 4.0  # of a standardized number
# Limits of the attack in s, the level 200 ms after the start and the largest regrowth in dB, and
# the spread of brightness in semitones; what exceeds them says no more.
MOST_ATTACK_S, LEAST_LATER_DB, MOST_REGROWTH_DB, MOST_SPREAD = 0.3, -20.0, 30.0, 15.0
# Share of voiced frames, share in contours, and spreads of brightness and of pitch in semitones of
# clear speech, with little energy above 700 Hz; of recorded strokes none has all of them.
SPEECH, SPEECH_BRIGHT = (0.55, 0.40, 2.2, 2.2), 0.3
# Sung voices have steady formants, and a level as steady: their voiced share, share in contours,
# spread of pitch in semitones, and limits of the share of energy above 700 Hz.
SUNG, SUNG_STEADY_DB, SUNG_SPREAD, SUNG_BRIGHT = (0.65, 0.60, 1.2), -4.0, 7.0, (0.1, 0.6)


@dataclass(frozen=True, eq=False)
class VoiceModel:
    """A logistic regression of the numbers of `describe_voice` and of their squares.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (n_numbers,)
    weights : np.ndarray, shape (2 * n_numbers,), of the standardized numbers, then of their squares
    bias : np.ndarray, shape ()
    """

    mean: np.ndarray
    scale: np.ndarray
    weights: np.ndarray
    bias: np.ndarray

    def likelihood(self, numbers: np.ndarray) -> float:
        """Return the probability of a voice."""
        values = standardize(numbers, self.mean, self.scale)
        logit = values @ self.weights + self.bias
        return float(1.0 / (1.0 + np.exp(-logit)))

    def save(self, path: Path) -> None:
        """Write the arrays."""
        np.savez(
            path,
            allow_pickle=False,
            **{key: value.astype(np.float32) for key, value in vars(self).items()},
        )


def standardize(numbers: np.ndarray, mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return standardized numbers and their squares, shape (..., 2 * n_numbers)."""
    values = np.clip((numbers - mean) / scale, -LIMIT, LIMIT)
    return np.concatenate([values, np.square(values)], axis=-1)


@lru_cache(maxsize=1)
def load_voice_model() -> VoiceModel:
    """Load the shipped model."""
    with np.load(MODEL_FILE, allow_pickle=False) as file:
        return VoiceModel(**{name: file[name].astype(np.float64) for name in file.files})


def may_be_voice(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return at little cost whether a hit rises, lasts and changes as syllables do."""
    later_db = contour.later_db(0.2)
    if contour.attack_s < RISE_S or contour.length_s < LEAST_S or later_db <= LATER_DB:
        return False
    return later_db > STEADY_DB or spread_of_brightness(body, sr=sr) > UNSTEADY


def is_voice(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a hit that `may_be_voice` is one."""
    found = measure_voicing(body, sr=sr)
    if found.formant_spread_db == 0.0:
        return False
    if _is_clear(found, contour):
        return True
    numbers = _join(body, contour, found, sr=sr)
    return load_voice_model().likelihood(numbers) >= LEAST_LIKELIHOOD


def is_clear_voice(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether a hit that `may_be_voice` is clear speech or song, whatever the model."""
    return _is_clear(measure_voicing(body, sr=sr), contour)


def voice_likelihood(body: np.ndarray, contour: Contour, *, sr: int) -> float:
    """Return the likelihood of a voice by the model."""
    return load_voice_model().likelihood(describe_voice(body, contour, sr=sr))


def describe_voice(body: np.ndarray, contour: Contour, *, sr: int) -> np.ndarray:
    """Return the numbers that the model decides by, shape (n_numbers,)."""
    return _join(body, contour, measure_voicing(body, sr=sr), sr=sr)


def _join(body: np.ndarray, contour: Contour, found: Voicing, *, sr: int) -> np.ndarray:
    return np.array([
        min(contour.attack_s, MOST_ATTACK_S),
        max(contour.later_db(0.2), LEAST_LATER_DB),
        min(contour.regrowth_db(), MOST_REGROWTH_DB),
        min(spread_of_brightness(body, sr=sr), MOST_SPREAD),
        *found,
    ])  # fmt: skip


def _is_clear(found: Voicing, contour: Contour) -> bool:
    values = (found.voiced, found.in_contours, found.brightness_spread, found.pitch_spread)
    is_speech = all(a >= b for a, b in zip(values, SPEECH, strict=True))
    if is_speech and found.bright_share < SPEECH_BRIGHT:
        return True
    return _is_sung(found) and contour.later_db(0.2) > SUNG_STEADY_DB


def _is_sung(found: Voicing) -> bool:
    shares = (found.voiced, found.in_contours, found.pitch_spread)
    low, high = SUNG_BRIGHT
    is_steady = found.pitch_spread < SUNG_SPREAD and low < found.bright_share < high
    return is_steady and all(a >= b for a, b in zip(shares, SUNG, strict=True))
