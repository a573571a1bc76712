"""Slow plain versions that cannot be wrong for the reasons the fast ones could."""

from __future__ import annotations

import math

import numpy as np


def nearest(points: np.ndarray, row: int) -> list[tuple[int, float]]:
    """Every other row with its Euclidean distance in Python floats; ties by row."""
    query = [float(v) for v in points[row]]
    found = []
    for other, point in enumerate(points):
        if other != row:
            pairs = zip(query, (float(v) for v in point), strict=True)
            found.append((math.sqrt(math.fsum((a - b) ** 2 for a, b in pairs)), other))
    return [(other, distance) for distance, other in sorted(found)]


def energy_left(samples: np.ndarray) -> list[float]:
    """Share of the energy still to come at each sample, by summing anew each time."""
    energy = [float(v) ** 2 for v in samples]
    total = math.fsum(energy)
    return [math.fsum(energy[at:]) / total for at in range(len(energy))]
