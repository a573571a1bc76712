"""Loudness and true peak according to Recommendation ITU-R BS.1770-4."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.errors import ParameterError
from catalog.features.envelope import block_energy

WINDOW_S = 0.4  # the momentary window of EBU Tech 3341; the standard defines no shorter one
OFFSET_LKFS = -0.691  # BS.1770-4; 997 Hz at full scale in one channel then reads -3.01 LKFS
FILTER_BLOCK = 64  # samples filtered by one matrix product
NEGLIGIBLE = 1e-9  # of a filter state, -180 dB; smaller values are ignored
STEP = 16  # samples between window positions, 0.4 ms
HEAD_S = 0.1  # searched after the first window; most strokes peak by then
MAX_GAIN = 3.0  # energy gain of the K filter (4 dB), with a margin for ringing
OVERSAMPLING = 4  # BS.1770-4 Annex 2, for 44.1 and 48 kHz

Coefficients = tuple[np.ndarray, np.ndarray]  # of numerator and denominator


def k_filter_stages(sr: int) -> tuple[Coefficients, Coefficients]:
    """Design the shelf and the high-pass of the K filter: (b, a) of each, shape (3,).

    References
    ----------
    The analog parameters give the standard's own coefficients at 48 kHz to ten digits and the
    same curve at other rates: B. De Man, "Evaluation of implementations of the EBU R128 loudness
    measurement", AES 145th Convention, 2018.
    """
    high_db, shelf_hz, shelf_q = 3.999843853973347, 1681.974450955533, 0.7071752369554196
    pass_hz, pass_q = 38.13547087602444, 0.5003270373238773
    k = np.tan(np.pi * shelf_hz / sr)
    vh = 10.0 ** (high_db / 20.0)
    vb = vh**0.4996667741545416
    a0 = 1.0 + k / shelf_q + k * k
    slope = vb * k / shelf_q
    b1 = np.array([vh + slope + k * k, 2.0 * (k * k - vh), vh - slope + k * k])
    a1 = np.array([a0, 2.0 * (k * k - 1.0), 1.0 - k / shelf_q + k * k])
    a2 = _high_pass(pass_hz, pass_q, sr)
    # The standard leaves the gain of this stage at 48 kHz slightly above 1. Keep it at every rate.
    b2 = np.array([1.0, -2.0, 1.0]) * _high_pass(pass_hz, pass_q, 48_000)[0] / a2[0]
    return (b1 / a0, a1 / a0), (b2, a2 / a2[0])


def _high_pass(hz: float, q: float, sr: int) -> np.ndarray:
    k = np.tan(np.pi * hz / sr)
    return np.array([1.0 + k / q + k * k, 2.0 * (k * k - 1.0), 1.0 - k / q + k * k])


class _BlockFilter(NamedTuple):
    """The K filter as matrix products over blocks of `FILTER_BLOCK` samples.

    The state holds two values of each stage (transposed direct form II).
    """

    within: np.ndarray  # float32, response to the block itself
    from_state: np.ndarray  # float32, response to the state before the block
    to_state: np.ndarray  # float32, contribution of the block to the state
    advance: list[np.ndarray]  # change of the state over 1, 2, 4 ... blocks


@lru_cache(maxsize=16)
def _block_filter(sr: int) -> _BlockFilter:
    (b1, a1), (b2, a2) = k_filter_stages(sr)
    step, gain = np.eye(4, k=1), np.concatenate([b1[1:] - a1[1:] * b1[0], b2[1:] * b1[0]])
    step[1, 2] = 0.0
    step[:2, 0] -= a1[1:]
    step[2:, 2] -= a2[1:]
    step[2:, 0] += b2[1:] - a2[1:] * b2[0]  # the first stage's output is the second's input
    gain[2:] -= a2[1:] * b2[0] * b1[0]
    out, n = np.array([b2[0], 0.0, 1.0, 0.0]), FILTER_BLOCK
    powers = [np.eye(4)]
    for _ in range(n):
        powers.append(step @ powers[-1])
    impulse = np.array([b1[0] * b2[0], *(out @ powers[i] @ gain for i in range(n - 1))])
    lag = np.arange(n)[None] - np.arange(n)[:, None]
    within = np.where(lag >= 0, impulse[np.maximum(lag, 0)], 0.0)
    from_state = np.stack([out @ powers[i] for i in range(n)], axis=1)
    to_state = np.stack([powers[n - 1 - i] @ gain for i in range(n)])
    advance = [powers[n].T]
    while np.abs(advance[-1]).max() > NEGLIGIBLE:
        advance.append(advance[-1] @ advance[-1])
    matrices = [matrix.astype(np.float32) for matrix in (within, from_state, to_state)]
    return _BlockFilter(matrices[0], matrices[1], matrices[2], advance[:-1])


def k_weight(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Filter with the K curve of BS.1770-4; float32, same shape.

    The recursion is computed as matrix products over blocks. This gives the result of a
    sample-by-sample filter without importing scipy.signal in every worker process.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz, at least 4,000; the shelf must lie below half the rate
    """
    return np.stack([_k_weight_channel(channel, sr) for channel in samples.T], axis=1)


def _k_weight_channel(channel: np.ndarray, sr: int) -> np.ndarray:
    kernel = _block_filter(sr)
    n = len(channel)
    blocks = np.zeros((-(-n // FILTER_BLOCK), FILTER_BLOCK), np.float32)
    blocks.reshape(-1)[:n] = channel
    state = np.zeros((len(blocks), 4))  # float64, because rounding errors accumulate
    state[1:] = blocks[:-1] @ kernel.to_state
    for exponent, step in enumerate(kernel.advance):
        distance = 1 << exponent
        if distance >= len(blocks):
            break
        state[distance:] += state[:-distance] @ step
    filtered = blocks @ kernel.within
    filtered += state.astype(np.float32) @ kernel.from_state
    return np.asarray(filtered.reshape(-1)[:n])


def hit_loudness(samples: np.ndarray, *, sr: int) -> float:
    """Measure the loudness of the loudest 400 ms, ungated; pad a shorter hit with silence.

    All channels have the same weight, like left and right in the standard.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    float, LKFS; -inf for silence

    Raises
    ------
    ParameterError
        if `sr` is not above 0 or `samples` does not have two dimensions

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 1.
    """
    if sr <= 0 or samples.ndim != 2:
        raise ParameterError(
            f"sr={sr} must be above 0 and samples have 2 dimensions, not {samples.ndim}"
        )
    n = round(WINDOW_S * sr)
    energy = _energy_by_step(samples.T)
    first = min(len(samples), n + round(HEAD_S * sr))
    best = _loudest_window(samples[:first], n, sr=sr)
    # Filter the rest only if the highest gain of the filter could make a later window louder.
    late = energy[(first - n) // STEP :]
    if first < len(samples) and MAX_GAIN * _max_window_sum(late, n // STEP + 1) > best:
        best = _loudest_window(samples, n, sr=sr)
    return OFFSET_LKFS + 10.0 * float(np.log10(best / n)) if best > 0 else -np.inf


def _loudest_window(samples: np.ndarray, n: int, *, sr: int) -> float:
    """Return the highest K-weighted energy of `n` consecutive samples, over all channels."""
    energy = _energy_by_step([_k_weight_channel(channel, sr) for channel in samples.T])
    rest = n % STEP * (float(energy[n // STEP]) / STEP) if len(energy) > n // STEP else 0.0
    return _max_window_sum(energy, n // STEP) + rest


def _energy_by_step(channels: Iterable[np.ndarray]) -> np.ndarray:
    """Return the energy of every `STEP` samples, over all channels."""
    first, *others = (block_energy(channel, STEP) for channel in channels)
    return first + np.sum(others, axis=0) if others else first


def _max_window_sum(values: np.ndarray, n: int) -> float:
    """Return the highest sum of `n` consecutive values; of all if there are fewer."""
    if len(values) <= n:
        return float(values.sum(dtype=np.float64))
    cumulative = values.cumsum(dtype=np.float64)
    return max(float(cumulative[n - 1]), float((cumulative[n:] - cumulative[:-n]).max()))


def true_peak(samples: np.ndarray) -> float:
    """Measure the highest level, also between samples, by fourfold oversampling.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0

    Returns
    -------
    float, dBTP; -inf for silence

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2.
    """
    from scipy.signal import resample_poly

    if samples.size == 0:
        return -np.inf
    peak = float(np.abs(resample_poly(samples, OVERSAMPLING, 1, axis=0)).max())
    peak = max(peak, float(np.abs(samples).max()))
    return 20.0 * float(np.log10(peak)) if peak > 0 else -np.inf
