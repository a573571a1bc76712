"""Fit the model that recognizes voices, on recorded speech and on parts of made takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from sklearn.linear_model import LogisticRegression

from catalog.features.events.contour import trace_contour
from catalog.features.events.voices import (
    LEAST_LIKELIHOOD,
    VoiceModel,
    describe_voice,
    may_be_voice,
    standardize,
)
from catalog.features.onset import LEAD_S, find_stroke
from catalog.training.takes.disturbances import SR, make_syllables, peak_of
from catalog.training.takes.material import Material
from catalog.training.takes.scenes import lay_take

N_TAKES, N_ROLLS, N_SYLLABLES = 600, 200, 40  # of each fold
FALSE_WEIGHT = 3.0
ROOM_DB, LEVELS_DB = -68.0, (-30.0, -6.0)  # of the noise and of a voice over it, dBFS
SPOKEN_S = (0.3, 3.0)  # of a recording
PART_S = (0.3, 2.5)  # of a take


@dataclass(frozen=True, eq=False)
class Sounds:
    """Numbers of sounds, shape (n, n_numbers), and which of them are voices, shape (n,)."""

    numbers: np.ndarray
    is_voice: np.ndarray


def measure_sounds(material: Material, *, seed: int) -> Sounds:
    """Describe the voices, the single strokes, and parts and rolls of takes without voices."""
    rows, labels = [], []
    for is_voice, sounds in (
        (True, _voices(material, np.random.default_rng([seed, 0]))),
        (False, _strokes(material)),
        (False, _parts(material, seed)),
    ):
        for sound in sounds:
            found = find_stroke(sound, sr=SR)
            body = sound[found.start : found.stop]
            contour = trace_contour(body, sr=SR)
            if may_be_voice(body, contour, sr=SR):
                rows.append(describe_voice(body, contour, sr=SR))
                labels.append(is_voice)
    return Sounds(np.array(rows), np.array(labels))


def _voices(material: Material, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Return recorded voices and made syllables."""
    for voice in material.voices:
        yield _over_room(voice[: round(rng.uniform(*SPOKEN_S) * SR)], rng)
    for _ in range(N_SYLLABLES):
        yield _over_room(make_syllables(round(rng.uniform(*SPOKEN_S) * SR), rng), rng)


def _over_room(part: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    gain = 10 ** (rng.uniform(*LEVELS_DB) / 20) / max(peak_of(part), 1e-9)
    margin = SR // 10
    room = rng.standard_normal(len(part) + 2 * margin) * 10 ** (ROOM_DB / 20)
    room[margin : margin + len(part)] += gain * part
    return room.astype(np.float32)


def _strokes(material: Material) -> Iterator[np.ndarray]:
    for drum in material.drums:
        yield from (stroke.mono for stroke in drum.strokes)


def _parts(material: Material, seed: int) -> Iterator[np.ndarray]:
    """Return parts of takes that begin with a stroke, and rolls."""
    for number in range(N_TAKES):
        rng = np.random.default_rng([seed, 1, number])
        _, laid, take = lay_take(material, rng)
        start = max(0, round((laid[rng.integers(len(laid))].at_s - LEAD_S) * SR))
        yield _over_room(take[start : start + round(rng.uniform(*PART_S) * SR)], rng)
    for number in range(N_ROLLS):
        rng = np.random.default_rng([seed, 2, number])
        yield _over_room(_roll(material, rng), rng)


def _roll(material: Material, rng: np.random.Generator) -> np.ndarray:
    """Return a roll, even or with a crescendo."""
    drum = material.drums[rng.integers(len(material.drums))]
    rate, n = rng.uniform(10, 40), round(rng.uniform(0.5, 2.5) * SR)
    grow_db, roll = rng.choice([0.0, 0.0, 12.0, 30.0]), np.zeros(n, np.float32)
    for i in range(int(n / SR * rate)):
        stroke = drum.strokes[rng.integers(len(drum.strokes))]
        at = round((i + 0.06 * rng.standard_normal()) / rate * SR)
        part = stroke.mono[stroke.onset + max(0, -at) :][: n - max(0, at)]
        level_db = rng.standard_normal() - 2.0 * (i % 2) - grow_db * (1 - i / rate / n * SR)
        roll[max(0, at) :][: len(part)] += 10 ** (level_db / 20) / peak_of(part) * part
    return roll


def fit_voice_model(sounds: Sounds) -> VoiceModel:
    """Fit the regression; a false voice weighs as much as `FALSE_WEIGHT` missed ones."""
    mean, scale = sounds.numbers.mean(axis=0), sounds.numbers.std(axis=0) + 1e-6
    fitted = LogisticRegression(C=0.3, max_iter=4000, class_weight={False: FALSE_WEIGHT, True: 1.0})
    fitted.fit(standardize(sounds.numbers, mean, scale), sounds.is_voice)
    return VoiceModel(mean, scale, fitted.coef_[0], fitted.intercept_[0])


def print_voices(folds: list[Sounds]) -> None:
    """Print how many voices and other sounds are recognized by models without their fold."""
    right = np.zeros(2, int)
    for number, fold in enumerate(folds):
        others = [other for k, other in enumerate(folds) if k != number]
        model = fit_voice_model(join_sounds(others))
        voices = np.array([model.likelihood(row) >= LEAST_LIKELIHOOD for row in fold.numbers])
        right += [(voices & fold.is_voice).sum(), (~voices & ~fold.is_voice).sum()]
    n = sum(int(fold.is_voice.sum()) for fold in folds)
    total = sum(len(fold.is_voice) for fold in folds)
    print(f"{right[0]} of {n} voices and {right[1]} of {total - n} other sounds are recognized")


def join_sounds(folds: list[Sounds]) -> Sounds:
    """Join the sounds of several folds."""
    return Sounds(
        np.concatenate([fold.numbers for fold in folds]),
        np.concatenate([fold.is_voice for fold in folds]),
    )
