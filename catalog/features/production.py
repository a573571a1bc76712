"""Production descriptors: traces of room, microphones and converter in a hit.

They show which hits were recorded together. Levels end at `LOWEST_DB`, and a value that cannot be
measured gets one in the middle of its range, so that no value is ever NaN.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError
from catalog.features.envelope import block_energy
from catalog.features.spectrum import frame_power, sliding_frames, symmetric_hann, zero_pad
from catalog.features.waveform import abs_peak, abs_peak_index

LOWEST_DB = -100.0  # treated as silence; 16-bit audio has a floor of -96 dB
FRAME_S = 0.17  # of the spectrum; its 6 Hz resolution separates the band below 35 Hz
N_FRAMES = 4  # half-overlapping, 0.4 s; a short drum has ended by then
HEAD_S = 0.4  # over which the level is measured
BLOCK_S = 0.020  # of the noise floor
CURVE_S = 0.025  # step of the level curve after the peak
END_S = 0.030
LONGEST_S = 6.0  # after the onset; a longer tail adds no information on the room
LATE_S = (0.15, 1.0)  # after the peak; after the attack; only room and ring remain
DECAY_RANGE_S = (0.03, 8.0)  # limits of a late decay; the upper one if the level does not fall
NEUTRAL_DECAY_S = 0.5
NEUTRAL_END_HZ = 1000.0
MAX_CREST_DB, MAX_BALANCE_DB = 40.0, 20.0
WIDTH_SPLIT_HZ = (300.0, 4000.0)  # the drum's body below; wires, cymbals, mic spacing above
EDGE_BAND_HZ = 172.0  # width of a band in the search for the upper band edge
EDGE_DROPS_DB = (40, 55, 70)  # below the strongest band
FULL_SCALE = 0.999
BAND_EDGES_HZ = (
    40.0,
    80.0,
    160.0,
    320.0,
    640.0,
    1280.0,
    2560.0,
    5000.0,
    8000.0,
    11_000.0,
    14_000.0,
    17_000.0,
    22_050.0,
)  # fmt: skip  octaves, then narrower: microphones and converters differ most at the top
BAND_NAMES = tuple(f"band{low_hz:.0f}_db" for low_hz in BAND_EDGES_HZ[:-1])
STEP_S = 0.010  # of the decay at the end of a file


@dataclass(frozen=True)
class ProductionDescriptor:
    """Name and unit of a production descriptor, and the aspect of the sound that it belongs to."""

    name: str
    unit: str
    aspect: str


PRODUCTION_DESCRIPTORS: tuple[ProductionDescriptor, ...] = tuple(
    ProductionDescriptor(name, unit, aspect)
    for unit, aspect, names in (
        ("", "width", ("width", "width_above", "width_below", "correlation")),
        ("dB", "width", ("balance_db",)),
        ("dBFS", "level", ("peak_db", "level_db")),
        ("s", "level", ("duration_s",)),
        ("dB", "level", ("full_scale_db",)),
        ("Hz", "bandwidth", ("edge40_hz", "edge55_hz", "edge70_hz")),
        ("dB", "bandwidth", ("slope_db", "share_16k_db", "share_19k_db", "share_35_db")),
        ("dBFS", "noise", ("offset_db", "floor_before_db", "floor_lowest_db")),
        ("dB", "noise", ("end_db",)),
        ("Hz", "noise", ("end_hz",)),
        ("dB", "room", ("after100_db", "after250_db", "after500_db", "late_db")),
        ("s", "room", ("late_decay_s",)),
        ("dB", "room", ("crest_db",)),
        ("dB", "tone", BAND_NAMES),
        ("dB", "noise", ("fall10_db", "fall50_db", "fall100_db")),
    )  # append new descriptors, so that stored rows stay a prefix
    for name in names
)
PRODUCTION_NAMES: tuple[str, ...] = tuple(d.name for d in PRODUCTION_DESCRIPTORS)


def measure_production(samples: np.ndarray, *, sr: int, onset: int) -> np.ndarray:
    """Measure the production descriptors of one hit.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n_frames, n_channels), full scale 1.0
        the whole file, which includes the noise floor before the stroke; width is measured from
        the first two channels
    sr : int, Hz, above 0
    onset : int, frames; clipped to the file

    Returns
    -------
    np.ndarray, float32, shape (len(PRODUCTION_NAMES),), never NaN
        in the units of `PRODUCTION_DESCRIPTORS`

    Raises
    ------
    ParameterError
        if `sr` is not above 0 or `samples` does not have two dimensions

    References
    ----------
    The choice of descriptors is the project's own; no published source.
    """
    if sr <= 0 or samples.ndim != 2:
        raise ParameterError(
            f"sr={sr} must be above 0 and samples have 2 dimensions, not {samples.ndim}"
        )
    channels, offset = _center_channels(samples, sr=sr, onset=onset)
    onset = min(max(onset, 0), channels.shape[1] - 1)
    mono = channels.mean(axis=0) if len(channels) == 2 else channels[0]
    peak = abs_peak(mono)
    power, step_hz = _spectrum(mono[onset:], sr=sr)
    values = (
        _width(channels[:, onset:], power, sr=sr)
        | _levels(channels, _uncancelled(channels, mono), peak, sr=sr, onset=onset)
        | _bandwidth(power, step_hz=step_hz, sr=sr)
        | _noise(mono, peak, sr=sr, onset=onset)
        | _room(mono[onset:], sr=sr)
        | _band_shares(power, step_hz=step_hz)
        | _end_falls(mono, peak, sr=sr)
    )
    values["offset_db"] = _amplitude_db(offset)
    return np.array([values[name] for name in PRODUCTION_NAMES], dtype=np.float32)


def _center_channels(samples: np.ndarray, *, sr: int, onset: int) -> tuple[np.ndarray, float]:
    """Return the first two channels without their mean, shape (1 or 2, n), and the largest mean."""
    part = samples[: max(0, onset) + round(LONGEST_S * sr), :2]
    if part.size == 0:
        part = np.zeros((1, 1), dtype=np.float32)
    channels = np.ascontiguousarray(part.T, dtype=np.float32)
    offsets = channels.mean(axis=1, keepdims=True)
    if not np.isfinite(offsets).all():
        channels = np.nan_to_num(channels, posinf=1.0, neginf=-1.0)
        offsets = channels.mean(axis=1, keepdims=True)
    return channels - offsets, float(np.abs(offsets).max())


def _power_db(power: float, reference: float = 1.0) -> float:
    if power <= 0.0 or reference <= 0.0:
        return LOWEST_DB
    return max(LOWEST_DB, 10.0 * math.log10(power / reference))


def _amplitude_db(amplitude: float, reference: float = 1.0) -> float:
    return _power_db(amplitude * amplitude, reference * reference)


def _mean_power(samples: np.ndarray) -> float:
    return float(samples @ samples) / len(samples) if len(samples) else 0.0


def _spectrum(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, float]:
    """Return the mean power of the first frames, shape (n_bins,), and the bin spacing in Hz."""
    n = _frame_length(sr)
    hop = n // 2
    n_frames = min(N_FRAMES + 1, max(2, -(-len(samples) // hop)))
    padded = zero_pad(samples[: n_frames * hop], (n_frames + 1) * hop, lead=hop)
    power = np.add.reduce(frame_power(sliding_frames(padded, n, hop=hop) * symmetric_hann(n)))
    return power.astype(np.float64) / n_frames, sr / n


@lru_cache(maxsize=16)
def _frame_length(sr: int) -> int:
    from scipy.fft import next_fast_len

    return 2 * int(next_fast_len(max(8, round(0.5 * FRAME_S * sr)), real=True))


def _uncancelled(channels: np.ndarray, mono: np.ndarray) -> np.ndarray:
    """Return the mono mean, or the first channel where the channels cancel."""
    if len(channels) == 1:
        return mono
    cancels = float(mono @ mono) < 0.1 * float(channels[0] @ channels[0])
    return channels[0] if cancels else mono


def _width(channels: np.ndarray, mid: np.ndarray, *, sr: int) -> dict[str, float]:
    """Return the share of side energy (0 mono, 1 opposite), correlation, and left/right balance."""
    flat = {
        "width": 0.0, "width_above": 0.0, "width_below": 0.0, "correlation": 1.0, "balance_db": 0.0,
    }  # fmt: skip
    if len(channels) < 2:
        return flat
    left, right = channels
    l_power, r_power, cross = float(left @ left), float(right @ right), float(left @ right)
    if l_power <= 0.0 or r_power <= 0.0:
        return flat | {"balance_db": _balance_db(l_power, r_power)}
    side, step_hz = _spectrum((left - right) * np.float32(0.5), sr=sr)
    below, above = (round(hz / step_hz) for hz in WIDTH_SPLIT_HZ)
    return {
        "width": 0.5 - cross / (l_power + r_power),
        "width_above": _share(side[above:], mid[above:]),
        "width_below": _share(side[:below], mid[:below]),
        "correlation": cross / math.sqrt(l_power * r_power),
        "balance_db": _balance_db(l_power, r_power),
    }


def _share(part: np.ndarray, rest: np.ndarray) -> float:
    total = float(part.sum() + rest.sum())
    return float(part.sum()) / total if total > 0.0 else 0.0


def _balance_db(left: float, right: float) -> float:
    balance = _power_db(left) - _power_db(right)
    return min(max(balance, -MAX_BALANCE_DB), MAX_BALANCE_DB)


def _levels(
    channels: np.ndarray, mono: np.ndarray, mono_peak: float, *, sr: int, onset: int
) -> dict[str, float]:
    """Return peak, level of the first 0.4 s, crest, duration, share of samples at full scale."""
    peak = mono_peak if len(channels) == 1 else abs_peak(channels)
    full = float((np.abs(channels) >= FULL_SCALE).mean()) if peak >= FULL_SCALE else 0.0
    head = mono[onset : onset + max(1, round(HEAD_S * sr))]
    return {
        "peak_db": _amplitude_db(peak),
        "level_db": _power_db(_mean_power(head)),
        "duration_s": (len(mono) - onset) / sr,
        "full_scale_db": _power_db(full),
        "crest_db": min(MAX_CREST_DB, _amplitude_db(peak) - _power_db(_mean_power(head))),
    }


def _bandwidth(power: np.ndarray, *, step_hz: float, sr: int) -> dict[str, float]:
    """Return upper band edges at three levels, slope of the treble, energy at both ends."""
    total = float(power.sum())
    n = max(1, round(EDGE_BAND_HZ / step_hz))
    bands = np.add.reduceat(power, np.arange(0, len(power), n))
    edges = {}
    for drop in EDGE_DROPS_DB:
        above = np.flatnonzero(bands > bands.max() * 10.0 ** (-drop / 10.0))
        edge_hz = (float(above[-1]) + 1) * n * step_hz if len(above) else 0.0
        edges[f"edge{drop}_hz"] = min(edge_hz, sr / 2)

    def energy(low_hz: float, high_hz: float) -> float:
        return float(power[round(low_hz / step_hz) : round(high_hz / step_hz)].sum())

    low, high = energy(6000.0, 9000.0), energy(12_000.0, 18_000.0)
    return edges | {
        "slope_db": _power_db(high, total) - _power_db(low, total),
        "share_16k_db": _power_db(energy(15_500.0, 17_500.0), total),
        "share_19k_db": _power_db(energy(19_500.0, 1e6), total),
        "share_35_db": _power_db(energy(0.0, 35.0), total),
    }


def _band_shares(power: np.ndarray, *, step_hz: float) -> dict[str, float]:
    """Return the share of each band in the energy of the first 0.4 s."""
    total = float(power.sum())
    edges = [min(round(hz / step_hz), len(power)) for hz in BAND_EDGES_HZ]
    cumulative = np.concatenate([[0.0], np.cumsum(power[: edges[-1]])])[edges].tolist()
    shares = (high - low for low, high in itertools.pairwise(cumulative))
    return {name: _power_db(share, total) for name, share in zip(BAND_NAMES, shares, strict=True)}


def _end_falls(mono: np.ndarray, peak: float, *, sr: int) -> dict[str, float]:
    """Return the level of the last 10 or 20 ms relative to the level 10, 50 and 100 ms earlier."""
    n = max(1, round(STEP_S * sr))
    end = np.zeros(11 * n, dtype=np.float64)
    end[max(0, len(end) - len(mono)) :] = mono[-len(end) :]
    top = peak * peak
    power = np.square(end).reshape(11, n).mean(axis=1)[::-1]
    level = [_power_db(float(value), top) for value in power]
    last = 0.5 * (level[0] + level[1])
    return {
        "fall10_db": level[0] - level[1],
        "fall50_db": last - 0.5 * (level[4] + level[5]),
        "fall100_db": last - 0.5 * (level[9] + level[10]),
    }


def _noise(mono: np.ndarray, peak: float, *, sr: int, onset: int) -> dict[str, float]:
    """Return the noise floor before the stroke and overall, and level and frequency of the end."""
    n = max(1, round(BLOCK_S * sr))
    whole = mono[: max(1, len(mono) // n) * n]
    blocks = whole.reshape(-1, min(n, len(whole)))
    lowest = _power_db(float(np.einsum("ij,ij->i", blocks, blocks).min()) / blocks.shape[1])
    lead = mono[: max(0, onset - round(0.002 * sr))]
    end = mono[-max(2, round(END_S * sr)) :]
    return {
        "floor_before_db": _power_db(_mean_power(lead)) if len(lead) >= n // 4 else lowest,
        "floor_lowest_db": lowest,
        "end_db": _power_db(_mean_power(end), peak * peak),
        "end_hz": _mean_frequency(end, sr=sr),
    }


def _mean_frequency(samples: np.ndarray, *, sr: int) -> float:
    """Return the frequency of a sine with the same ratio of slope to level (both RMS), Hz."""
    power = _mean_power(samples)
    if power <= 10.0 ** (LOWEST_DB / 10.0):
        return NEUTRAL_END_HZ
    steepness = math.sqrt(_mean_power(samples[1:] - samples[:-1]) / power)
    return math.asin(min(1.0, steepness / 2.0)) * sr / math.pi


def _room(mono: np.ndarray, *, sr: int) -> dict[str, float]:
    """Return levels after the peak, relative to it, and level and decay time of the late part."""
    at = abs_peak_index(mono)
    top = float(np.square(mono[at]))
    n = max(1, round(CURVE_S * sr))
    tail = mono[at : at + round((LATE_S[1] + CURVE_S) * sr)]
    power = block_energy(zero_pad(tail, len(tail) + -len(tail) % n), n) / n
    curve = np.full(round(LATE_S[1] / CURVE_S) + 2, LOWEST_DB)
    if top > 0.0:
        level = 10.0 * np.log10(np.maximum(power / top, 1e-10))
        curve[: min(len(level), len(curve))] = level[: len(curve)]
    late = curve[round(LATE_S[0] / CURVE_S) : round(LATE_S[1] / CURVE_S)]
    values = {f"after{ms}_db": float(curve[round(ms / 1000 / CURVE_S)]) for ms in (100, 250, 500)}
    return values | {"late_db": float(late.mean()), "late_decay_s": _late_decay(late)}


def _late_decay(late: np.ndarray) -> float:
    """Return the time to fall by 60 dB at the least-squares slope of the late level, s."""
    audible = late[late > LOWEST_DB + 10.0]
    if len(audible) < 5:
        return NEUTRAL_DECAY_S if len(audible) else DECAY_RANGE_S[0]
    time_s = np.arange(len(audible)) * CURVE_S
    time_s -= time_s.mean()
    slope = float(time_s @ audible / (time_s @ time_s))
    shortest, longest = DECAY_RANGE_S
    return min(max(60.0 / max(-slope, 1e-3), shortest), longest)
