"""Classify the roles of all hits from those that are known: a Gaussian process.

With p the probabilities of the shipped model, the logits of a hit x are log p(x) + f(x), where f
has one Gaussian process for each role with the kernel

    k(x, y) = STROKE_WEIGHT exp(-|s - t|^2 / 2 STROKE_WIDTH^2)
            + ACOUSTIC_WEIGHT exp(-|a - b|^2 / 2 ACOUSTIC_WIDTH^2)

of the positions in the stroke space (s, t) and in the acoustic space (a, b). A known role is wrong
with a small probability, in which case each role is as likely. f is the posterior mode, written as
combinations of the kernels of some of the known hits (subset of regressors).

References
----------
C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press, 2006,
sections 3.5 (softmax likelihood), 3.3 (robustness to mislabelled examples) and 8.3.1 (subset of
regressors).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STROKE_WIDTH = 1.5  # in the stroke space; 90 % of nearest strokes of one drum lie within 1.04
STROKE_WEIGHT = 16.0  # variance of a logit
ACOUSTIC_WIDTH = 0.32  # in units of the median acoustic distance
ACOUSTIC_WEIGHT = 8.0
LEAST_PRIOR = 1e-3  # of a role by its sound: a known role may be one that the model never gives
MAX_CENTERS = 600  # bounds time and memory, which grow with it
MAX_EXAMPLES = 3000
BLOCK = 4096  # rows of the kernel matrix at once
JITTER = 1e-4  # keeps the kernel matrix positive definite when examples coincide
MAX_ITERATIONS = 60


@dataclass(frozen=True, eq=False)
class Sounds:
    """What the roles of hits are estimated from; row i is the same hit in all arrays."""

    strokes: np.ndarray  # shape (n, n_strokes), position in the stroke space
    acoustic: np.ndarray  # shape (n, n_acoustic), position in the acoustic space
    prior: np.ndarray  # shape (n, n_roles), probabilities of the shipped model

    def __len__(self) -> int:
        return len(self.prior)

    def at(self, rows: np.ndarray | slice) -> Sounds:
        """Return the sounds of some rows."""
        return Sounds(self.strokes[rows], self.acoustic[rows], self.prior[rows])


@dataclass(frozen=True, eq=False)
class Examples:
    """Rows with known roles, the most telling first; only the first `MAX_EXAMPLES` are used."""

    rows: np.ndarray  # int, shape (n,)
    roles: np.ndarray  # int, shape (n,), index in `ROLES`
    certainty: np.ndarray  # float, shape (n,), probability that the known role is right, below 1

    def first(self, n: int) -> Examples:
        """Return the first `n` examples."""
        return Examples(self.rows[:n], self.roles[:n], self.certainty[:n])


@dataclass(frozen=True, eq=False)
class RoleProcess:
    """A fitted process."""

    sounds: Sounds
    examples: Examples
    centers: Sounds
    factor: np.ndarray  # shape (n_centers, n_centers), inverse root of the kernel of the centers
    weights: np.ndarray  # shape (n_centers, n_roles), of the whitened kernel columns
    columns: np.ndarray  # shape (n_examples, n_centers), whitened kernel columns of the examples

    def features(self, sounds: Sounds) -> np.ndarray:
        """Return the whitened kernel columns of some sounds, shape (n, n_centers)."""
        return np.asarray(kernel(sounds, self.centers) @ self.factor)

    def probabilities(self) -> np.ndarray:
        """Return the role probabilities of all sounds; float64, shape (n, n_roles)."""
        result = log_prior(self.sounds.prior)
        if len(self.weights):
            combined = (self.factor @ self.weights).astype(np.float32)
            for start in range(0, len(result), BLOCK):
                part = slice(start, start + BLOCK)
                columns = kernel(self.sounds.at(part), self.centers, dtype=np.float32)
                result[part] += columns @ combined
        return softmax(result)

    def left_out(self) -> np.ndarray:
        """Return the role probabilities of each example as if its own role were not known.

        The effect of an example on itself is that of one Newton step from the mode, as in the
        Laplace approximation of leave-one-out predictions; float64, shape (n_examples, n_roles).
        """
        columns = self.columns
        logits = log_prior(self.sounds.prior[self.examples.rows]) + columns @ self.weights
        chances = softmax(logits)
        slope = likelihood_slope(chances, self.examples)
        spread = np.clip(1.0 - np.square(chances).sum(axis=1), 0.02, None) / 2.0
        precision = np.eye(columns.shape[1]) + columns.T @ (spread[:, None] * columns)
        variance = np.einsum("ij,ij->i", columns, np.linalg.solve(precision, columns.T).T)
        own = variance / np.maximum(1.0 - spread * variance, 0.05)
        return softmax(logits - own[:, None] * slope)


def fit_process(
    sounds: Sounds, examples: Examples, *, start: np.ndarray | None = None
) -> RoleProcess:
    """Fit the process to examples.

    Parameters
    ----------
    sounds : Sounds
    examples : Examples
    start : np.ndarray, optional, weights of a fit to the same rows with other certainties
    """
    used = examples.first(MAX_EXAMPLES)
    known = sounds.at(used.rows)
    centers = known.at(slice(0, MAX_CENTERS))
    n_roles = sounds.prior.shape[1]
    if not len(used.rows):
        none = np.zeros((0, 0))
        return RoleProcess(sounds, used, centers, none, np.zeros((0, n_roles)), none)
    root = np.linalg.cholesky(kernel(centers, centers) + JITTER * np.eye(len(centers)))
    factor = np.linalg.inv(root).T
    columns = kernel(known, centers) @ factor
    weights = _find_mode(columns, log_prior(known.prior), used, start=start)
    return RoleProcess(sounds, used, centers, factor, weights, columns)


def _find_mode(
    columns: np.ndarray, offset: np.ndarray, examples: Examples, *, start: np.ndarray | None
) -> np.ndarray:
    """Return the weights with the greatest posterior, shape (n_centers, n_roles)."""
    from scipy.optimize import minimize

    shape = columns.shape[1], offset.shape[1]
    single = columns.astype(np.float32)  # products take half the time; the sum stays double

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(shape)
        chances = softmax(offset + single @ weights.astype(np.float32))
        value = 0.5 * float(flat @ flat) - float(np.log(likelihood(chances, examples)).sum())
        slope = weights - single.T @ likelihood_slope(chances, examples).astype(np.float32)
        return value, slope.ravel()

    first = np.zeros(shape) if start is None else start
    options = {"maxiter": MAX_ITERATIONS, "ftol": 1e-7}
    found = minimize(loss, first.ravel(), jac=True, method="L-BFGS-B", options=options)
    return np.asarray(found.x.reshape(shape))


def likelihood(chances: np.ndarray, examples: Examples) -> np.ndarray:
    """Return the likelihood of each known role, given the probabilities; shape (n,)."""
    own = chances[np.arange(len(chances)), examples.roles]
    return np.asarray(examples.certainty * own + (1.0 - examples.certainty) / chances.shape[1])


def likelihood_slope(chances: np.ndarray, examples: Examples) -> np.ndarray:
    """Return the derivative of the log likelihood by the logits, shape (n, n_roles)."""
    own = chances[np.arange(len(chances)), examples.roles]
    meant = examples.certainty * own / likelihood(chances, examples)  # the role is not a mistake
    slope = -chances * meant[:, None]
    slope[np.arange(len(chances)), examples.roles] += meant
    return np.asarray(slope)


def kernel(a: Sounds, b: Sounds, *, dtype: type = np.float64) -> np.ndarray:
    """Return the covariance of the logits of two sets of sounds, shape (n_a, n_b)."""
    result = gaussian(a.strokes, b.strokes, STROKE_WIDTH, dtype=dtype)
    result *= dtype(STROKE_WEIGHT)
    acoustic = gaussian(a.acoustic, b.acoustic, ACOUSTIC_WIDTH, dtype=dtype)
    acoustic *= dtype(ACOUSTIC_WEIGHT)
    result += acoustic
    return result


def gaussian(
    points: np.ndarray, centers: np.ndarray, width: float, *, dtype: type = np.float64
) -> np.ndarray:
    """Return the Gaussian of the distances, shape (n_points, n_centers), 1 at distance 0."""
    a, b = np.asarray(points, dtype) / dtype(width), np.asarray(centers, dtype) / dtype(width)
    half = a @ b.T
    half -= dtype(0.5) * np.square(a).sum(axis=1)[:, None]
    half -= dtype(0.5) * np.square(b).sum(axis=1)
    return np.asarray(np.exp(np.minimum(half, dtype(0.0), out=half), out=half))


def log_prior(prior: np.ndarray) -> np.ndarray:
    """Return the logits of the shipped model, those of impossible roles limited."""
    return np.log(np.maximum(np.asarray(prior, np.float64), LEAST_PRIOR))


def softmax(logits: np.ndarray) -> np.ndarray:
    """Return probabilities by row."""
    odds = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(odds / odds.sum(axis=1, keepdims=True))
