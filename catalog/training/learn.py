"""What is fitted on labelled hits: the two spaces and the role model. Arrays in, arrays out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from catalog.features.embedding import EMBEDDING_BLOCKS, EMBEDDING_DIM, standardize_embeddings
from catalog.library.metadata.role_model import RoleModel, likeness
from catalog.models import ROLES
from catalog.search.spaces import Projection

# Weight of each block once its total variance is 1, chosen on held-out sources.
STROKE_WEIGHTS = {
    "spectrogram": 1.0, "fine_spectrum": 1.0, "low_spectrogram": 0.5, "timbre": 0.3,
}  # fmt: skip
PLAIN_WEIGHTS = {"spectrogram": 1.0, "timbre": 0.7}
ROLE_WEIGHTS = {
    "spectrogram": 1.0, "low_spectrogram": 0.6, "fine_spectrum": 0.5, "timbre": 1.0,
}  # fmt: skip
# The timbre block is used whole.
ROLE_COMPONENTS = {"spectrogram": 60, "low_spectrogram": 25, "fine_spectrum": 60}
N_STROKE_DIMS, N_PLAIN_DIMS = 120, 20
WHITENING = 0.5  # 0 leaves the variances, 1 makes them equal; half needs no labels and won
VARIANCE_FLOOR = 1e-5  # of the first component: few hits leave components of nothing
WITHIN_FLOOR = 1.0  # added to the spread within drums, whose mean is 1: few drums are known
ROLE_REACH = 1.0  # likeness is exp(-reach * d**2) where hits are 1 from their mean; 0.3 was alike
RIDGE = 0.01  # of the mean size of the squares; 0.001 to 0.01 were alike on held-out sources
N_CENTERS = 800  # 2,000 gained half a point
N_MEDIAN_PAIRS = 400
TEMPERATURES = np.geomspace(0.01, 20.0, 80)


def _standards(embeddings: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and scale: timbre by deviation, the other blocks by their common spread."""
    mean = embeddings.mean(axis=0, dtype=np.float64)
    scale = np.ones(EMBEDDING_DIM)
    for name, block in EMBEDDING_BLOCKS.items():
        if name == "timbre":
            scale[block] = embeddings[:, block].std(axis=0) + 1e-6
        else:
            scale[block] = np.sqrt(np.square(embeddings[:, block] - mean[block]).sum(axis=1).mean())
    return mean, scale


def _weighting(standardized: np.ndarray, weights: dict[str, float]) -> np.ndarray:
    """Per column: block weight over the block's total deviation; 0 for blocks left out."""
    factor = np.zeros(EMBEDDING_DIM)
    for name, weight in weights.items():
        block = EMBEDDING_BLOCKS[name]
        factor[block] = weight / np.sqrt(np.square(standardized[:, block]).sum(axis=1).mean())
    return factor


def _components(rows: np.ndarray, n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    from sklearn.decomposition import PCA

    pca = PCA(min(n, *rows.shape), random_state=seed).fit(rows)
    variance = pca.explained_variance_
    return pca.components_.T, np.maximum(variance, VARIANCE_FLOOR * variance[0])


def fit_metric(
    embeddings: np.ndarray, drums: np.ndarray, roles: np.ndarray, *, seed: int = 0
) -> Projection:
    """Fit both spaces.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    drums : np.ndarray of str, shape (n, n_levels)
        each column names the drum of each hit at one level (through one microphone, through
        any); "" where a hit has no true siblings
    roles : np.ndarray, shape (n, n_roles), role probabilities of these hits, for the medians
    seed : int

    Returns
    -------
    Projection
    """
    mean, scale = _standards(embeddings)
    rows = standardize_embeddings(embeddings, mean, scale).astype(np.float64)
    strokes = _stroke_space(rows, drums, seed)
    factor = _weighting(rows, PLAIN_WEIGHTS)
    axes, variance = _components(rows * factor, N_PLAIN_DIMS, seed)
    acoustic = factor[:, None] * axes * variance ** (-WHITENING / 2)
    pick = np.random.default_rng(seed).choice(len(rows), min(N_MEDIAN_PAIRS, len(rows)), False)
    apart, far = 1.0 - roles[pick] @ roles[pick].T, rows[pick] @ acoustic
    far = np.sqrt(np.square(far[:, None] - far[None]).sum(axis=2))
    upper = np.triu_indices(len(pick), 1)
    return Projection(
        mean, scale, strokes, acoustic, float(np.median(apart[upper])), float(np.median(far[upper]))
    )


def _stroke_space(rows: np.ndarray, drums: np.ndarray, seed: int) -> np.ndarray:
    """Half-whitened components, then what varies within drums made to count less."""
    factor = _weighting(rows, STROKE_WEIGHTS)
    axes, variance = _components(rows * factor, N_STROKE_DIMS, seed)
    to_half = factor[:, None] * axes * variance ** (-WHITENING / 2)
    points = rows @ to_half
    within = np.zeros((points.shape[1],) * 2)
    for level in drums.T:
        spread = _within_spread(points, level)
        within += spread / max(float(np.trace(spread)), 1e-12)
    within *= len(within) / max(float(np.trace(within)), 1e-12)
    size, vectors = np.linalg.eigh(within + WITHIN_FLOOR * np.eye(len(within)))
    return np.asarray(to_half @ vectors / np.sqrt(size))


def _within_spread(points: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Mean over groups of two and more of their covariance."""
    spreads = [
        np.cov(points[groups == group].T, bias=True)
        for group in np.unique(groups[groups != ""])
        if (groups == group).sum() > 1
    ]
    return np.mean(spreads, axis=0) if spreads else np.zeros((points.shape[1],) * 2)


def hit_weights(roles: np.ndarray, sources: np.ndarray) -> np.ndarray:
    """Weight of each hit: roles count alike, and so nearly do the sources within a role.

    Parameters
    ----------
    roles, sources : np.ndarray of str, shape (n,)

    Returns
    -------
    np.ndarray, float64, shape (n,), sums to 1
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
    """Fit the role model: ridge regression on the likeness to some of the hits.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM), recorded hits and their variations
    roles : np.ndarray of str, shape (n,)
    weights : np.ndarray, shape (n,), see `hit_weights`
    is_recorded : np.ndarray, bool, shape (n,); False for variations, which shape no component
    temperature : float
    seed : int

    Returns
    -------
    RoleModel

    References
    ----------
    C. Williams and M. Seeger, "Using the Nystroem method to speed up kernel machines", NIPS 2000.
    """
    mean, scale = _standards(embeddings[is_recorded])
    rows = standardize_embeddings(embeddings, mean, scale).astype(np.float64)
    to_inputs = _role_inputs(rows[is_recorded], seed)
    points = rows @ to_inputs
    factor = np.sqrt(ROLE_REACH / np.square(points).sum(axis=1).mean())
    points *= factor
    n = min(N_CENTERS, int(np.count_nonzero(weights)))
    pick = np.random.default_rng(seed).choice(len(rows), n, False, p=weights)
    fitted, seen = _ridge(points, points[pick], roles, weights)
    columns = [ROLES.index(role) for role in seen]
    spread = np.zeros((n, len(ROLES)))
    bias = np.full(len(ROLES), -np.inf)
    spread[:, columns], bias[columns] = fitted, 0.0
    return RoleModel(mean, scale, to_inputs * factor, points[pick], spread, bias, temperature)


def _ridge(
    points: np.ndarray, centers: np.ndarray, roles: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Weight of each center for each role that was seen, and these roles."""
    seen, own = np.unique(roles, return_inverse=True)
    wanted = np.eye(len(seen))[own] - 1.0 / len(seen)
    near = likeness(points, centers)
    weighted = (near * weights[:, None]).T
    squares = weighted @ near
    size = float(np.trace(squares)) / len(centers)
    squares += RIDGE * size * likeness(centers, centers) + 1e-8 * np.eye(len(centers))
    return np.linalg.solve(squares, weighted @ wanted), seen


def _role_inputs(rows: np.ndarray, seed: int) -> np.ndarray:
    parts = []
    for name, weight in ROLE_WEIGHTS.items():
        factor = _weighting(rows, {name: weight})
        if name in ROLE_COMPONENTS:
            axes, _ = _components(rows * factor, ROLE_COMPONENTS[name], seed)
            parts.append(factor[:, None] * axes)
        else:
            parts.append(np.diag(factor)[:, EMBEDDING_BLOCKS[name]])
    return np.concatenate(parts, axis=1)


def held_out_probabilities(
    fit: Callable[[np.ndarray], RoleModel], embeddings: np.ndarray, sources: np.ndarray
) -> np.ndarray:
    """Judge each source by a model that has not seen it.

    Parameters
    ----------
    fit : callable, takes a bool mask of the hits that may be used, gives a model
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    sources : np.ndarray of str, shape (n,)

    Returns
    -------
    np.ndarray, float32, shape (n, len(ROLES))
    """
    result = np.zeros((len(embeddings), len(ROLES)), np.float32)
    for source in np.unique(sources):
        unseen = sources == source
        result[unseen] = fit(~unseen).probabilities(embeddings[unseen])
    return result


def fit_temperature(probabilities: np.ndarray, roles: np.ndarray) -> float:
    """Temperature that makes probabilities (taken at temperature 1) least surprised.

    Parameters
    ----------
    probabilities : np.ndarray, shape (n, len(ROLES)), held out
    roles : np.ndarray of str, shape (n,)

    Returns
    -------
    float

    References
    ----------
    C. Guo et al., "On calibration of modern neural networks", ICML 2017 (temperature scaling).
    """
    logits = np.log(np.maximum(probabilities.astype(np.float64), 1e-30))
    own = np.array([ROLES.index(role) for role in roles])

    def surprise(temperature: float) -> float:
        scaled = logits / temperature
        total = np.log(np.exp(scaled - scaled.max(axis=1, keepdims=True)).sum(axis=1))
        chosen = scaled[np.arange(len(own)), own] - scaled.max(axis=1)
        return float((total - chosen).mean())

    return float(min(TEMPERATURES, key=surprise))
