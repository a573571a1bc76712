"""Choose the strokes of a take among the sudden rises of its level.

A fitted model decides from the surroundings of each rise. Its training takes hold voices, noise of
handling and rings; see `catalog.training.strokes`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from catalog.features.segmentation.flux import Spectra
from catalog.features.segmentation.levels import BLOCK_S, smooth_level, to_blocks
from catalog.features.segmentation.likelihood.stroke_model import load_stroke_model
from catalog.features.segmentation.likelihood.surroundings import describe_rises
from catalog.features.segmentation.likelihood.tempo import favor_grid
from catalog.features.segmentation.rises import FLAM_S, GROWTH_DB, Rise

LEAST_LIKELIHOOD = 0.6  # of a stroke
BEFORE_LOUDER_LIKELIHOOD = 0.3  # of a soft stroke whose ring a louder one ends
LOUDER_DB, CLEAR_DB = 6.0, 14.0  # the least growth by a later rise, and the least rise before it
LOW_BAND = 0  # of `catalog.features.segmentation.levels.BANDS_HZ`
BUMP_FLUX_DB, BUMP_GROWTH_DB = 3.0, 1.5  # a bump through a stand: no high bands, and it swells
NO_BUMP_LIKELIHOOD = 0.9  # over the noise of a ring a stroke swells as well
PEAK_S = 0.100  # a stroke is loudest within this time
SWELL_DB = 9.0  # a decay that rises this far over its minimum holds something else
CLICK_S, CLICK_DB = 0.015, 20.0  # shorter and softer than the median stroke: sticks that touched
CLICK_SMOOTH_S, CLICK_FALL_DB = 0.003, 20.0  # length is measured down to this level
SURE_RISE_DB = 20.0  # a second stroke that rises this far makes a file a take
SURE_GAP_S = 0.200  # if it follows this long after the first; grains of shakers come faster
LIKELY, LIKELY_RISE_DB, LIKELY_FLUX_DB = 3, 12.0, 4.0  # or this many strokes that rise this far
SURE_LIKELIHOOD = 0.5  # of each of these
MANY, MANY_LIKELIHOOD = 5, 0.95  # or this many that are so likely, as of cymbals that ring
MASKED_DB = 15.0  # a rise this far under the ring is inaudible: the ring of a file was cut off


def select_strokes(rises: list[Rise], spectra: Spectra, *, block: int) -> list[Rise]:
    """Keep the rises that are strokes, with their likelihood.

    `spectra` are those of the take, and `block` is the number of frames per block of `Rise.at`.
    """
    if not rises:
        return []
    inputs = describe_rises(rises, spectra, block=block)
    at_s = np.array([rise.at for rise in rises]) * BLOCK_S
    likelihoods = favor_grid(load_stroke_model().probabilities(inputs, at_s), at_s)
    judged = [
        replace(rise, likelihood=float(likelihood))
        for rise, likelihood in zip(rises, likelihoods, strict=True)
    ]
    return [r for r in judged if r.likelihood >= _required_likelihood(r) and not _is_bump(r)]


def _is_bump(rise: Rise) -> bool:
    if rise.likelihood >= NO_BUMP_LIKELIHOOD:
        return False
    is_swell = rise.flux_db < BUMP_FLUX_DB and rise.growth_db > BUMP_GROWTH_DB
    return rise.band == LOW_BAND and is_swell


def _required_likelihood(rise: Rise) -> float:
    """Return the least likelihood; noise of handling is rarely followed by a louder rise."""
    is_before_louder = rise.swell_db - rise.growth_db >= LOUDER_DB
    is_soft = is_before_louder and rise.rise_db >= CLEAR_DB
    return BEFORE_LOUDER_LIKELIHOOD if is_soft else LEAST_LIKELIHOOD


def drop_stick_clicks(strokes: list[Rise], total: np.ndarray) -> list[Rise]:
    """Leave out strokes far shorter and softer than the median one: sticks that touched."""
    if not strokes:
        return []
    level = smooth_level(total, CLICK_SMOOTH_S)
    stops = [*(stroke.at for stroke in strokes[1:]), len(total)]
    peaks, lengths_s = [], []
    for stroke, stop in zip(strokes, stops, strict=True):
        part = level[stroke.at : stop]
        at = int(np.argmax(part[: to_blocks(PEAK_S)]))
        under = np.flatnonzero(part[at:] < part[at] - CLICK_FALL_DB)
        peaks.append(float(part[at]))
        lengths_s.append((int(under[0]) if len(under) else len(part)) * BLOCK_S)
    softest = float(np.median(peaks)) - CLICK_DB
    measured = zip(strokes, peaks, lengths_s, strict=True)
    return [s for s, peak, length_s in measured if length_s >= CLICK_S or peak >= softest]


def is_take(strokes: list[Rise]) -> bool:
    """Return whether enough strokes follow the first one for a take of several strokes."""
    later = [s for s in strokes[1:] if (s.at - strokes[0].at) * BLOCK_S >= SURE_GAP_S]
    later = [s for s in later if s.over_db >= -MASKED_DB and s.likelihood >= SURE_LIKELIHOOD]
    is_sure = any(s.rise_db >= SURE_RISE_DB and s.swell_db <= GROWTH_DB for s in later)
    likely = [s for s in later if s.rise_db >= LIKELY_RISE_DB or s.flux_db >= LIKELY_FLUX_DB]
    very = [s for s in later if s.likelihood >= MANY_LIKELIHOOD]
    return is_sure or _count_apart(likely) >= LIKELY or _count_apart(very) >= MANY


def _count_apart(strokes: list[Rise]) -> int:
    """Return the number of strokes, where those of a flam count once."""
    gaps_s = np.diff([-np.inf, *(stroke.at for stroke in strokes)]) * BLOCK_S
    return int((gaps_s >= FLAM_S).sum())
