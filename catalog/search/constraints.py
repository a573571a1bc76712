"""Constraints on similar hits: "like this one, but shorter"."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.features.descriptors.table import DESCRIPTORS, LEVEL_UNITS
from catalog.models import Hit
from catalog.search.drums.drum_pitch import DrumPitch

Change = float | str
ConstraintSpec = str | Iterable[str] | Mapping[str, Change]

# Two to three times the just noticeable change (common practice, no published source): three
# semitones, a fifth more or less brightness, a third of the time.
CONSTRAINT_WORDS: dict[str, dict[str, Change]] = {
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
IN_DB = frozenset(d.name for d in DESCRIPTORS if d.unit in LEVEL_UNITS)
# Compared by difference; all other descriptors by ratio.
LINEAR = IN_DB | {d.name for d in DESCRIPTORS if d.is_linear}
MIN_PROGRESS = 0.25  # share of the requested step; a smaller change is hardly audible
MISS_WEIGHT = 0.3  # similarity distance that missing the target by one whole step adds
MAX_MISS = 2.0  # steps; a larger miss costs no more


@dataclass(frozen=True)
class Constraint:
    """One descriptor that is to change by `step`: a log ratio, or a difference if `LINEAR`."""

    descriptor: str
    step: float

    def progress(self, start: float, values: np.ndarray) -> np.ndarray:
        """Return the share of the step that each value has made: 0 at `start`, 1 at the target.

        The share is NaN where the descriptor is not defined.
        """
        if self.descriptor in LINEAR:
            return (values - start) / self.step
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.log(values / start) / self.step


def parse_constraints(spec: ConstraintSpec, start: Mapping[str, float]) -> list[Constraint]:
    """Parse the `but` argument of a search.

    Parameters
    ----------
    spec : str, iterable of str, or mapping
        one of `CONSTRAINT_WORDS`, several of them, or descriptors with a change in their own unit
        (-0.1) or in per cent ("+20%"); a mapping may hold words too, with the value True
    start : mapping of str to float, descriptors of the hit searched from

    Returns
    -------
    list of Constraint, one for each descriptor

    Raises
    ------
    ParameterError
        if a word or descriptor is unknown, a change is zero or not a number, or the descriptor is
        not defined for this hit
    """
    steps: dict[str, float] = {}
    for name, change in _descriptor_changes(spec):
        steps[name] = steps.get(name, 0.0) + _parse_step(name, change, start)
    for name, step in steps.items():
        if abs(step) < 1e-9:
            raise ParameterError(f"{name}: the requested changes cancel out to no change")
    return [Constraint(name, step) for name, step in steps.items()]


def wished_descriptors(spec: ConstraintSpec | None) -> frozenset[str]:
    """Return the descriptors that the constraints change; none for None."""
    return frozenset(name for name, _ in _descriptor_changes(spec)) if spec else frozenset()


def _descriptor_changes(spec: ConstraintSpec) -> list[tuple[str, Change]]:
    """Replace words by the descriptors that they stand for."""
    if isinstance(spec, str):
        spec = [spec]
    is_mapping = isinstance(spec, Mapping)
    changes: list[tuple[str, Change]] = []
    for name, change in spec.items() if isinstance(spec, Mapping) else ((w, "") for w in spec):
        if name in CONSTRAINT_WORDS:
            if change not in ("", True, None):
                raise ParameterError(f"{name!r} is a word and takes no number; got {change!r}")
            changes += CONSTRAINT_WORDS[name].items()
        elif is_mapping and change != "":
            changes.append((name, change))
        else:
            words = ", ".join(CONSTRAINT_WORDS)
            raise ParameterError(f"but={name!r} is unknown; words are {words}")
    return changes


def _parse_step(name: str, change: Change, start: Mapping[str, float]) -> float:
    known = [descriptor.name for descriptor in DESCRIPTORS]
    if name not in known:
        raise ParameterError(
            f"but={name!r} is unknown; words are {', '.join(CONSTRAINT_WORDS)},"
            f" numbers {', '.join(known)}"
        )
    value = start.get(name, math.nan)
    if not math.isfinite(value) or (name not in LINEAR and value <= 0):
        raise ParameterError(f"{name} is not defined for this hit and cannot be constrained")
    target = _target(name, change, value)
    step = target - value if name in LINEAR else _log_ratio(name, target, value)
    if step == 0 or not math.isfinite(step):
        raise ParameterError(f"{name}={change!r} is no change")
    return step


def _target(name: str, change: Change, value: float) -> float:
    is_percent = isinstance(change, str) and change.strip().endswith("%")
    if is_percent and name in IN_DB:
        raise ParameterError(f"{name}={change!r}: a level changes by decibels, not by %")
    try:
        if is_percent:
            return value * (1.0 + float(str(change).strip()[:-1]) / 100.0)
        return value + float(change)
    except (TypeError, ValueError) as err:
        raise ParameterError(f"{name}={change!r} must be a number or per cent: '+20%'") from err


def _log_ratio(name: str, target: float, value: float) -> float:
    if target <= 0:
        raise ParameterError(f"{name} cannot fall to {target:.3g}: it is {value:.3g} now")
    return math.log(target / value)


def apply_constraints(
    constraints: Sequence[Constraint],
    start: Mapping[str, float],
    hits: Sequence[Hit],
    *,
    distances: np.ndarray,
    pitches: Mapping[int, DrumPitch],
) -> tuple[np.ndarray, np.ndarray]:
    """Exclude hits that have not changed as requested and prefer those near the target.

    Parameters
    ----------
    start : mapping of str to float, descriptors of the hit searched from
    distances : np.ndarray, shape (n,), in the similarity space
    pitches : mapping of hit id to DrumPitch, of the drums of the hits

    Returns
    -------
    is_allowed : np.ndarray, bool, shape (n,), hits that made `MIN_PROGRESS` of every step
    distances : np.ndarray, float64, shape (n,), with a penalty for missing the targets
    """
    is_allowed = np.ones(len(hits), bool)
    total = distances.astype(np.float64)
    for constraint in constraints:
        name = constraint.descriptor
        if name == "body_hz":
            values = np.array([pitches[h.id].hz if h.id in pitches else math.nan for h in hits])
        else:
            values = np.array([hit.descriptors.get(name, math.nan) for hit in hits])
        progress = constraint.progress(start[name], values)
        is_allowed &= np.isfinite(progress) & (progress >= MIN_PROGRESS)
        miss = np.abs(np.nan_to_num(progress, nan=0.0) - 1.0)
        total += MISS_WEIGHT * np.minimum(miss, MAX_MISS)
    return is_allowed, total
