"""The sign of driven or limited sound: where it is loud, one copy is weaker than elsewhere."""

from __future__ import annotations

import math

import numpy as np

from catalog.matching.comparison.transfer import fit_transfer, signal_powers
from catalog.matching.origin.aligned import AlignedPair
from catalog.matching.origin.model import Loss, Sign
from catalog.matching.prepare import preemphasize

CREST_S = 0.2
CREST_DB = 0.5
FILTER_DB = -22.0  # residue of a linear filter
CURVE_GAIN_DB = 4.0  # that powers of the signal reduce the residue further
LIMITER_DB = 1.5
LEAD, FIT_SAMPLES = 256, 2560


def dynamics_sign(pair: AlignedPair) -> list[Sign]:
    """Return the sign of a copy whose peaks were reduced, where no filter explains the change."""
    a, b = pair.overlap
    crest_db = _crest_db(a, pair.sr) - _crest_db(b, pair.sr)
    if abs(crest_db) < CREST_DB:
        return []
    side = 1.0 if crest_db > 0 else -1.0
    linear_db, curved_db = _residues_db(*((a, b) if side > 0 else (b, a)))
    if linear_db < FILTER_DB:
        return []
    if linear_db - curved_db > CURVE_GAIN_DB:
        return [Sign(Loss.DYNAMICS, 2.5 * side, abs(crest_db))]
    if abs(crest_db) > LIMITER_DB:
        return [Sign(Loss.DYNAMICS, 1.2 * side, abs(crest_db))]
    return []


def _residues_db(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Return what a filter of `x` leaves of `y` around its loudest part, and a filter and curve."""
    start = max(0, int(np.abs(x).argmax()) - LEAD)
    parts = [preemphasize(s[start : start + FIT_SAMPLES].astype(np.float32)) for s in (x, y)]
    source, target = (part / max(1e-9, float(np.abs(part).max())) for part in parts)
    powers = signal_powers(source)
    linear = fit_transfer(source, target).apply(source)
    curved = fit_transfer(source, target, powers).apply(source, powers)
    return _residue_db(target, linear), _residue_db(target, curved)


def _residue_db(target: np.ndarray, predicted: np.ndarray) -> float:
    energy = max(1e-12, float(np.square(target).sum()))
    return 10 * math.log10(float(np.square(target - predicted).sum()) / energy + 1e-9)


def _crest_db(x: np.ndarray, sr: int) -> float:
    part = x[: round(CREST_S * sr)]
    rms = max(1e-9, math.sqrt(float(np.square(part).mean())))
    return 20 * math.log10(max(1e-9, float(np.abs(part).max())) / rms)
