"""Slow reference implementations that do not share the failure modes of the fast ones."""

from __future__ import annotations

import math

import numpy as np


def nearest(points: np.ndarray, row: int) -> list[tuple[int, float]]:
    """Return every other row with its Euclidean distance in Python floats; ties by row."""
    query = [float(v) for v in points[row]]
    found = []
    for other, point in enumerate(points):
        if other != row:
            pairs = zip(query, (float(v) for v in point), strict=True)
            found.append((math.sqrt(math.fsum((a - b) ** 2 for a, b in pairs)), other))
    return [(other, distance) for distance, other in sorted(found)]


def energy_left(samples: np.ndarray) -> list[float]:
    """Return the share of energy from each sample to the end, summed separately for each."""
    energy = [float(v) ** 2 for v in samples]
    total = math.fsum(energy)
    return [math.fsum(energy[at:]) / total for at in range(len(energy))]
