"""Tell rolls and swells from strokes of bodies that ring for long."""

from __future__ import annotations

import numpy as np

from catalog.features.events.contour import BLOCK_S, LONG_DB, Contour
from catalog.features.segmentation.flux import spectral_flux
from catalog.models import Event

# A stroke reaches -6 dB at once, and -3 dB soon; of recorded strokes only a splash in a hall took
# 50 and 90 ms.
SWELL_S = (0.08, 0.12)
FROM_AFAR_S = 0.15  # a swell takes as long from -20 to -12 dB; a roll starts at more than that
AFTER_S, SOON_S = 0.4, 0.2  # after the start, where a roll has not fallen
STEADY_DB = -3.5  # after that time; of recorded rolls the least is -3.3 dB
# How much must speak for a roll besides the steady level. Rings of recorded cymbals have 0.05 to
# 0.13 dB of flux and up to 1.3 peaks a second (rarely 2.6); rolls of snares and toms 0.2 and 10.
MOST_S = 1.5  # of the loud part
ATTACK_S = 0.05  # left out: the flux of the first stroke
PEAK_DB = 1.0
ROLL_PEAKS = 6.0  # of the flux, each second
ROLL_FLUX_DB = 0.18
FLAT_DB, FLAT_FLUX_DB = -1.5, 0.09  # a level as steady as no ring, and the flux that it needs
NEAR_HOPS = 4  # 12 ms on both sides of a peak
# Strokes that follow each other without a rest are a roll if there are more peaks than grooves
# have (up to 6.5), and the level hardly ever falls between them; those of grooves fall by 15 dB.
RUN_PEAKS, RUN_FALL_DB, RUN_PERCENT, RUN_S = 8.0, -13.0, 5, 0.3


def is_sustained(contour: Contour) -> bool:
    """Return whether the level of a hit stays where that of a stroke falls, or rises slowly."""
    return contour.later_db(AFTER_S) > STEADY_DB or is_slow(contour)


def is_slow(contour: Contour) -> bool:
    """Return whether a hit swells instead of beginning at once."""
    _, to_6, to_3 = contour.rise_s
    return to_6 >= SWELL_S[0] and to_3 >= SWELL_S[1]


def judge_sustained(body: np.ndarray, contour: Contour, *, sr: int) -> Event:
    """Return whether a sustained hit is a roll, a swell or the stroke of a long ring."""
    peaks_per_s, mean_db = _measure_flux(body, contour, sr=sr)
    later_db = contour.later_db(AFTER_S)
    is_roll = later_db > STEADY_DB and (peaks_per_s >= ROLL_PEAKS or mean_db >= ROLL_FLUX_DB)
    is_roll |= later_db > FLAT_DB and mean_db >= FLAT_FLUX_DB
    is_beaten = is_roll and peaks_per_s >= RUN_PEAKS
    if is_slow(contour) and (contour.rise_s[0] >= FROM_AFAR_S or not is_beaten):
        return Event.SWELL
    return Event.ROLL if is_roll else Event.STROKE


def is_rolled_run(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether strokes of a take that follow each other closely are one roll."""
    return is_steady(contour) and _measure_flux(body, contour, sr=sr)[0] >= RUN_PEAKS


def is_steady(contour: Contour) -> bool:
    """Return whether the level hardly falls from its first loud block to its last one."""
    long = np.flatnonzero(contour.smooth_db > LONG_DB)
    levels = contour.smooth_db[long[0] : long[-1] + 1]
    is_long = len(levels) * BLOCK_S >= RUN_S
    return is_long and bool(np.percentile(levels, RUN_PERCENT) >= RUN_FALL_DB)


def _measure_flux(body: np.ndarray, contour: Contour, *, sr: int) -> tuple[float, float]:
    """Return the peaks of the flux in each second after the attack, and its mean in dB."""
    long = np.flatnonzero(contour.smooth_db > LONG_DB) * BLOCK_S
    start_s, stop_s = long[0], min(long[-1], long[0] + MOST_S)
    spectra = spectral_flux(body[round(start_s * sr) : round(stop_s * sr)], sr=sr)
    flux, hop = spectra.flux, spectra.hop
    part = flux[round(ATTACK_S * sr / hop) :]
    mean_db = float(part.mean()) if len(part) else 0.0
    return _count_peaks(part) / max(len(part) * hop / sr, ATTACK_S), mean_db


def _count_peaks(flux: np.ndarray) -> int:
    """Return the number of maxima above `PEAK_DB` that are the highest near them."""
    from scipy.ndimage import maximum_filter1d

    if not len(flux):
        return 0
    highest = maximum_filter1d(flux, 2 * NEAR_HOPS + 1)
    return int(((flux >= highest) & (flux > PEAK_DB)).sum())
