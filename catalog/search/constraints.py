"""Like this, but: the answers keep the character and move in the asked direction."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.features.descriptors import DESCRIPTORS
from catalog.models import Hit

Change = float | str
But = str | Iterable[str] | Mapping[str, Change]

# What a word asks for. The steps are two to three times what a person can just hear (common
# practice, no source): three semitones, a fifth more or less brightness, a third of the time.
WORDS: dict[str, dict[str, Change]] = {
    "shorter": {"length_s": "-30%"},
    "longer": {"length_s": "+40%"},
    "tighter": {"decay20_s": "-30%"},
    "darker": {"centroid_hz": "-20%"},
    "brighter": {"centroid_hz": "+25%"},
    "lower": {"body_hz": "-16%"},
    "higher": {"body_hz": "+19%"},
    "noisier": {"flatness": "+50%"},
    "harder": {"loudness_lkfs": 4.0, "centroid_hz": "+10%"},
    "softer": {"loudness_lkfs": -4.0, "centroid_hz": "-10%"},
}
IN_DB = frozenset({"crest_db", "peak_db", "loudness_lkfs", "floor_db"})
LINEAR = IN_DB | {"width"}  # compared by difference; all others, above 0, by ratio
MOVED = 0.25  # of the way that was asked: less is not heard as that way
MISS_WEIGHT = 0.3  # of a similar distance, for missing the mark by the whole way


@dataclass(frozen=True)
class Wish:
    """One descriptor that is to change by `step`: a ratio's logarithm, or a difference."""

    descriptor: str
    step: float

    def progress(self, start: float, values: np.ndarray) -> np.ndarray:
        """Part of the way that each value has gone: 0 where it started, 1 at the mark.

        Parameters
        ----------
        start : float
        values : np.ndarray, shape (n,)

        Returns
        -------
        np.ndarray, shape (n,); NaN where the descriptor is not defined
        """
        if self.descriptor in LINEAR:
            return (values - start) / self.step
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.log(values / start) / self.step


def read_wishes(but: But, start: Mapping[str, float]) -> list[Wish]:
    """Understand what is asked.

    Parameters
    ----------
    but : str, iterable of str, or mapping
        a word of `WORDS`, several of them, or descriptors with a change in their own unit (-0.1)
        or in per cent ("+20%"); a word may stand in the mapping with any value
    start : mapping of str to float, descriptors of the hit that is searched from

    Returns
    -------
    list of Wish

    Raises
    ------
    ParameterError
        if a word or descriptor is unknown, a change is none, or `start` has no such number
    """
    steps: dict[str, float] = {}
    for name, change in _asked(but):
        wish = _read_wish(name, change, start)
        steps[name] = steps.get(name, 0.0) + wish.step
    for name, step in steps.items():
        if abs(step) < 1e-9:
            raise ParameterError(f"what is asked of {name} comes to no change")
    return [Wish(name, step) for name, step in steps.items()]


def _asked(but: But) -> list[tuple[str, Change]]:
    """Descriptors with their changes, words put into numbers."""
    asked: list[tuple[str, Change]] = []
    pairs = but.items() if isinstance(but, Mapping) else [(w, "") for w in _several(but)]
    for name, change in pairs:
        if name in WORDS:
            if change not in ("", True, None):
                raise ParameterError(f"{name!r} is a word and takes no number; got {change!r}")
            asked += WORDS[name].items()
        elif isinstance(but, Mapping) and change != "":
            asked.append((name, change))
        else:
            raise ParameterError(f"but={name!r} is unknown; words are {', '.join(WORDS)}")
    return asked


def _several(but: str | Iterable[str]) -> list[str]:
    return [but] if isinstance(but, str) else list(but)


def _read_wish(name: str, change: Change, start: Mapping[str, float]) -> Wish:
    known = [d.name for d in DESCRIPTORS]
    if name not in known:
        raise ParameterError(
            f"but={name!r} is unknown; words are {', '.join(WORDS)}, numbers {', '.join(known)}"
        )
    value = start.get(name, math.nan)
    if not math.isfinite(value) or (name not in LINEAR and value <= 0):
        raise ParameterError(f"{name} is not defined for this hit: it cannot be asked to change")
    target = _target(name, change, value)
    step = target - value if name in LINEAR else _log_ratio(name, target, value)
    if step == 0 or not math.isfinite(step):
        raise ParameterError(f"{name}={change!r} asks for no change")
    return Wish(name, step)


def _target(name: str, change: Change, value: float) -> float:
    try:
        if isinstance(change, str) and change.strip().endswith("%"):
            if name in IN_DB:
                raise ParameterError(f"{name}={change!r}: decibels change by decibels, not by %")
            return value * (1.0 + float(change.strip()[:-1]) / 100.0)
        return value + float(change)
    except (TypeError, ValueError) as err:
        if isinstance(err, ParameterError):
            raise
        raise ParameterError(f"{name}={change!r} must be a number or per cent: '+20%'") from err


def _log_ratio(name: str, target: float, value: float) -> float:
    if target <= 0:
        raise ParameterError(f"{name} cannot fall to {target:.3g}: it is {value:.3g} now")
    return math.log(target / value)


def apply_wishes(
    wishes: Sequence[Wish],
    start: Mapping[str, float],
    hits: Sequence[Hit],
    distances: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Leave out hits that have not moved as asked, and prefer those near the mark.

    Parameters
    ----------
    wishes : sequence of Wish
    start : mapping of str to float, descriptors of the hit that is searched from
    hits : sequence of Hit
    distances : np.ndarray, shape (n,), how alike each hit is

    Returns
    -------
    moved : np.ndarray, bool, shape (n,), hits that went at least a quarter of each way
    distances : np.ndarray, shape (n,), with what they miss the marks by
    """
    moved = np.ones(len(hits), bool)
    total = distances.astype(np.float64)
    for wish in wishes:
        values = np.array([hit.descriptors.get(wish.descriptor, math.nan) for hit in hits])
        gone = wish.progress(start[wish.descriptor], values)
        moved &= np.isfinite(gone) & (np.nan_to_num(gone, nan=-1.0) >= MOVED)
        total += MISS_WEIGHT * np.minimum(np.abs(np.nan_to_num(gone, nan=2.0) - 1.0), 2.0)
    return moved, total
