"""Estimate how likely each rise in a take is a stroke, with a small fitted network (arrays).

`python -m catalog.training strokes` fits it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.features.segmentation.likelihood.resemblance import (
    describe_resemblance,
    is_uncertain,
    limit_second,
)

MODEL_FILE = Path(__file__).with_name("stroke_model.npz")
INPUTS_VERSION = 3  # raise it when `describe_rises` or `describe_resemblance` changes
LIMIT = 6.0  # of a standardized input


@dataclass(frozen=True, eq=False)
class StrokeModel:
    """A network with two hidden layers of rectified units, and a second decision.

    The second decision, a logistic regression, is made where the network is uncertain.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (n_inputs,)
    weights : tuple of np.ndarray, shapes (n_inputs, n_1), (n_1, n_2), (n_2, 1)
    biases : tuple of np.ndarray, shapes (n_1,), (n_2,), (1,)
    second : np.ndarray, shape (1 + N_NUMBERS,)
        bias and weights of `describe_resemblance`; empty if there is no second decision
    """

    mean: np.ndarray
    scale: np.ndarray
    weights: tuple[np.ndarray, ...]
    biases: tuple[np.ndarray, ...]
    second: np.ndarray

    def probabilities(self, inputs: np.ndarray, at_s: np.ndarray) -> np.ndarray:
        """Return the probability that each rise of one take is a stroke, shape (n,).

        `inputs` are those of `describe_rises`, and `at_s` are the times of the rises.
        """
        return self.decide_again(inputs, at_s, self.first_probabilities(inputs))

    def decide_again(self, inputs: np.ndarray, at_s: np.ndarray, first: np.ndarray) -> np.ndarray:
        """Replace the uncertain ones of the probabilities `first` by the second decision."""
        uncertain = is_uncertain(first)
        if not len(self.second) or not uncertain.any():
            return first
        numbers = describe_resemblance(inputs, at_s, first)[uncertain]
        logits = self.second[0] + numbers @ self.second[1:]
        decided = first.copy()
        second = 1.0 / (1.0 + np.exp(-logits))
        decided[uncertain] = limit_second(inputs[uncertain], first[uncertain], second)
        return decided

    def first_probabilities(self, inputs: np.ndarray) -> np.ndarray:
        """Return the probability of a stroke for each row by the network, shape (n,)."""
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
            second=self.second.astype(np.float32),
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
            file["second"].astype(np.float64),
        )
