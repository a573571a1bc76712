"""Estimate how likely each rise in a take is a stroke, with a small fitted network (arrays).

`python -m catalog.training strokes` fits it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError

MODEL_FILE = Path(__file__).with_name("stroke_model.npz")
INPUTS_VERSION = 1  # raise it when `describe_rises` changes
LIMIT = 6.0  # of a standardized input


@dataclass(frozen=True, eq=False)
class StrokeModel:
    """A network with two hidden layers of rectified units.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (n_inputs,)
    weights : tuple of np.ndarray, shapes (n_inputs, n_1), (n_1, n_2), (n_2, 1)
    biases : tuple of np.ndarray, shapes (n_1,), (n_2,), (1,)
    """

    mean: np.ndarray
    scale: np.ndarray
    weights: tuple[np.ndarray, ...]
    biases: tuple[np.ndarray, ...]

    def probabilities(self, inputs: np.ndarray) -> np.ndarray:
        """Return the probability of a stroke for each row, shape (n,)."""
        values = np.clip((inputs - self.mean) / self.scale, -LIMIT, LIMIT)
        for weights, bias in zip(self.weights[:-1], self.biases[:-1], strict=True):
            values = np.maximum(values @ weights + bias, 0.0)
        logits = values @ self.weights[-1] + self.biases[-1]
        return np.asarray(1.0 / (1.0 + np.exp(-logits[:, 0])))

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the inputs that they were fitted on."""
        layers = {f"weights_{i}": w.astype(np.float16) for i, w in enumerate(self.weights)}
        layers |= {f"bias_{i}": b.astype(np.float32) for i, b in enumerate(self.biases)}
        np.savez_compressed(
            path,
            allow_pickle=False,
            version=INPUTS_VERSION,
            mean=self.mean.astype(np.float32),
            scale=self.scale.astype(np.float32),
            **layers,
        )


@lru_cache(maxsize=1)
def load_stroke_model() -> StrokeModel:
    """Load the shipped model; raise `StoreError` if it was fitted on other inputs."""
    with np.load(MODEL_FILE, allow_pickle=False) as file:
        if int(file["version"]) != INPUTS_VERSION:
            raise StoreError(
                f"{MODEL_FILE.name} was fitted on inputs of another version: "
                "fit it again with `python -m catalog.training strokes`"
            )
        n = sum(name.startswith("bias_") for name in file.files)
        return StrokeModel(
            file["mean"].astype(np.float64),
            file["scale"].astype(np.float64),
            tuple(file[f"weights_{i}"].astype(np.float64) for i in range(n)),
            tuple(file[f"bias_{i}"].astype(np.float64) for i in range(n)),
        )
