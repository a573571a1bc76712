"""The timbre block of the embedding: decays, zones, bands, tones, pitch glide and bursts.

The input is prepared mono (see `spectrogram.prepare_mono`) and its frames. Times and frequencies
are base-2 logarithms, so that equal steps are equal ratios.
"""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np

from catalog.features.embedding.spectrogram import (
    EDGES_MS,
    FRAME,
    HOPS,
    LONG_FRAME,
    LOW_DECIMATION,
    SR,
    frame_positions,
)
from catalog.features.envelope import BLOCK, block_energy, energy_decay
from catalog.features.spectrum import frame_power, frames_at, symmetric_hann, zero_pad
from catalog.features.waveform import abs_peak_index

DECAY_DB = (1, 3, 6, 10, 15, 20, 30, 40, 50)
DECAY_SHARES = np.array([10 ** (-db / 10) for db in DECAY_DB])
ENVELOPE_DB = (10, 20, 30, 45)
ENVELOPE_S = 0.010
ZONES_MS = ((0, 1600), (0, 15), (15, 60), (60, 200), (200, 600))  # the first holds everything
ROLLOFFS = (0.05, 0.25, 0.5, 0.75, 0.95)
FLATNESS_BINS = slice(23, 418)  # 1 to 18 kHz
BANDS_HZ = (25, 60, 100, 160, 250, 400, 700, 1200, 2000, 3500, 6000, 10_000, 15_000, 20_000)
TONE_BANDS_HZ = (40, 120, 300, 800, 2000, 5000, 10_000, 18_000)
PEAK_RANGE_HZ = (800, 12_000)  # where spectral peaks are counted
LOCAL_BINS = 41  # 221 Hz; a peak is compared with the mean of these
PITCH_ZONES_MS = ((0, 30), (30, 70), (70, 150), (150, 350))
PITCH_RANGE_HZ = (30, 600)
PITCH_FFT = 2048  # samples of the low rate, 2.7 Hz
BURST_S, BURST_BLOCK = 0.09, 64  # duration that is searched for bursts, and samples per level
TIME_FLOOR_S = 0.002  # added before the logarithm; listeners cannot distinguish shorter times
ENERGY_FLOOR = 1e-7  # of the total, -70 dB; below it is noise
N_TIMBRE = (
    len(DECAY_DB) + len(ENVELOPE_DB) + 4 + 10 * len(ZONES_MS) + 4 * (len(BANDS_HZ) - 1)
    + 2 * (len(TONE_BANDS_HZ) - 1) + 5 + 2 * len(PITCH_ZONES_MS) - 1 + 3
)  # fmt: skip


def measure_timbre(
    y: np.ndarray, *, powers: np.ndarray, low: np.ndarray, long_powers: np.ndarray
) -> np.ndarray:
    """Measure all numbers of the timbre block.

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono
    powers, low, long_powers : np.ndarray
        from `frame_powers`, `low_band` and `long_frame_powers` of `spectrogram`

    Returns
    -------
    np.ndarray, float32, shape (N_TIMBRE,), finite
    """
    parts = (
        _decay_times(y), _envelope_shape(y), _zone_shapes(powers), _band_energies(powers),
        *_tonality(long_powers[-1]), _pitches(low), _bursts(y),
    )  # fmt: skip
    return np.concatenate(parts).astype(np.float32)


def _log_time(seconds: np.ndarray | list[np.ndarray]) -> np.ndarray:
    return np.log2(np.ravel(seconds) + TIME_FLOOR_S)


def _log_share(share: np.ndarray) -> np.ndarray:
    return np.log2(np.maximum(share, ENERGY_FLOOR))


def remaining_energy(energy: np.ndarray) -> np.ndarray:
    """Return the share of the energy that remains at each step (Schroeder integration).

    `energy` has shape (n, ...); so has the result, which is 1 at the first step if there is any.
    """
    remaining = np.cumsum(energy[::-1], axis=0, dtype=np.float64)[::-1]
    remaining /= np.maximum(remaining[:1].copy(), 1e-30)
    return remaining


def _decay_times(y: np.ndarray) -> np.ndarray:
    remaining = energy_decay(y).remaining
    blocks = len(remaining) - remaining[::-1].searchsorted(DECAY_SHARES, side="right")
    return _log_time(blocks * BLOCK / SR)


def _envelope_shape(y: np.ndarray) -> np.ndarray:
    """Return lengths above four levels, temporal center and spread, time of the peak, crest."""
    n = round(ENVELOPE_S * SR)
    blocks = block_energy(y, n).astype(np.float64)
    level = blocks / blocks.max()
    last = [np.flatnonzero(level > 10 ** (-db / 10))[-1] + 1 for db in ENVELOPE_DB]
    times_s = (np.arange(len(level)) + 0.5) * ENVELOPE_S
    weight = level / level.sum()
    center = float(times_s @ weight)
    spread = float(np.sqrt(np.square(times_s - center) @ weight))
    head = y[: SR // 5]
    crest = np.log2(1.0 / np.sqrt(float(head @ head) / len(head) + 1e-9))
    peak_s = abs_peak_index(y) / SR
    lengths = _log_time(np.array(last) * ENVELOPE_S)
    return np.concatenate([lengths, _log_time(np.array([center, spread, peak_s])), [crest]])


@lru_cache(maxsize=1)
def _frame_grid() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return frame starts in s, the weight of each frame by its hop, and log2 of each bin's Hz."""
    starts, _ = frame_positions(HOPS, EDGES_MS, SR)
    weight = np.diff(starts, append=starts[-1] + HOPS[-1][1]) / HOPS[0][1]
    bins_hz = np.maximum(np.arange(FRAME // 2 + 1) * SR / FRAME, 20.0)
    return starts / SR, weight.astype(np.float32), np.log2(bins_hz).astype(np.float32)


@lru_cache(maxsize=1)
def _zone_weights() -> np.ndarray:
    """Return the weight of each frame in each zone; float32, shape (n_zones, n_frames)."""
    starts_s, weight, _ = _frame_grid()
    low, high = (np.array(edge)[:, None] / 1000.0 for edge in zip(*ZONES_MS, strict=True))
    return np.asarray(((starts_s >= low) & (starts_s < high)) * weight, np.float32)


def _zone_shapes(powers: np.ndarray) -> np.ndarray:
    """Return the shape of the spectrum in each zone and its share of the energy.

    The shape of a zone without energy is all zeros.
    """
    octave = _frame_grid()[2]
    spectra = _zone_weights()[:, : len(powers)] @ powers
    energy = spectra.sum(axis=1)
    level = energy / (float(energy[0]) + 1e-20)
    share = spectra / np.maximum(energy, 1e-20)[:, None]
    center = share @ octave
    deviation = octave - center[:, None]
    squares = share * deviation * deviation
    spread = np.sqrt(squares.sum(axis=1)) + 1e-3
    skew = np.einsum("ij,ij->i", squares, deviation) / spread**3
    cumulative = np.cumsum(share, axis=1)
    at = np.stack([np.searchsorted(row, ROLLOFFS) for row in cumulative])
    rolloffs = octave[np.minimum(at, len(octave) - 1)]
    wide = share[:, FLATNESS_BINS] + np.float32(1e-12)
    flatness = np.log2(wide).mean(axis=1) - np.log2(wide.mean(axis=1))
    shape = np.column_stack([center, spread, skew, rolloffs, flatness, _log_share(level)])
    shape[level < ENERGY_FLOOR, :-1] = 0.0
    return shape.ravel()


@lru_cache(maxsize=1)
def _band_members() -> np.ndarray:
    edges = np.searchsorted(np.arange(FRAME // 2 + 1) * SR / FRAME, BANDS_HZ)
    edges = np.maximum.accumulate(np.maximum(edges, np.arange(len(edges))))
    members = np.zeros((len(BANDS_HZ) - 1, FRAME // 2 + 1), np.float32)
    for band, (low, high) in enumerate(itertools.pairwise(edges)):
        members[band, low : max(high, low + 1)] = 1.0
    return members


def _band_energies(powers: np.ndarray) -> np.ndarray:
    """Return the share, the 5 and 20 dB decay times and the time of the peak of each band."""
    starts_s, weight, _ = _frame_grid()
    n = len(powers)
    level = powers @ _band_members().T
    energy = level * weight[:n, None]
    share = energy.sum(axis=0) / (energy.sum() + 1e-20)
    remaining = remaining_energy(energy)
    decays = [
        starts_s[np.minimum((remaining > 10 ** (-db / 10)).sum(axis=0), n - 1)] for db in (5, 20)
    ]
    times = _log_time([*decays, starts_s[level.argmax(axis=0)]])
    return np.concatenate([_log_share(share), times])


@lru_cache(maxsize=1)
def _tone_edges() -> np.ndarray:
    return np.round(np.array(TONE_BANDS_HZ) * LONG_FRAME / SR).astype(int)


def _tonality(power: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return flatness and peak share of each band, and count and position of spectral peaks."""
    n, edges = LONG_FRAME, _tone_edges()
    power = power + np.float32(1e-20)
    log_power = np.log2(power)
    width = edges[1:] - edges[:-1]
    total = np.add.reduceat(power, edges)[:-1]
    flatness = np.add.reduceat(log_power, edges)[:-1] / width - np.log2(total / width)
    peak_share = np.log2(np.maximum.reduceat(power, edges)[:-1] / total)
    n_peaks, prominence = _count_peaks(log_power)
    low = power[8 : round(2000 * n / SR)].copy()
    first = int(np.argmax(low))
    low[max(0, first - 6) : first + 7] = 0
    second = int(np.argmax(low))
    high = int(np.argmax(power[75:])) + 75  # above 400 Hz
    peaks = np.log2(np.array([first + 8, second + 8, high]) * SR / n)
    per_band = np.stack([flatness, peak_share], axis=1).ravel()
    return per_band, np.array([np.log2(1.0 + n_peaks), prominence, *peaks])


def _count_peaks(log_power: np.ndarray) -> tuple[int, float]:
    """Return the number of spectral peaks and their mean height over the local mean, in log2."""
    start, stop = (round(hz * LONG_FRAME / SR) for hz in PEAK_RANGE_HZ)
    half = LOCAL_BINS // 2
    cumulative = np.cumsum(log_power[start - half - 1 : stop + half], dtype=np.float64)
    local_mean = (cumulative[LOCAL_BINS:] - cumulative[:-LOCAL_BINS]) / LOCAL_BINS
    inner = log_power[start:stop]
    rise = (inner - local_mean)[1:-1]
    is_peak = (inner[1:-1] > inner[:-2]) & (inner[1:-1] > inner[2:]) & (rise > 3.0)
    n_peaks = int(np.count_nonzero(is_peak))
    return n_peaks, float(rise[is_peak].mean()) if n_peaks else 0.0


def _pitches(low: np.ndarray) -> np.ndarray:
    """Return log2 of the strongest frequency below 600 Hz at four times, and its steps (glide)."""
    sr = SR / LOW_DECIMATION
    starts = [round(low_ms * sr / 1000) for low_ms, _ in PITCH_ZONES_MS]
    windows = [symmetric_hann(round((end - at) * sr / 1000)) for at, end in PITCH_ZONES_MS]
    power = frame_power(frames_at(low, starts, windows, n=PITCH_FFT))
    first, last = (round(hz * PITCH_FFT / sr) for hz in PITCH_RANGE_HZ)
    at = power[:, first:last].argmax(axis=1)
    pitches = np.log2((first + at) * (sr / PITCH_FFT))
    return np.concatenate([pitches, pitches[1:] - pitches[:-1]])


def _bursts(y: np.ndarray) -> np.ndarray:
    """Return number and regularity of early bursts (claps, rattles), and the zero crossing rate."""
    head = y[: round(BURST_S * SR)]
    padded = zero_pad(head, len(head) + 2, lead=1)
    slope = np.abs(padded[1:] - padded[:-1])
    n = len(slope) // BURST_BLOCK * BURST_BLOCK
    is_long = len(slope) > BURST_BLOCK
    level = slope[:n].reshape(-1, BURST_BLOCK).max(axis=1) if is_long else slope
    smooth = np.convolve(level, np.ones(3) / 3, mode="same")
    is_burst = (smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:])
    n_bursts = np.count_nonzero(is_burst & (smooth[1:-1] > 0.25 * smooth.max()))
    centered = smooth - smooth.mean()
    auto = np.correlate(centered, centered, mode="full")[len(centered) - 1 :]
    regularity = float(auto[5:40].max() / auto[0]) if len(auto) > 40 and auto[0] > 0 else 0.0
    head = y[: round(0.2 * SR)]
    is_negative = np.signbit(head)
    n_crossings = np.count_nonzero(is_negative[1:] != is_negative[:-1])
    crossings = np.log2(1.0 + n_crossings / max(len(head), 1) * SR)
    return np.array([np.log2(1.0 + n_bursts), regularity, crossings])
