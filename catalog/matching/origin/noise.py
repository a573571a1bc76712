"""Signs in the noise: one copy has noise of its own, or repeats the rounding noise of the other."""

from __future__ import annotations

import math

import numpy as np

from catalog.matching.origin.aligned import AlignedPair
from catalog.matching.origin.model import Loss, Sign
from catalog.matching.origin.spectra import rounding_power

SILENT = 1e-14  # power of a bin
NOISE_DB = 5.0
REPEATED = 0.75  # coherence
NOISE_ONLY = 3.0  # times the power of rounding noise
MIN_FRAMES, MIN_BINS = 12, 30


def noise_sign(
    power_a: np.ndarray, power_b: np.ndarray, hz: np.ndarray, floors: tuple[float, float]
) -> list[Sign]:
    """Return the sign of noise: beside the other copy, one is louder where both are quiet."""
    if len(power_a) < 4:
        return []
    a, b = 10 * np.log10(power_a + 1e-20), 10 * np.log10(power_b + 1e-20)
    use = hz > 1000
    a, b = a[:, use], b[:, use]
    loud = np.argsort(-(a + b), axis=0)
    n = max(1, len(a) // 4)
    difference = b - a
    at_loud = np.take_along_axis(difference, loud[:n], axis=0).mean(axis=0)
    at_quiet = np.take_along_axis(difference, loud[-n:], axis=0).mean(axis=0)
    grown = float(np.median(at_quiet - at_loud))
    quieter, floor = (a, floors[0]) if grown > 0 else (b, floors[1])
    level_db = float(np.median(np.take_along_axis(quieter, loud[-n:], axis=0)))
    is_empty = level_db < 10 * math.log10(max(NOISE_ONLY * floor, SILENT))
    # an empty part may be a fade, a gate or a coder; a fade changes the strongest band as well
    side = 1.0 if grown > 0 else -1.0
    beyond_body = abs(grown) - side * _body_growth_db(power_a, power_b)
    if min(abs(grown), beyond_body) < NOISE_DB or is_empty:
        return []
    return [Sign(Loss.NOISE, 2.0 * side, abs(grown))]


def _body_growth_db(power_a: np.ndarray, power_b: np.ndarray) -> float:
    """Return how the level ratio of the strongest band changes from loud to quiet frames."""
    both = np.minimum(power_a, power_b)
    band = int(both.sum(axis=0).argmax())
    order = np.argsort(-both[:, band])
    n = max(1, len(order) // 4)
    ratio = 10 * np.log10((power_b[:, band] + 1e-20) / (power_a[:, band] + 1e-20))
    return float(ratio[order[-n:]].mean() - ratio[order[:n]].mean())


def inherited_sign(spectra: tuple[np.ndarray, np.ndarray], pair: AlignedPair) -> list[Sign]:
    """Return the sign of the rounding noise of one copy that the other one repeats."""
    shares = [
        _repeated(*both, rounding_power(bits)) if bits and bits <= 20 else None
        for both, bits in ((spectra, pair.bits_a), (spectra[::-1], pair.bits_b))
    ]
    signs = []
    for side, share in ((1.0, shares[0]), (-1.0, shares[1])):
        if share is not None and share > REPEATED:
            signs.append(Sign(Loss.PROCESSED, 1.5 * side))
    return signs if len(signs) == 1 else []


def _repeated(own: np.ndarray, other: np.ndarray, floor: float) -> float | None:
    """Return the coherence of both copies where one holds little but its rounding noise."""
    power = np.square(np.abs(own))
    is_noise = power < 20.0 * floor
    bins = is_noise.sum(axis=0) >= MIN_FRAMES
    bins[:8] = False
    if bins.sum() < MIN_BINS:
        return None
    x, y = np.where(is_noise, own, 0)[:, bins], np.where(is_noise, other, 0)[:, bins]
    level = np.square(np.abs(x)).sum(axis=0) / is_noise[:, bins].sum(axis=0)
    x, y = x[:, level < NOISE_ONLY * floor], y[:, level < NOISE_ONLY * floor]
    if x.shape[1] < MIN_BINS:
        return None
    cross = np.abs((x * np.conj(y)).sum(axis=0)) ** 2
    both = np.square(np.abs(x)).sum(axis=0) * np.square(np.abs(y)).sum(axis=0)
    return float(np.median(cross / np.maximum(both, 1e-40)))
