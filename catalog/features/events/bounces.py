"""Recognize a dropped stick: it bounces with gaps and levels that shrink by one factor.

A body that falls on a hard surface and leaves it with a share e of its speed is in the air for
2 v / g, so that each gap is e times the gap before it, and each impact softer.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from catalog.features.events.contour import Contour
from catalog.features.segmentation.flux import spectral_flux

RISE_DB, MOST_RISES = 5.0, 30  # of the contour; noise rises more often
ROOM_S = 0.1  # a hit may begin as long before the first bounce
MOST_S = 2.0  # most sticks lie still by then
LEAD_S = 0.050  # of silence before the hit, so that its beginning is a rise
APART_S = 0.015  # rises closer than this are one impact
ROOM_DB = 25.0  # under the loudest impact; noise in which the recording begins
LEAST_FLUX_DB = 0.7  # of an impact
FIRST_GAP_S = (0.070, 0.450)  # a flam is shorter; a stick that fell from 1 m bounces up 25 cm
RATIOS = np.arange(0.50, 0.921, 0.03)  # of a gap to the one before it; wood on wood or metal
OFF_SHARE, OFF_S = 0.12, 0.010  # of a gap from the one that the ratio predicts, and of an onset
MOST_IMPACTS = 40  # in a hit; a stick bounces less often, even with reflections
LAST_GAP_S = 0.030  # shorter gaps are hidden by reflections in the room
LEAST_BOUNCES = 4
MOST_MISSED = 0.33  # of the impacts found; the series ends where more are hidden
LOUDER_DB, SOFTER_DB = 5.0, 2.5  # most rise above the first impact, least fall of all
SECOND_DB = 4.0  # least flux of the first bounce; beats and jingles raise fewer bands
EXPLAINED = 0.9  # least share of the flux of all impacts that the series explains


class Impact(NamedTuple):
    """One impact: its time in s, its level in dB, and the mean rise of narrow bands in dB."""

    at_s: float
    level_db: float
    flux_db: float


def may_bounce(contour: Contour) -> bool:
    """Return at little cost whether a hit rises again and again, and soon after its beginning."""
    rises_s = contour.rises_s(RISE_DB)
    start_s = min(rises_s[0], ROOM_S) if rises_s else 0.0
    is_soon = any(APART_S < at_s - start_s <= FIRST_GAP_S[1] + APART_S for at_s in rises_s)
    return is_soon and len(rises_s) <= MOST_RISES


def find_bounces(mono: np.ndarray, *, sr: int) -> list[Impact]:
    """Return the longest series of bounces that begins with the first impact; [] if none."""
    impacts = find_impacts(mono, sr=sr)
    if not LEAST_BOUNCES <= len(impacts) <= MOST_IMPACTS:
        return []
    found = _find_series(np.array([impact.at_s for impact in impacts]))
    likely = ([impacts[i] for i in series] for series in found)
    whole = (one for one in likely if _is_falling(one) and _explains(one, impacts))
    return max(whole, key=len, default=[])


def find_impacts(mono: np.ndarray, *, sr: int) -> list[Impact]:
    """Return the sudden rises of the spectrum, which follow each other by 15 ms or more."""
    from scipy.ndimage import maximum_filter1d

    lead = np.zeros(round(LEAD_S * sr), mono.dtype)
    spectra = spectral_flux(np.concatenate([lead, mono[: round(MOST_S * sr)]]), sr=sr)
    hop_s = spectra.hop / sr
    n_apart = round(APART_S / hop_s)
    flux = spectra.flux
    total = 10.0 * np.log10(np.sum(10.0 ** (spectra.levels / 10.0), axis=0))
    is_impact = (flux >= maximum_filter1d(flux, 2 * n_apart - 1)) & (flux >= LEAST_FLUX_DB)
    impacts = [
        Impact(i * hop_s - LEAD_S, float(total[i : i + n_apart].max()), float(flux[i]))
        for i in map(int, np.flatnonzero(is_impact))
    ]
    loudest_db = max((impact.level_db for impact in impacts), default=0.0)
    while impacts and impacts[0].level_db < loudest_db - ROOM_DB:
        impacts.pop(0)
    return impacts


def _find_series(times_s: np.ndarray) -> list[list[int]]:
    """Return each series of shrinking gaps that begins with the first time, as indices."""
    since_s = times_s - times_s[0]
    seconds = np.flatnonzero((since_s >= FIRST_GAP_S[0]) & (since_s <= FIRST_GAP_S[1]))
    followed = (_follow(times_s, int(second), ratio) for second in seconds for ratio in RATIOS)
    return [series for series in followed if series]


def _follow(times_s: np.ndarray, second: int, ratio: float) -> list[int]:
    """Return the impacts that continue the first gap with a ratio; [] if too few do."""
    found, at_s, n_missed = [0, second], float(times_s[second]), 0
    gap_s = ratio * (at_s - float(times_s[0]))
    while gap_s >= LAST_GAP_S and n_missed <= MOST_MISSED * len(found):
        at_s += gap_s
        nearest = int(np.argmin(np.abs(times_s - at_s)))
        off_s = float(times_s[nearest]) - at_s
        if abs(off_s) <= OFF_SHARE * gap_s + OFF_S and nearest > found[-1]:
            found.append(nearest)
            at_s += off_s
        else:
            n_missed += 1
        gap_s *= ratio
    return found if len(found) >= LEAST_BOUNCES else []


def _is_falling(series: list[Impact]) -> bool:
    """Return whether the impacts get softer."""
    levels = np.array([impact.level_db for impact in series])
    fall = levels[:2].mean() - levels[-2:].mean()
    return bool(fall >= SOFTER_DB and levels.max() <= levels[0] + LOUDER_DB)


def _explains(series: list[Impact], impacts: list[Impact]) -> bool:
    """Return whether hardly anything else happens while the stick bounces, or afterwards."""
    if series[1].flux_db < SECOND_DB:
        return False
    last_s, last_db = series[-1].at_s, series[-1].level_db
    if any(i.level_db > last_db + LOUDER_DB for i in impacts if i.at_s > last_s):
        return False
    later = [impact.flux_db for impact in impacts[1:] if impact.at_s <= last_s]
    return sum(impact.flux_db for impact in series[1:]) >= EXPLAINED * sum(later)
