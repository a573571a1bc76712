"""Numbers that carry what a picture blurs: decays, zones, bands, tones, glide, bursts.

Input is prepared mono (`catalog.sound.picture.prepare_mono`) and its frames. Times and frequencies
are given as base-2 logarithms, so that a step means the same everywhere.
"""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np

from catalog.sound.picture import FRAME, HOP, LATE_HOP, SR

DECAY_DB = (1, 3, 6, 10, 15, 20, 30, 40, 50)
ENVELOPE_DB = (10, 20, 30, 45)
ENVELOPE_S = 0.010
ZONES_MS = ((0, 1600), (0, 15), (15, 60), (60, 200), (200, 600))
ROLLOFFS = (0.05, 0.25, 0.5, 0.75, 0.95)
BANDS_HZ = (25, 60, 100, 160, 250, 400, 700, 1200, 2000, 3500, 6000, 10_000, 15_000, 20_000)
TONE_BANDS_HZ = (40, 120, 300, 800, 2000, 5000, 10_000, 18_000)
PITCH_ZONES_MS = ((0, 30), (30, 70), (70, 150), (150, 350))
TIME_FLOOR = 0.002  # s, added before the logarithm: shorter times are not heard apart
ENERGY_FLOOR = 1e-7  # of the whole, -70 dB: below it is noise
N_SCALARS = (
    len(DECAY_DB) + len(ENVELOPE_DB) + 4 + 10 * len(ZONES_MS) + 4 * (len(BANDS_HZ) - 1)
    + 2 * (len(TONE_BANDS_HZ) - 1) + 5 + 2 * len(PITCH_ZONES_MS) - 1 + 3
)  # fmt: skip


def measure_scalars(y: np.ndarray, powers: np.ndarray) -> np.ndarray:
    """All scalars in one row.

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono
    powers : np.ndarray, shape (n_frames, n_bins), from `catalog.sound.picture.frame_powers`

    Returns
    -------
    np.ndarray, float32, shape (N_SCALARS,), finite
    """
    parts = (
        _decays(y),
        _envelope(y),
        _zones(powers),
        _bands(powers),
        *_tones(y),
        _pitches(y),
        _bursts(y),
    )
    return np.concatenate(parts).astype(np.float32)


def _log_time(seconds: np.ndarray | float) -> np.ndarray:
    return np.log2(np.atleast_1d(seconds) + TIME_FLOOR)


def _log_share(share: np.ndarray) -> np.ndarray:
    return np.log2(np.maximum(share, ENERGY_FLOOR))


def energy_to_come(energy: np.ndarray) -> np.ndarray:
    """Share of the energy that is still to come at each step (Schroeder's backward integration).

    Parameters
    ----------
    energy : np.ndarray, shape (n, ...), not negative

    Returns
    -------
    np.ndarray, same shape, 1 at the first step where there is any energy
    """
    left = np.cumsum(energy[::-1], axis=0, dtype=np.float64)[::-1]
    left /= np.maximum(left[:1].copy(), 1e-30)
    return left


def _decays(y: np.ndarray) -> np.ndarray:
    step = 16  # samples, 0.36 ms
    n = len(y) // step * step
    energy = np.square(y[:n]).reshape(-1, step).sum(axis=1) if n else np.square(y)
    left = energy_to_come(energy)
    times = np.searchsorted(-left, [-(10 ** (-db / 10)) for db in DECAY_DB]) * step / SR
    return _log_time(times)


def _envelope(y: np.ndarray) -> np.ndarray:
    n = round(ENVELOPE_S * SR)
    blocks = np.pad(np.square(y), (0, -len(y) % n)).reshape(-1, n).mean(axis=1)
    level = blocks / blocks.max()
    last = [np.flatnonzero(level > 10 ** (-db / 10))[-1] + 1 for db in ENVELOPE_DB]
    times = (np.arange(len(level)) + 0.5) * ENVELOPE_S
    center = float(np.average(times, weights=level))
    spread = float(np.sqrt(np.average((times - center) ** 2, weights=level)))
    crest = np.log2(1.0 / np.sqrt(np.square(y[: SR // 5]).mean() + 1e-9))
    peak_time = int(np.argmax(np.abs(y))) / SR
    rows = (
        _log_time(np.array(last) * ENVELOPE_S),
        _log_time(np.array([center, spread, peak_time])),
    )
    return np.concatenate([*rows, [crest]])


@lru_cache(maxsize=1)
def _frame_grid() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start of each possible frame in s, the time it stands for, and log2 of each bin's Hz."""
    from catalog.sound.picture import _frame_starts

    starts = _frame_starts()[0]
    stands_for = np.where(
        starts < starts[-1] - LATE_HOP, np.diff(starts, append=starts[-1]), LATE_HOP
    )
    bins = np.maximum(np.arange(FRAME // 2 + 1) * SR / FRAME, 20.0)
    return starts / SR, np.maximum(stands_for, HOP) / HOP, np.log2(bins)


def _zones(powers: np.ndarray) -> np.ndarray:
    starts, weight, octave = _frame_grid()
    n = len(powers)
    total = float((powers * weight[:n, None]).sum()) + 1e-20
    values = np.zeros((len(ZONES_MS), 10))
    for row, (low, high) in enumerate(ZONES_MS):
        inside = (starts[:n] * 1000 >= low) & (starts[:n] * 1000 < high)
        spectrum = (
            weight[:n][inside] @ powers[inside] if inside.any() else np.zeros(powers.shape[1])
        )
        values[row] = _zone_shape(spectrum / total, octave)
    return values.ravel()


def _zone_shape(spectrum: np.ndarray, octave: np.ndarray) -> np.ndarray:
    total = float(spectrum.sum())
    if total < ENERGY_FLOOR:
        return np.array([0.0] * 9 + [_log_share(np.array(total))])
    share = spectrum / total
    center = float(share @ octave)
    spread = float(np.sqrt(share @ (octave - center) ** 2)) + 1e-3
    skew = float(share @ (octave - center) ** 3) / spread**3
    rolloffs = octave[np.minimum(np.searchsorted(np.cumsum(share), ROLLOFFS), len(octave) - 1)]
    wide = spectrum[23:418] + 1e-12 * total  # 1 to 18 kHz
    flat = float(np.mean(np.log2(wide)) - np.log2(wide.mean()))
    return np.array([center, spread, skew, *rolloffs, flat, float(_log_share(np.array(total)))])


@lru_cache(maxsize=1)
def _band_pick() -> np.ndarray:
    edges = np.searchsorted(np.arange(FRAME // 2 + 1) * SR / FRAME, BANDS_HZ)
    edges = np.maximum.accumulate(np.maximum(edges, np.arange(len(edges))))
    pick = np.zeros((len(BANDS_HZ) - 1, FRAME // 2 + 1), np.float32)
    for band, (low, high) in enumerate(itertools.pairwise(edges)):
        pick[band, low : max(high, low + 1)] = 1.0
    return pick


def _bands(powers: np.ndarray) -> np.ndarray:
    starts, weight, _ = _frame_grid()
    n = len(powers)
    energy = (powers @ _band_pick().T) * weight[:n, None]
    share = energy.sum(axis=0) / (energy.sum() + 1e-20)
    left = energy_to_come(energy)
    decays = [starts[np.minimum((left > 10 ** (-db / 10)).sum(axis=0), n - 1)] for db in (5, 20)]
    peak_time = starts[np.argmax(energy / weight[:n, None], axis=0)]
    return np.concatenate([_log_share(share), *map(_log_time, decays), _log_time(peak_time)])


@lru_cache(maxsize=8)
def _hanning(n: int) -> np.ndarray:
    return np.hanning(n).astype(np.float32)


def _spectrum_at(y: np.ndarray, *, start_ms: float, length: int, n_fft: int) -> np.ndarray:
    from scipy.fft import rfft

    start = round(start_ms * SR / 1000)
    frame = y[start : start + length]
    frame = frame * _hanning(length)[: len(frame)]
    spectrum = rfft(frame if len(frame) else np.zeros(1, np.float32), n_fft)
    return np.asarray(spectrum.real**2 + spectrum.imag**2, dtype=np.float64) + 1e-20


def _tones(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Tonal against noise in bands, and where the strongest peaks stand."""
    n = 8192
    power = _spectrum_at(y, start_ms=10, length=n, n_fft=n)
    edges = np.round(np.array(TONE_BANDS_HZ) * n / SR).astype(int)
    per_band = []
    for low, high in itertools.pairwise(edges):
        part = power[low:high]
        per_band += [
            np.mean(np.log2(part)) - np.log2(part.mean()),
            np.log2(part.max() / part.sum()),
        ]
    log_power = np.log2(power)
    a, b = round(800 * n / SR), round(12_000 * n / SR)
    around = np.convolve(log_power, np.ones(41) / 41, mode="same")[a:b]
    inner = log_power[a:b]
    rise = inner - around
    is_peak = (inner[1:-1] > inner[:-2]) & (inner[1:-1] > inner[2:]) & (rise[1:-1] > 3.0)
    prominence = float(rise[1:-1][is_peak].mean()) if is_peak.any() else 0.0
    low = power[8 : round(2000 * n / SR)].copy()
    first = int(np.argmax(low))
    low[max(0, first - 6) : first + 7] = 0
    second = int(np.argmax(low))
    high = int(np.argmax(power[75:])) + 75  # above 400 Hz
    peaks = np.log2(np.array([first + 8, second + 8, high]) * SR / n)
    counted = np.log2(1.0 + is_peak.sum())
    return np.array(per_band), np.array([counted, prominence, *peaks])


def _pitches(y: np.ndarray) -> np.ndarray:
    """Log2 of the strongest frequency below 600 Hz at four times, and its steps (the glide)."""
    n_fft = 16_384
    low, high = round(30 * n_fft / SR), round(600 * n_fft / SR)
    pitches = []
    for start, stop in PITCH_ZONES_MS:
        length = round((stop - start) * SR / 1000)
        power = _spectrum_at(y, start_ms=start, length=length, n_fft=n_fft)
        pitches.append(np.log2((low + int(np.argmax(power[low:high]))) * SR / n_fft))
    return np.concatenate([pitches, np.diff(pitches)])


def _bursts(y: np.ndarray) -> np.ndarray:
    """Count and regularity of bursts in the first 90 ms (claps, rolls of beads), zero crossings."""
    edge = np.abs(np.diff(y[: round(0.09 * SR)], prepend=0.0, append=0.0))
    step = 64
    level = (
        edge[: len(edge) // step * step].reshape(-1, step).max(axis=1) if len(edge) > step else edge
    )
    smooth = np.convolve(level, np.ones(3) / 3, mode="same")
    is_burst = (smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:])
    count = float((is_burst & (smooth[1:-1] > 0.25 * smooth.max())).sum())
    centered = smooth - smooth.mean()
    auto = np.correlate(centered, centered, mode="full")[len(centered) - 1 :]
    regular = float(auto[5:40].max() / auto[0]) if len(auto) > 40 and auto[0] > 0 else 0.0
    head = y[: round(0.2 * SR)]
    crossings = np.log2(1.0 + np.count_nonzero(np.diff(np.signbit(head))) / max(len(head), 1) * SR)
    return np.array([np.log2(1.0 + count), regular, crossings])
