"""Classify the role of a hit from its embedding with a small fitted model (arrays, no code)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.features.embedding import EMBEDDING_DIM, EMBEDDING_VERSION, standardize_embeddings
from catalog.models import ROLES

MODEL_FILE = Path(__file__).with_name("role_model.npz")


@dataclass(frozen=True, eq=False)
class RoleModel:
    """A classifier by similarity to labelled examples.

    The probabilities are the softmax of `(exp(-d**2) @ weights + bias) / temperature`, where d is
    the distance to each center in the space that `inputs` projects to.
    """

    mean: np.ndarray  # (EMBEDDING_DIM,)
    scale: np.ndarray  # (EMBEDDING_DIM,)
    inputs: np.ndarray  # (EMBEDDING_DIM, n_inputs)
    centers: np.ndarray  # (n_centers, n_inputs)
    weights: np.ndarray  # (n_centers, len(ROLES))
    bias: np.ndarray  # (len(ROLES),); 0, -inf for a role without examples
    temperature: float  # chosen so that the probabilities are calibrated on unseen sources

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the embeddings that they were fitted on."""
        arrays = {f.name: np.asarray(getattr(self, f.name), np.float32) for f in fields(self)}
        for name in ("inputs", "centers"):
            arrays[name] = arrays[name].astype(np.float16)
        np.savez_compressed(path, allow_pickle=False, version=EMBEDDING_VERSION, **arrays)

    def probabilities(self, embeddings: np.ndarray) -> np.ndarray:
        """Return the probability of each role for embeddings, shape (n, EMBEDDING_DIM).

        The result is float32, shape (n, len(ROLES)); rows sum to 1, columns are as in `ROLES`.
        """
        points = standardize_embeddings(embeddings, self.mean, self.scale) @ self.inputs
        logits = gaussian_kernel(points, self.centers) @ self.weights + self.bias
        logits /= self.temperature
        logits -= logits.max(axis=1, keepdims=True)
        odds = np.exp(logits)
        return np.asarray(odds / odds.sum(axis=1, keepdims=True), dtype=np.float32)


def gaussian_kernel(points: np.ndarray, centers: np.ndarray) -> np.ndarray:
    """Return the Gaussian of the distance: 1 at a center, near 0 at a distance of 2.

    The shapes are (n, n_inputs), (n_centers, n_inputs), and for the result (n, n_centers).
    """
    squares = np.square(points).sum(axis=1)[:, None] + np.square(centers).sum(axis=1)
    return np.asarray(np.exp(np.minimum(2.0 * (points @ centers.T) - squares, 0.0)))


@lru_cache(maxsize=1)
def load_role_model() -> RoleModel:
    """Load the shipped model.

    Raise `StoreError` if it was fitted on embeddings of another version or another set of roles.
    """
    with np.load(MODEL_FILE, allow_pickle=False) as file:
        known = (int(file["version"]), len(file["mean"]), len(file["bias"]))
        if known != (EMBEDDING_VERSION, EMBEDDING_DIM, len(ROLES)):
            raise StoreError(
                f"{MODEL_FILE.name} was fitted on embeddings of another version: "
                "fit it again with `python -m catalog.training roles`"
            )
        # Double precision: in single, matrix products, and so stores, differ with the thread count.
        arrays = {f.name: file[f.name].astype(np.float64) for f in fields(RoleModel)}
    return RoleModel(**arrays)


def role_probabilities(embeddings: np.ndarray) -> np.ndarray:
    """Return the probabilities of the shipped model; see `RoleModel.probabilities`."""
    return load_role_model().probabilities(np.atleast_2d(embeddings))
