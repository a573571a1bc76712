"""Fit the model that finds the strokes of takes, on rises of made takes of which all are known."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier

from catalog.features.segmentation.flux import spectral_flux
from catalog.features.segmentation.rises import trace_rises
from catalog.features.segmentation.stroke_model import LIMIT, StrokeModel
from catalog.features.segmentation.surroundings import describe_rises
from catalog.training.takes.disturbances import SR
from catalog.training.takes.material import Material
from catalog.training.takes.scenes import Scene, make_scene

AT_STROKE_S = (-0.012, 0.030)  # a rise this near an onset is its stroke; attacks can be slow
NEAR_STROKE_S = (-0.020, 0.050)  # others this near are not used: a flam counts once
AUDIBLE_DB = 3.0  # the third highest rise of twelve bands; softer strokes are not used
AUDIBLE_S, BEFORE_S, N_BANDS = 0.020, 0.004, 12
N_TAKES = 4000
HIDDEN, ALPHA, N_EPOCHS = (64, 24), 0.1, 9
DROPPED = 0.25  # share of the inputs that is set to their mean, against overfitting
N_COPIES = 2  # of each example, with other inputs dropped
N_MEMBERS = 3  # networks whose logits are averaged


@dataclass(frozen=True, eq=False)
class Rises:
    """Described rises, and whether each is a stroke."""

    inputs: np.ndarray  # float32, shape (n, n_inputs)
    is_stroke: np.ndarray  # bool, shape (n,)


def make_rises(material: Material, *, n_takes: int, seed: int) -> Rises:
    """Describe the rises of made takes."""
    inputs, labels = [], []
    for number in range(n_takes):
        scene = make_scene(material, np.random.default_rng([seed, number]))
        spectra = spectral_flux(scene.take, sr=SR)
        found = trace_rises(scene.take, spectra, sr=SR)
        if found.rises:
            at_s = np.array([rise.at for rise in found.rises]) * found.block / SR
            label = label_rises(at_s, scene)
            described = describe_rises(found.rises, spectra, block=found.block)
            inputs.append(described[label >= 0])
            labels.append(label[label >= 0])
    return Rises(np.concatenate(inputs), np.concatenate(labels) == 1)


def label_rises(at_s: np.ndarray, scene: Scene) -> np.ndarray:
    """Return 1 for each rise that is a stroke, 0 for others, -1 where that is undecided."""
    labels = np.zeros(len(at_s), np.int8)
    is_used = [
        c and _is_audible(scene.take, t) for t, c in zip(scene.times_s, scene.counts, strict=True)
    ]
    for time_s in scene.times_s:
        labels[(at_s > time_s + NEAR_STROKE_S[0]) & (at_s < time_s + NEAR_STROKE_S[1])] = -1
    for time_s, used in zip(scene.times_s, is_used, strict=True):
        distances_s = at_s - time_s
        near = np.flatnonzero((distances_s > AT_STROKE_S[0]) & (distances_s < AT_STROKE_S[1]))
        if used and len(near):
            labels[near[np.argmin(np.abs(distances_s[near]))]] = 1
    return labels


def _is_audible(take: np.ndarray, time_s: float) -> bool:
    """Return whether a stroke stands out of what is before it in a quarter of the bands."""
    n, at = round(AUDIBLE_S * SR), round(time_s * SR)
    stop = at - round(BEFORE_S * SR)
    before, after = take[max(0, stop - n) : max(0, stop)], take[at : at + n]
    if min(len(before), len(after)) < n:
        return True
    rise = 10 * np.log10(_band_powers(after) / _band_powers(before))
    return bool(np.sort(rise)[-3] >= AUDIBLE_DB)


def _band_powers(part: np.ndarray) -> np.ndarray:
    power = np.square(np.abs(np.fft.rfft(part * np.hanning(len(part)))))
    edges = np.unique(np.geomspace(2, len(power) - 1, N_BANDS + 1).astype(int))
    return np.asarray(np.add.reduceat(power, edges)[:-1] + 1e-13)


def fit_stroke_model(rises: Rises, *, seed: int) -> StrokeModel:
    """Fit several networks and join them to one that averages their logits."""
    mean, scale = rises.inputs.mean(axis=0), rises.inputs.std(axis=0) + 1e-3
    inputs = np.clip((rises.inputs - mean) / scale, -LIMIT, LIMIT).astype(np.float32)
    members = [_fit_member(inputs, rises.is_stroke, seed + number) for number in range(N_MEMBERS)]
    weights = [member.coefs_ for member in members]
    biases = [member.intercepts_ for member in members]
    return StrokeModel(
        mean,
        scale,
        (
            np.concatenate([first for first, _, _ in weights], axis=1),
            block_diag(*(second for _, second, _ in weights)),
            np.concatenate([third for _, _, third in weights]) / N_MEMBERS,
        ),
        (
            np.concatenate([first for first, _, _ in biases]),
            np.concatenate([second for _, second, _ in biases]),
            np.mean([third for _, _, third in biases], axis=0),
        ),
    )


def _fit_member(inputs: np.ndarray, is_stroke: np.ndarray, seed: int) -> MLPClassifier:
    rng = np.random.default_rng(seed)
    copies = np.concatenate([inputs] * N_COPIES)
    copies *= rng.random(copies.shape) > DROPPED
    network = MLPClassifier(
        HIDDEN, alpha=ALPHA, batch_size=256, learning_rate_init=1e-3, max_iter=N_EPOCHS,
        random_state=seed,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # `N_EPOCHS` stops before overfitting
        return network.fit(copies, np.concatenate([is_stroke] * N_COPIES))


def print_strokes(rises: Rises, model: StrokeModel) -> None:
    """Print how many strokes are found and how many other rises are taken for strokes."""
    found = model.probabilities(rises.inputs) >= 0.5
    print(
        f"{len(found)} rises of other drums: {found[rises.is_stroke].mean():.3f} of the strokes "
        f"found, {found[~rises.is_stroke].mean():.3f} of the others taken for strokes"
    )
