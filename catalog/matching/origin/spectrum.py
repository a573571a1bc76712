"""Signs in the spectrum: a band removed at either end, the rate raised."""

from __future__ import annotations

import math

import numpy as np

from catalog.audio.model import Audio
from catalog.features.waveform import mix_to_mono
from catalog.matching.origin.aligned import AlignedPair, used_bits
from catalog.matching.origin.model import Loss, Sign
from catalog.matching.origin.noise import inherited_sign, noise_sign
from catalog.matching.origin.spectra import (
    FRAME,
    MOST_S,
    band_powers,
    frame_spectra,
    rounding_power,
)

BAND_HZ = 500.0
EMPTY = 1e-11  # of the strongest bin; filters of rate converters leave less
CLIFF_DB, EVEN_DB = 12.0, 6.0  # at the band limit of the lower rate
BAND_DROP_DB = 15.0
DECAY = 10.0  # power of sound over that of noise
LOW_HZ, BODY_HZ, LOW_CUT_S, LOW_CUT_DB = (10.0, 25.0), (80.0, 160.0), 0.1, 8.0
MIN_LOW_SHARE = 1e-3  # of the energy; less is what filters and file ends leave there


def spectrum_signs(pair: AlignedPair) -> list[Sign]:
    """Return the signs in the band that both copies have."""
    n = round(MOST_S * pair.sr)
    a, b = (x[:n] for x in pair.overlap)
    if len(a) < FRAME:
        return []
    spectra = frame_spectra(a), frame_spectra(b)
    power_a, hz = band_powers(spectra[0], sr=pair.sr, width_hz=BAND_HZ)
    power_b, _ = band_powers(spectra[1], sr=pair.sr, width_hz=BAND_HZ)
    floors = rounding_power(pair.bits_a), rounding_power(pair.bits_b)
    signs = _band_sign(power_a, power_b, hz, floors)
    signs += noise_sign(power_a, power_b, hz, floors)
    return signs + inherited_sign(spectra, pair)


def _band_sign(
    power_a: np.ndarray, power_b: np.ndarray, hz: np.ndarray, floors: tuple[float, float]
) -> list[Sign]:
    """Return the sign of a copy that lacks the highest band, where the other has decaying sound."""
    ratio = 10 * np.log10((power_b.mean(axis=0) + 1e-20) / (power_a.mean(axis=0) + 1e-20))
    if len(ratio) < 8:
        return []
    middle = float(np.median(ratio[(hz > 500) & (hz < 0.5 * hz[-1])]))
    n_top = max(2, len(ratio) // 16)
    drop = float(np.median(ratio[-n_top:])) - middle
    if abs(drop) < BAND_DROP_DB:
        return []
    side, own, floor = (1.0, power_a, floors[0]) if drop < 0 else (-1.0, power_b, floors[1])
    if not _decays(own[:, -n_top:], floor):
        return []
    edge = np.nonzero(side * (ratio - middle) < -BAND_DROP_DB)[0]
    return [Sign(Loss.BANDWIDTH, 3.0 * side, float(hz[edge[0]]))]


def _decays(power: np.ndarray, floor: float) -> bool:
    """Return whether the band of one copy holds sound: louder at times than its noise."""
    levels = np.sort(power.mean(axis=1))
    n = max(1, len(levels) // 6)
    return bool(levels[-n:].mean() > DECAY * max(levels[:n].mean(), floor))


def rate_signs(first: Audio, second: Audio) -> list[Sign]:
    """Return the sign of two rates: what the higher rate holds above the band of the lower one."""
    if first.sr == second.sr:
        return []
    side = 1.0 if first.sr > second.sr else -1.0
    high, low = (first, second) if side > 0 else (second, first)
    y = mix_to_mono(high.samples)[: round(MOST_S * high.sr)].astype(np.float64)
    power = np.square(np.abs(frame_spectra(y))).mean(axis=0) + 1e-20
    hz = np.arange(len(power)) * high.sr / FRAME
    nyquist = low.sr / 2
    below = power[(hz > 0.80 * nyquist) & (hz < 0.90 * nyquist)]
    above = power[(hz > 1.03 * nyquist) & (hz < min(1.13 * nyquist, high.sr / 2))]
    if len(above) < 2 or len(below) < 2:
        return []
    inner = power[(hz > 0.66 * nyquist) & (hz < 0.76 * nyquist)]
    slope_db = min(0.0, 10 * math.log10(np.median(below) / np.median(inner)))
    cliff_db = 10 * math.log10(np.median(below) / np.median(above)) + 2.0 * slope_db
    if cliff_db > CLIFF_DB:
        return [Sign(Loss.RATE, -4.0 * side, float(low.sr))]
    floor = rounding_power(used_bits(y.astype(np.float32)))
    if np.median(above) < max(10.0 * floor, EMPTY * power.max()):
        return [Sign(Loss.RATE, -1.5 * side, float(low.sr))]
    return [Sign(Loss.BANDWIDTH, 3.0 * side, nyquist)] if cliff_db < EVEN_DB else []


def low_cut_sign(pair: AlignedPair) -> list[Sign]:
    """Return the sign of a high-pass: one copy has lost the lowest octaves."""
    a, b = pair.overlap
    n = min(len(a), round(MOST_S * pair.sr))
    if n < LOW_CUT_S * pair.sr:
        return []
    window = np.hanning(2 * n)[n:]  # both copies begin with the stroke
    powers = [np.square(np.abs(np.fft.rfft((x[:n] - x[n - 1]) * window))) for x in (a, b)]
    hz = np.fft.rfftfreq(n, 1 / pair.sr)
    low, body = ((hz >= f[0]) & (hz < f[1]) for f in (LOW_HZ, BODY_HZ))
    shares = [p[low].sum() / max(p.sum(), 1e-30) for p in powers]
    if max(shares) < MIN_LOW_SHARE:
        return []
    db = [10 * math.log10((p[low].sum() + 1e-20) / (p[body].sum() + 1e-20)) for p in powers]
    fall_db = db[0] - db[1]
    if abs(fall_db) < LOW_CUT_DB:
        return []
    return [Sign(Loss.LOW_CUT, 1.2 if fall_db > 0 else -1.2, abs(fall_db))]
