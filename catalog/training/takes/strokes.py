"""Fit the model that finds the strokes of takes, on rises of made takes of which all are known."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier
from threadpoolctl import threadpool_limits

from catalog.features.segmentation.flux import spectral_flux
from catalog.features.segmentation.likelihood.resemblance import describe_resemblance, is_uncertain
from catalog.features.segmentation.likelihood.stroke_model import LIMIT, StrokeModel
from catalog.features.segmentation.likelihood.surroundings import describe_rises
from catalog.features.segmentation.rises import trace_rises
from catalog.training.takes.disturbances import SR
from catalog.training.takes.material import Material
from catalog.training.takes.scenes import Scene, make_scene

AT_STROKE_S = (-0.012, 0.030)  # a rise this near an onset is its stroke; attacks can be slow
NEAR_STROKE_S = (-0.020, 0.050)  # others this near are not used: a flam counts once
AUDIBLE_DB = 3.0  # the third highest rise of twelve bands; softer strokes are not used
AUDIBLE_S, BEFORE_S, N_BANDS = 0.020, 0.004, 12
N_TAKES = 1300  # of each fold
HIDDEN, ALPHA, N_EPOCHS = (64, 24), 0.1, 9
DROPPED = 0.25  # share of the inputs that is set to their mean, against overfitting
N_COPIES = 2  # of each example, with other inputs dropped
LIMITS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
N_MEMBERS = 3  # networks whose logits are averaged


@dataclass(frozen=True, eq=False)
class Rises:
    """Described rises of several takes."""

    inputs: np.ndarray  # float32, shape (n, n_inputs)
    at_s: np.ndarray  # shape (n,), in the take
    labels: np.ndarray  # int8, shape (n,): 1 stroke, 0 none, -1 undecided
    take: np.ndarray  # shape (n,), number of the take


def make_rises(material: Material, *, n_takes: int, seed: int) -> Rises:
    """Describe the rises of made takes."""
    parts = []
    for number in range(n_takes):
        scene = make_scene(material, np.random.default_rng([seed, number]))
        spectra = spectral_flux(scene.take, sr=SR)
        found = trace_rises(scene.take, spectra, sr=SR)
        if found.rises:
            at_s = np.array([rise.at for rise in found.rises]) * found.block / SR
            inputs = describe_rises(found.rises, spectra, block=found.block)
            parts.append((inputs, at_s, label_rises(at_s, scene), np.full(len(at_s), number)))
    return Rises(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def join_rises(folds: Sequence[Rises]) -> Rises:
    """Join the rises of several sets of takes."""
    firsts = np.cumsum([0, *(1 + fold.take.max() for fold in folds[:-1])])
    return Rises(
        np.concatenate([fold.inputs for fold in folds]),
        np.concatenate([fold.at_s for fold in folds]),
        np.concatenate([fold.labels for fold in folds]),
        np.concatenate([fold.take + first for fold, first in zip(folds, firsts, strict=True)]),
    )


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


def fit_stroke_model(folds: Sequence[Rises], *, seed: int) -> tuple[StrokeModel, np.ndarray]:
    """Fit the network on all folds, and the second decision on folds that it has not seen.

    Return the model, and the probabilities of the joined rises by networks without their fold.
    One thread of linear algebra is used, so that the same rises give the same arrays.
    """
    with threadpool_limits(limits=1):
        first = []
        for number, fold in enumerate(folds):
            others = join_rises([*folds[:number], *folds[number + 1 :]])
            first.append(fit_network(others, seed=seed).first_probabilities(fold.inputs))
        rises, unseen = join_rises(folds), np.concatenate(first)
        model = replace(fit_network(rises, seed=seed), second=_fit_second(rises, unseen))
    return model, unseen


def _fit_second(rises: Rises, first: np.ndarray) -> np.ndarray:
    numbers, decided = [], []
    for rows in np.split(np.arange(len(first)), np.flatnonzero(np.diff(rises.take)) + 1):
        described = describe_resemblance(rises.inputs[rows], rises.at_s[rows], first[rows])
        used = is_uncertain(first[rows]) & (rises.labels[rows] >= 0)
        numbers.append(described[used])
        decided.append(rises.labels[rows][used])
    labels = np.concatenate(decided)
    if len(np.unique(labels)) < 2:
        return np.zeros(0)
    fitted = LogisticRegression(C=10.0).fit(np.concatenate(numbers), labels)
    return np.concatenate([fitted.intercept_, fitted.coef_[0]])


def fit_network(rises: Rises, *, seed: int) -> StrokeModel:
    """Fit several networks and join them to one that averages their logits."""
    is_decided = rises.labels >= 0
    raw, is_stroke = rises.inputs[is_decided], rises.labels[is_decided] == 1
    mean, scale = raw.mean(axis=0), raw.std(axis=0) + 1e-3
    inputs = np.clip((raw - mean) / scale, -LIMIT, LIMIT).astype(np.float32)
    members = [_fit_member(inputs, is_stroke, seed + number) for number in range(N_MEMBERS)]
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
        np.zeros(0),
    )


def _fit_member(inputs: np.ndarray, is_stroke: np.ndarray, seed: int) -> MLPClassifier:
    rng = np.random.default_rng(seed)
    copies = np.concatenate([inputs] * N_COPIES)
    copies *= rng.random(copies.shape) > DROPPED
    batch = min(256, len(copies))
    network = MLPClassifier(
        HIDDEN, alpha=ALPHA, batch_size=batch, learning_rate_init=1e-3, max_iter=N_EPOCHS,
        random_state=seed,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # `N_EPOCHS` stops before overfitting
        return network.fit(copies, np.concatenate([is_stroke] * N_COPIES))


def print_strokes(folds: Sequence[Rises], model: StrokeModel, unseen: np.ndarray) -> None:
    """Print, for limits of the likelihood, how many strokes and other rises exceed them.

    The network had not seen the source of any rise; the second decision had.
    """
    rises, second = join_rises(folds), unseen.copy()
    for rows in np.split(np.arange(len(unseen)), np.flatnonzero(np.diff(rises.take)) + 1):
        second[rows] = model.decide_again(rises.inputs[rows], rises.at_s[rows], unseen[rows])
    is_stroke, is_none = rises.labels == 1, rises.labels == 0
    print(f"{is_stroke.sum()} strokes and {is_none.sum()} other rises of other sources")
    for limit in LIMITS:
        shares = (p[rows] >= limit for p in (unseen, second) for rows in (is_stroke, is_none))
        values = " / ".join(f"{share.mean():.4f}" for share in shares)
        print(f"limit {limit:.2f}: strokes / others first, strokes / others at last {values}")
