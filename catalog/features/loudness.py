"""Loudness of a hit and true peak, after Recommendation ITU-R BS.1770-4."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError
from catalog.features.envelope import block_energy

WINDOW_S = 0.4  # the momentary window of EBU Tech 3341; the standard defines nothing shorter
OFFSET_LKFS = -0.691  # BS.1770-4: makes 997 Hz at full scale in one channel -3.01 LKFS
FILTER_BLOCK = 64  # samples filtered by one matrix product
FORGOTTEN = 1e-9  # of a state, -180 dB: what it says further on is nothing
STEP = 16  # samples by which the window moves, 0.4 ms
HEAD_S = 0.1  # beyond the window that is filtered first: strokes are loudest at their start
MAX_GAIN = 3.0  # of energy by the K filter: 4 dB, and some for what rings into a window
OVERSAMPLING = 4  # BS.1770-4 Annex 2, for 44.1 and 48 kHz


def _k_weighting(sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Both stages of the K filter as one fourth-order filter."""
    (b1, a1), (b2, a2) = _stages(sr)
    return np.convolve(b1, b2), np.convolve(a1, a2)


def _stages(sr: int) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Shelf and high-pass of the K filter.

    The analogue parameters give the standard's own coefficients at 48 kHz to ten digits and the
    same curve at other rates (B. De Man, "Evaluation of implementations of the EBU R128 loudness
    measurement", AES 145th Convention, 2018).
    """
    high_db, shelf_hz, shelf_q = 3.999843853973347, 1681.974450955533, 0.7071752369554196
    pass_hz, pass_q = 38.13547087602444, 0.5003270373238773
    k = np.tan(np.pi * shelf_hz / sr)
    vh = 10.0 ** (high_db / 20.0)
    vb = vh**0.4996667741545416
    a0 = 1.0 + k / shelf_q + k * k
    b1 = np.array(
        [vh + vb * k / shelf_q + k * k, 2.0 * (k * k - vh), vh - vb * k / shelf_q + k * k]
    )
    a1 = np.array([a0, 2.0 * (k * k - 1.0), 1.0 - k / shelf_q + k * k])
    a2 = _high_pass(pass_hz, pass_q, sr)
    # the standard leaves the gain of this stage at 48 kHz a little above 1; keep it at every rate
    b2 = np.array([1.0, -2.0, 1.0]) * _high_pass(pass_hz, pass_q, 48_000)[0] / a2[0]
    return (b1 / a0, a1 / a0), (b2, a2 / a2[0])


def _high_pass(hz: float, q: float, sr: int) -> np.ndarray:
    k = np.tan(np.pi * hz / sr)
    return np.array([1.0 + k / q + k * k, 2.0 * (k * k - 1.0), 1.0 - k / q + k * k])


@lru_cache(maxsize=16)
def _block_filter(sr: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[np.ndarray]]:
    """The K filter for blocks of `FILTER_BLOCK` samples as matrix products.

    Gives the response to the block itself, the response to the state before it, what the block
    adds to the state, and how the state goes on over 1, 2, 4 ... blocks until it is forgotten
    (two states of direct form II, transposed, for each stage).
    """
    (b1, a1), (b2, a2) = _stages(sr)
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
    steps = [powers[n].T]
    while np.abs(steps[-1]).max() > FORGOTTEN:
        steps.append(steps[-1] @ steps[-1])
    narrow = [matrix.astype(np.float32) for matrix in (within, from_state, to_state)]
    return narrow[0], narrow[1], narrow[2], steps[:-1]


def k_weight(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Filter by the K curve of BS.1770-4.

    The recursion is written as matrix products over blocks: it gives the same as a sample by
    sample filter and needs no heavy library at the start of a worker.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz, at least 4,000 (the shelf needs room below half the rate)

    Returns
    -------
    np.ndarray, float32, same shape
    """
    return np.stack([_k_weighted(channel, sr) for channel in samples.T], axis=1)


def _k_weighted(channel: np.ndarray, sr: int) -> np.ndarray:
    within, from_state, to_state, steps = _block_filter(sr)
    n = len(channel)
    blocks = np.zeros((-(-n // FILTER_BLOCK), FILTER_BLOCK), np.float32)
    blocks.reshape(-1)[:n] = channel
    state = np.zeros((len(blocks), 4))  # float64: it is carried on
    state[1:] = blocks[:-1] @ to_state
    for back, step in enumerate(steps):  # twice as far back each time
        reach = 1 << back
        if reach >= len(blocks):
            break
        state[reach:] += state[:-reach] @ step
    filtered = blocks @ within
    filtered += state.astype(np.float32) @ from_state
    return np.asarray(filtered.reshape(-1)[:n])


def hit_loudness(samples: np.ndarray, *, sr: int) -> float:
    """Loudness of the loudest 400 ms, ungated; a shorter hit is filled up with silence.

    The channels count alike, as left and right do in the standard.

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
        if `sr` is not above 0 or `samples` has not two dimensions

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
    best = _loudest(samples[:first], n, sr=sr)
    # a window that ends later is left out where not even the filter's highest gain makes it louder
    late = energy[(first - n) // STEP :]
    if first < len(samples) and MAX_GAIN * _highest_sum(late, n // STEP + 1) > best:
        best = _loudest(samples, n, sr=sr)
    return OFFSET_LKFS + 10.0 * float(np.log10(best / n)) if best > 0 else -np.inf


def _loudest(samples: np.ndarray, n: int, *, sr: int) -> float:
    """Highest K-weighted energy of `n` samples on end, over all channels."""
    energy = _energy_by_step([_k_weighted(channel, sr) for channel in samples.T])
    rest = n % STEP * (float(energy[n // STEP]) / STEP) if len(energy) > n // STEP else 0.0
    return _highest_sum(energy, n // STEP) + rest


def _energy_by_step(channels: Iterable[np.ndarray]) -> np.ndarray:
    """Energy of every `STEP` samples, over all channels."""
    first, *others = (block_energy(channel, STEP) for channel in channels)
    return first + np.sum(others, axis=0) if others else first


def _highest_sum(values: np.ndarray, n: int) -> float:
    """Highest sum of `n` values on end; of all where there are fewer."""
    if len(values) <= n:
        return float(values.sum(dtype=np.float64))
    along = values.cumsum(dtype=np.float64)
    return max(float(along[n - 1]), float((along[n:] - along[:-n]).max()))


def true_peak(samples: np.ndarray, *, sr: int) -> float:
    """Highest value between the samples, by fourfold oversampling.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz, above 0

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
