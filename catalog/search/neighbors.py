"""Exact nearest neighbours in either space, and the reasons in the trade's units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.sound.descriptors import DESCRIPTORS

MAX_REASONS = 3
_DECIMALS = 6  # measures are kept in float32: beyond that, twins differ by their rounding


@dataclass(frozen=True)
class Match:
    """A hit found, and how far it is; distances compare within one question only."""

    hit_id: int
    distance: float


def rank_hits(
    hit_ids: np.ndarray, distances: np.ndarray, *, allowed: np.ndarray, n: int | None
) -> list[Match]:
    """Nearest first; distances equal to six decimals in the order of their ids.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n_hits,)
    distances : np.ndarray, float64, shape (n_hits,)
    allowed : np.ndarray, bool, shape (n_hits,)
    n : int or None, how many; None for all that are allowed

    Returns
    -------
    list of Match

    Raises
    ------
    ParameterError
        if `n` is below 1
    """
    if n is not None and n < 1:
        raise ParameterError(f"n={n} must be at least 1, or None for every other hit")
    rows = np.flatnonzero(allowed)
    if n is not None and n < len(rows):
        cut = np.partition(distances[rows], n - 1)[n - 1]
        rows = rows[distances[rows] <= cut + 10.0**-_DECIMALS]
    rows = rows[np.lexsort((hit_ids[rows], distances[rows].round(_DECIMALS)))][:n]
    return [Match(int(hit_ids[row]), float(distances[row])) for row in rows]


# How far two hits must be apart before a person hears it: common practice, no source, but for
# level (1 dB, the usual step of loudness tables) and pitch (a quarter tone).
_STEPS: dict[str, float] = {
    "decay20_s": 0.15,
    "centroid_hz": 0.08,
    "body_hz": 0.03,
    "attack_s": 0.5,
    "length_s": 0.15,
    "flatness": 0.3,
}
_WORDS = {d.name: d for d in DESCRIPTORS}


def explain_difference(
    hit: Mapping[str, float], other: Mapping[str, float], *, n: int = MAX_REASONS
) -> tuple[str, ...]:
    """Say in what the other hit differs, the most audible first.

    Parameters
    ----------
    hit, other : mapping of str to float, descriptors
    n : int, at most so many reasons

    Returns
    -------
    tuple of str
        such as ("40 ms shorter", "300 Hz darker"); empty if nothing audible was measured
    """
    found = []
    for name, step in _STEPS.items():
        a, b = hit.get(name, math.nan), other.get(name, math.nan)
        if not (math.isfinite(a) and math.isfinite(b)) or a <= 0 or b <= 0:
            continue
        steps = abs(math.log(b / a)) / math.log1p(step)
        if steps >= 1.0:
            found.append((steps, _phrase(name, b - a)))
    louder = other.get("loudness_lkfs", math.nan) - hit.get("loudness_lkfs", math.nan)
    if math.isfinite(louder) and abs(louder) >= 1.0:
        found.append(
            (abs(louder) / 3.0, f"{abs(louder):.0f} dB {'louder' if louder > 0 else 'softer'}")
        )
    found.sort(key=lambda pair: -pair[0])
    return tuple(text for _, text in found[:n])


def _phrase(name: str, difference: float) -> str:
    word = _WORDS[name].more if difference > 0 else _WORDS[name].less
    size = abs(difference)
    if name.endswith("_hz"):
        return f"{size:.0f} Hz {word}" if size < 2000 else f"{size / 1000:.1f} kHz {word}"
    if not name.endswith("_s"):
        return word
    amount = f"{1000 * size:.0f} ms" if size < 1 else f"{size:.1f} s"
    if name == "decay20_s":
        return f"rings {amount} {'longer' if difference > 0 else 'shorter'}"
    return f"attack {amount} {word}" if name == "attack_s" else f"{amount} {word}"


def spread_roles(
    points: np.ndarray, examples: np.ndarray, example_roles: np.ndarray, *, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give each hit the role of its nearest example, if that is near enough.

    Parameters
    ----------
    points : np.ndarray, float32, shape (n, n_dims), hits whose role is guessed
    examples : np.ndarray, float32, shape (n_examples, n_dims), hits whose role the user said
    example_roles : np.ndarray, int, shape (n_examples,)
    radius : float, distance within which strokes usually belong to one drum

    Returns
    -------
    roles : np.ndarray, int, shape (n,), -1 where no example is near
    confidence : np.ndarray, float, shape (n,), 1 at an example, 0.5 at the radius
    """
    roles = np.full(len(points), -1)
    nearest = np.full(len(points), np.inf)
    for example, role in zip(examples, example_roles, strict=True):
        difference = points - example
        distance = np.sqrt(np.einsum("ij,ij->i", difference, difference, dtype=np.float64))
        closer = distance < nearest
        nearest[closer], roles[closer] = distance[closer], role
    roles[nearest > radius] = -1
    return roles, np.where(nearest <= radius, 1.0 - 0.5 * nearest / radius, 0.0)
