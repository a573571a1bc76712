"""Fit the role model: kernel ridge regression on labelled hits, calibrated on held-out sources."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from catalog.features.embedding import EMBEDDING_BLOCKS, standardize_embeddings
from catalog.library.metadata.role_model import RoleModel, gaussian_kernel
from catalog.models import ROLES, Role
from catalog.training.examples import SEED, Examples
from catalog.training.labels import Label, column
from catalog.training.spaces import block_factors, block_standards, principal_components

# Weight of each block at a total variance of 1, chosen on held-out sources.
BLOCK_WEIGHTS = {
    "spectrogram": 1.0, "low_spectrogram": 0.6, "fine_spectrum": 0.5, "timbre": 1.0,
}  # fmt: skip
N_COMPONENTS = {"spectrogram": 60, "low_spectrogram": 25, "fine_spectrum": 60}  # timbre: all
KERNEL_WIDTH = 1.0  # exp(-width * d**2) at a mean square distance of 1; 0.3 was no worse
RIDGE = 0.01  # of the mean size of the squares; 0.001 to 0.01 were equal on held-out sources
N_CENTERS = 800  # 2,000 gained half a point of accuracy
SHARED_COPIES = 20  # pairs from which two sources count as one; single ones are chance finds
TEMPERATURES = np.geomspace(0.01, 20.0, 80)


@dataclass(frozen=True, eq=False)
class CalibratedRoles:
    """A role model fitted on all labels, and what held-out models predict."""

    model: RoleModel
    held_out: np.ndarray  # shape (n_labels, len(ROLES)), each source by a model without it


def fit_calibrated(
    examples: Examples,
    *,
    strangers: Examples | None = None,
    known_copies: Collection[tuple[Path, Path]] = (),
) -> CalibratedRoles:
    """Fit the model on all examples, with the temperature that suits hits unlike them.

    The temperature is that of held-out sources, each predicted by a model fitted without it and
    without sources that share recordings with it, and of the strangers. Hits of role "other" count
    too: a glass that is called a bell is as wrong as a kick that is called a tom.

    Parameters
    ----------
    examples : Examples
    strangers : Examples, optional
        hits that the model is not fitted on; only the temperature depends on them
    known_copies : collection of pairs of files that are one recording
    """
    groups = recording_groups(examples.labels, known_copies)
    roles = column(examples.labels, "role")
    held_out = held_out_probabilities(
        lambda mask: fit_on_labels(examples, mask), examples.recorded, groups
    )
    model = fit_on_labels(examples, np.ones(len(examples.labels), bool))
    parts = [(held_out, roles, groups)]
    if strangers is not None:
        parts.append(
            (
                model.probabilities(strangers.recorded),
                column(strangers.labels, "role"),
                np.char.add("stranger ", column(strangers.labels, "source")),
            )
        )
    unseen, truth, origin = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    temperature = fit_temperature(unseen, truth, weights=source_weights(origin))
    return CalibratedRoles(replace(model, temperature=temperature), held_out)


def recording_groups(
    labels: Sequence[Label], known_copies: Collection[tuple[Path, Path]]
) -> np.ndarray:
    """Return the source of each label, with one name for sources that share recordings.

    They share them from `SHARED_COPIES` pairs on; `known_copies` are pairs of files that are one
    recording. The result has shape (n_labels,).
    """
    source = {label.path: label.source for label in labels}
    pairs = (tuple(sorted(source.get(path, "") for path in pair)) for pair in known_copies)
    name = {found: found for found in source.values()}
    for (first, second), count in Counter(pairs).items():
        if count >= SHARED_COPIES and first and first != second:
            old, new = name[second], name[first]
            name = {found: new if group == old else group for found, group in name.items()}
    return np.array([name[label.source] for label in labels])


def source_weights(sources: np.ndarray) -> np.ndarray:
    """Weight hits so that a source counts by the root of its size; the weights sum to 1."""
    _, index, count = np.unique(sources, return_inverse=True, return_counts=True)
    weight = count[index] ** -0.5
    return np.asarray(weight / weight.sum())


def print_accuracy(labels: Sequence[Label], result: CalibratedRoles) -> None:
    """Print how often the role of a hit from a held-out source is right."""
    sources, roles = column(labels, "source"), column(labels, "role")
    is_right = np.array(ROLES)[result.held_out.argmax(axis=1)] == roles
    accuracy = is_right[roles != Role.OTHER].mean()
    n_sources, temperature = len(set(sources)), result.model.temperature
    print(f"{len(labels)} hits of {n_sources} sources, temperature {temperature:.1f}")
    print(f"accuracy on held-out sources: {accuracy:.3f}")


def fit_on_labels(
    examples: Examples, is_allowed: np.ndarray, *, temperature: float = 1.0
) -> RoleModel:
    """Fit the role model on a part of the labels; `is_allowed` has shape (n_labels,)."""
    use = is_allowed[examples.owner]
    roles, sources = (
        column(examples.labels, name)[examples.owner][use] for name in ("role", "source")
    )
    return fit_role_model(
        examples.embeddings[use],
        roles,
        weights=hit_weights(roles, sources),
        is_recorded=examples.is_recorded[use],
        temperature=temperature,
        seed=SEED,
    )


def hit_weights(roles: np.ndarray, sources: np.ndarray) -> np.ndarray:
    """Weight hits so that roles count equally, and the sources within a role nearly so.

    All arrays have shape (n,); the weights sum to 1.
    """
    both = np.char.add(np.char.add(sources, "|"), roles)
    _, group, count = np.unique(both, return_inverse=True, return_counts=True)
    weight = count[group] ** -0.5
    _, role = np.unique(roles, return_inverse=True)
    weight = weight / np.bincount(role, weight)[role]
    return np.asarray(weight / weight.sum())


def fit_role_model(
    embeddings: np.ndarray,
    roles: np.ndarray,
    *,
    weights: np.ndarray,
    is_recorded: np.ndarray,
    temperature: float = 1.0,
    seed: int = 0,
) -> RoleModel:
    """Fit by ridge regression on a Gaussian kernel with centers drawn from the hits.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM), recorded hits and their variations
    roles : np.ndarray of str, shape (n,)
    weights : np.ndarray, shape (n,), see `hit_weights`
    is_recorded : np.ndarray, bool, shape (n,); the components are fitted on these only

    References
    ----------
    C. Williams and M. Seeger, "Using the Nystroem method to speed up kernel machines", NIPS 2000.
    """
    mean, scale = block_standards(embeddings[is_recorded])
    rows = standardize_embeddings(embeddings, mean, scale).astype(np.float64)
    inputs = _input_axes(rows[is_recorded], seed)
    points = rows @ inputs
    factor = np.sqrt(KERNEL_WIDTH / np.square(points).sum(axis=1).mean())
    points *= factor
    n = min(N_CENTERS, int(np.count_nonzero(weights)))
    rng = np.random.default_rng(seed)
    centers = points[rng.choice(len(rows), n, replace=False, p=weights)]
    fitted, seen_roles = _fit_kernel_weights(points, centers, roles, weights)
    columns = [ROLES.index(role) for role in seen_roles]
    kernel_weights, bias = np.zeros((n, len(ROLES))), np.full(len(ROLES), -np.inf)
    kernel_weights[:, columns], bias[columns] = fitted, 0.0
    return RoleModel(mean, scale, inputs * factor, centers, kernel_weights, bias, temperature)


def _fit_kernel_weights(
    points: np.ndarray, centers: np.ndarray, roles: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the weight of each center for each role that occurs, and these roles."""
    seen_roles, own = np.unique(roles, return_inverse=True)
    targets = np.eye(len(seen_roles))[own] - 1.0 / len(seen_roles)
    kernel = gaussian_kernel(points, centers)
    weighted = (kernel * weights[:, None]).T
    squares = weighted @ kernel
    size = float(np.trace(squares)) / len(centers)
    squares += RIDGE * size * gaussian_kernel(centers, centers) + 1e-8 * np.eye(len(centers))
    return np.linalg.solve(squares, weighted @ targets), seen_roles


def _input_axes(rows: np.ndarray, seed: int) -> np.ndarray:
    parts = []
    for name, weight in BLOCK_WEIGHTS.items():
        factors = block_factors(rows, {name: weight})
        if name in N_COMPONENTS:
            axes, _ = principal_components(rows * factors, N_COMPONENTS[name], seed=seed)
            parts.append(factors[:, None] * axes)
        else:
            parts.append(np.diag(factors)[:, EMBEDDING_BLOCKS[name]])
    return np.concatenate(parts, axis=1)


def held_out_probabilities(
    fit: Callable[[np.ndarray], RoleModel], embeddings: np.ndarray, sources: np.ndarray
) -> np.ndarray:
    """Predict each source by a model that was fitted without it; shape (n, len(ROLES)).

    `fit` takes a bool mask of the hits that may be used, and returns a model.
    """
    result = np.zeros((len(embeddings), len(ROLES)), np.float32)
    for source in np.unique(sources):
        is_held_out = sources == source
        result[is_held_out] = fit(~is_held_out).probabilities(embeddings[is_held_out])
    return result


def fit_temperature(
    probabilities: np.ndarray, roles: np.ndarray, *, weights: np.ndarray | None = None
) -> float:
    """Return the temperature with the lowest cross-entropy.

    `probabilities` are held out, at temperature 1, shape (n, len(ROLES)); `weights` are those of
    the hits, equal by default.

    References
    ----------
    C. Guo et al., "On calibration of modern neural networks", ICML 2017 (temperature scaling).
    """
    logits = np.log(np.maximum(probabilities.astype(np.float64), 1e-30))
    own = np.array([ROLES.index(role) for role in roles])

    def cross_entropy(temperature: float) -> float:
        scaled = logits / temperature
        log_total = np.log(np.exp(scaled - scaled.max(axis=1, keepdims=True)).sum(axis=1))
        log_own = scaled[np.arange(len(own)), own] - scaled.max(axis=1)
        return float(np.average(log_total - log_own, weights=weights))

    return float(min(TEMPERATURES, key=cross_entropy))
