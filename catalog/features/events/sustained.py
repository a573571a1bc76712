"""Tell rolls and swells from strokes of bodies that ring for long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from catalog.features.events.contour import BLOCK_S, LONG_DB, Contour
from catalog.features.segmentation.flux import Spectra, spectral_flux
from catalog.models import Event

# A stroke reaches -6 dB at once, and -3 dB soon; of recorded strokes only a splash in a hall took
# 50 and 90 ms.
SWELL_S = (0.08, 0.12)
START_S, SOFT_DB = 0.060, -18.5  # a roll begins with a stroke; a swell of mallets is softer
SWIRL_S = 0.10  # a brush that is drawn takes as long from -20 to -6 dB
SWIRL_PEAKS = 6.0  # of its flux, each second
# Autocorrelation of the rises of bands at the distance of two strokes; bristles rub irregularly.
REGULAR, BEAT_S = 0.17, (0.022, 0.130)
LEAST_REGULAR_S = 0.2  # of the loud part
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
    spectra = _loud_spectra(body, contour, sr=sr)
    peaks_per_s, mean_db = _measure_flux(spectra, sr=sr)
    later_db = contour.later_db(AFTER_S)
    is_roll = later_db > STEADY_DB and (peaks_per_s >= ROLL_PEAKS or mean_db >= ROLL_FLUX_DB)
    is_roll |= later_db > FLAT_DB and mean_db >= FLAT_FLUX_DB
    is_soft = contour.level_db[: round(START_S / BLOCK_S)].max() < SOFT_DB
    is_rubbed = contour.rise_s[1] >= SWIRL_S and peaks_per_s >= SWIRL_PEAKS
    is_swirl = is_rubbed and _regularity(spectra, sr=sr) < REGULAR
    if is_slow(contour) and (is_soft or is_swirl or not is_roll):
        return Event.SWELL
    return Event.ROLL if is_roll else Event.STROKE


def is_rolled_run(body: np.ndarray, contour: Contour, *, sr: int) -> bool:
    """Return whether strokes of a take that follow each other closely are one roll."""
    if not is_steady(contour):
        return False
    return _measure_flux(_loud_spectra(body, contour, sr=sr), sr=sr)[0] >= RUN_PEAKS


def is_steady(contour: Contour) -> bool:
    """Return whether the level hardly falls from its first loud block to its last one."""
    long = np.flatnonzero(contour.smooth_db > LONG_DB)
    levels = contour.smooth_db[long[0] : long[-1] + 1]
    is_long = len(levels) * BLOCK_S >= RUN_S
    return is_long and bool(np.percentile(levels, RUN_PERCENT) >= RUN_FALL_DB)


def _loud_spectra(body: np.ndarray, contour: Contour, *, sr: int) -> Spectra:
    """Return the spectra of the loud part of a hit, without its attack."""
    long = np.flatnonzero(contour.smooth_db > LONG_DB) * BLOCK_S
    start_s, stop_s = long[0], min(long[-1], long[0] + MOST_S)
    spectra = spectral_flux(body[round(start_s * sr) : round(stop_s * sr)], sr=sr)
    n = round(ATTACK_S * sr / spectra.hop)
    return replace(spectra, levels=spectra.levels[:, n:], flux=spectra.flux[n:])


def _measure_flux(spectra: Spectra, *, sr: int) -> tuple[float, float]:
    """Return the peaks of the flux in each second, and its mean in dB."""
    flux = spectra.flux
    mean_db = float(flux.mean()) if len(flux) else 0.0
    return _count_peaks(flux) / max(len(flux) * spectra.hop / sr, ATTACK_S), mean_db


def _regularity(spectra: Spectra, *, sr: int) -> float:
    """Return the highest autocorrelation of the rises of bands at a distance of strokes."""
    from scipy.ndimage import gaussian_filter1d

    hop_s = spectra.hop / sr
    rises = np.maximum(np.diff(gaussian_filter1d(spectra.levels, 1.0, axis=1), axis=1), 0.0)
    n = rises.shape[1]
    if n * hop_s < LEAST_REGULAR_S:
        return 1.0
    rises -= rises.mean(axis=1, keepdims=True)
    power = np.square(np.abs(np.fft.rfft(rises, 2 * n, axis=1))).sum(axis=0)
    correlation = np.fft.irfft(power)[:n] / (1.0 - np.arange(n) / n)
    near = correlation[round(BEAT_S[0] / hop_s) : min(round(BEAT_S[1] / hop_s), n // 2)]
    is_peak = (near[1:-1] >= near[:-2]) & (near[1:-1] >= near[2:])
    return float(near[1:-1][is_peak].max(initial=0.0) / max(correlation[0], 1e-12))


def _count_peaks(flux: np.ndarray) -> int:
    """Return the number of maxima above `PEAK_DB` that are the highest near them."""
    from scipy.ndimage import maximum_filter1d

    if not len(flux):
        return 0
    highest = maximum_filter1d(flux, 2 * NEAR_HOPS + 1)
    return int(((flux >= highest) & (flux > PEAK_DB)).sum())
