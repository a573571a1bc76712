"""The role a hit plays, judged from its sound alone by a small fitted model (arrays, no code)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.library.records import ROLES
from catalog.sound.measure import MEASURE_VERSION, N_PICTURE, standardize_pictures

MODEL_FILE = Path(__file__).with_name("rolemodel.npz")


@dataclass(frozen=True, eq=False)
class RoleModel:
    """A linear judge: softmax of `(standardized picture @ weights + bias) / temperature`.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (N_PICTURE,)
    weights : np.ndarray, shape (N_PICTURE, len(ROLES))
    bias : np.ndarray, shape (len(ROLES),); -inf for a role that was never seen
    temperature : float, chosen so that the probabilities are calibrated on unseen sources
    """

    mean: np.ndarray
    scale: np.ndarray
    weights: np.ndarray
    bias: np.ndarray
    temperature: float

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the numbers that they were fitted on."""
        np.savez_compressed(
            path,
            version=MEASURE_VERSION,
            mean=self.mean.astype(np.float32),
            scale=self.scale.astype(np.float32),
            weights=self.weights.astype(np.float16),
            bias=self.bias.astype(np.float32),
            temperature=np.float32(self.temperature),
        )

    def probabilities(self, pictures: np.ndarray) -> np.ndarray:
        """Probability of each role.

        Parameters
        ----------
        pictures : np.ndarray, shape (n, N_PICTURE)

        Returns
        -------
        np.ndarray, float32, shape (n, len(ROLES)), rows sum to 1, columns in the order of `ROLES`
        """
        logits = standardize_pictures(pictures, self.mean, self.scale) @ self.weights + self.bias
        logits /= self.temperature
        logits -= logits.max(axis=1, keepdims=True)
        odds = np.exp(logits)
        return np.asarray(odds / odds.sum(axis=1, keepdims=True), dtype=np.float32)


@lru_cache(maxsize=1)
def load_role_model() -> RoleModel:
    """Load the shipped model.

    Raises
    ------
    StoreError
        if it was fitted on numbers of another version or another set of roles
    """
    with np.load(MODEL_FILE, allow_pickle=False) as file:
        weights = file["weights"].astype(np.float32)
        if int(file["version"]) != MEASURE_VERSION or weights.shape != (N_PICTURE, len(ROLES)):
            raise StoreError(
                f"{MODEL_FILE.name} was fitted on other numbers: run catalog.search.fitting again"
            )
        return RoleModel(
            file["mean"], file["scale"], weights, file["bias"], float(file["temperature"])
        )


def role_probabilities(pictures: np.ndarray) -> np.ndarray:
    """Probability of each role by the shipped model; see `RoleModel.probabilities`."""
    return load_role_model().probabilities(np.atleast_2d(pictures))
