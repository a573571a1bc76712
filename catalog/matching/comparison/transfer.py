"""Transfer model from one recording to another: FIR least squares, slow poles, static nonlinearity.

A short filter predicts an equalized copy from the original, and a static nonlinear function
predicts an overdriven copy: almost no residual remains. No model predicts another stroke, most of
whose energy remains. `catalog.matching.comparison.pair_features` measures the residual.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catalog.features.embedding.spectrogram import SR
from catalog.features.spectrum import sliding_frames
from catalog.matching.align import cut_overlap
from catalog.matching.comparison.coherence import Coherence
from catalog.matching.prepare import PRE_EMPHASIS, PreparedSignal, preemphasize

N_TAPS = 32  # of the FIR filter, 0.7 ms around lag 0
N_POWER_TAPS = 12  # of the filter of each power
FIT_S = 0.2  # length of the fit; a longer fit does not change the scores
RIDGE = 1e-5  # of the mean energy of a regressor; avoids huge taps for dull hits
MIN_SAMPLES_PER_TAP = 4  # fewer would overfit
POLES_HZ = (20.0, 40.0, 80.0, 160.0)  # a high-pass rings far longer than the FIR filter


@dataclass(frozen=True, eq=False)
class Alignment:
    """Offset, gain, polarity and filter that turn one recording into another."""

    offset_s: float  # how much later the stroke begins in the second recording than in the first
    gain_db: float  # level of the second relative to the first, over their overlap
    polarity: int  # 1, or -1 where the second is inverted
    # filter from the first to the second without the offset, at 44.1 kHz, lag 0 in the middle
    taps: np.ndarray  # shape (N_TAPS,)
    residue_db: float  # of the fit, relative to the second; -40 or less means equal recordings


def deemphasize(x: np.ndarray) -> np.ndarray:
    """Invert `catalog.matching.prepare.preemphasize`; float64, shape (n,)."""
    from scipy.signal import lfilter

    return np.asarray(lfilter([1.0], [1.0, -PRE_EMPHASIS], x.astype(np.float64)))


def signal_powers(x: np.ndarray) -> list[np.ndarray]:
    """Return x|x|, x^2, x^3 and x^5 of the de-emphasized signal, pre-emphasized again."""
    raw = deemphasize(x)
    raw /= max(float(np.abs(raw).max(initial=0.0)), 1e-12)
    square = raw * raw
    cube = square * raw
    return [preemphasize(power) for power in (raw * np.abs(raw), square, cube, cube * square)]


@dataclass(frozen=True, eq=False)
class TransferModel:
    """Model of one signal as a function of another, a parallel Hammerstein model."""

    taps: np.ndarray  # shape (N_TAPS,), FIR filter, lag 0 in the middle
    pole_weights: np.ndarray  # shape (2 * len(POLES_HZ),), of the low-passes of one and two poles
    power_taps: np.ndarray  # shape (4, N_POWER_TAPS), or (0, N_POWER_TAPS) for a linear model

    def apply(self, x: np.ndarray, powers: Sequence[np.ndarray] = ()) -> np.ndarray:
        """Predict the other signal from `x`, shape (n,), and from its `signal_powers`."""
        x = x.astype(np.float64)
        predicted = _convolve_centered(x, self.taps)
        if self.pole_weights.any():
            predicted += _weighted_lowpasses(x, self.pole_weights)
        for power, taps in zip(powers, self.power_taps, strict=True):
            predicted += _convolve_centered(power, taps)
        return predicted


def _convolve_centered(signal: np.ndarray, taps: np.ndarray) -> np.ndarray:
    n = len(taps)
    if not len(signal):
        return np.zeros(0)
    return np.convolve(signal, taps[::-1])[n - 1 - n // 2 :][: len(signal)]


def _lowpasses(x: np.ndarray) -> list[np.ndarray]:
    """Return the outputs of a one-pole low-pass, once and twice, for each of `POLES_HZ`."""
    from scipy.signal import lfilter

    outputs = []
    for hz in POLES_HZ:
        pole = math.exp(-2 * math.pi * hz / SR)
        once = lfilter([1.0 - pole], [1.0, -pole], x.astype(np.float64))
        outputs += [once, lfilter([1.0 - pole], [1.0, -pole], once)]
    return outputs


def _weighted_lowpasses(x: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the weighted sum of `_lowpasses`, with one second-order filter per pole."""
    from scipy.signal import lfilter

    total = np.zeros(len(x))
    for hz, (once, twice) in zip(POLES_HZ, weights.reshape(-1, 2), strict=True):
        pole = math.exp(-2 * math.pi * hz / SR)
        a, b = once * (1.0 - pole), twice * (1.0 - pole) ** 2
        total += lfilter([a + b, -a * pole], [1.0, -2.0 * pole, pole * pole], x)
    return total


def fit_transfer(x: np.ndarray, y: np.ndarray, powers: Sequence[np.ndarray] = ()) -> TransferModel:
    """Fit a model that predicts `y` from `x`, by ridge-regularized least squares.

    Parameters
    ----------
    x, y : np.ndarray, shape (n,)
        fitted on the first `FIT_S`; only a gain is fitted if they are too short
    powers : sequence of np.ndarray, shape (n,) each, `signal_powers` of x, or none
    """
    n, n_poles = min(len(x), round(FIT_S * SR)), 2 * len(POLES_HZ)
    sizes = [N_TAPS, *(1 for _ in range(n_poles)), *(N_POWER_TAPS for _ in powers)]
    if n < MIN_SAMPLES_PER_TAP * sum(sizes):
        taps = np.zeros(N_TAPS)
        taps[N_TAPS // 2] = float(x @ y) / max(float(x @ x), 1e-12)
        return TransferModel(taps, np.zeros(n_poles), np.zeros((len(powers), N_POWER_TAPS)))
    head = x[: n + N_TAPS].astype(np.float64)
    signals = [head, *_lowpasses(head), *powers]
    scale = [1.0 / max(float(np.sqrt(np.mean(signal[:n] ** 2))), 1e-12) for signal in signals]
    rows, starts = _delayed_rows(list(zip(signals, sizes, strict=True)), scale, n)
    gram = _gram_of_delays(rows, starts)
    gram[np.diag_indices_from(gram)] += RIDGE * n
    weights = np.linalg.solve(gram, (rows[:, :n] @ y[:n].astype(np.float32)).astype(np.float64))
    weights *= np.repeat(scale, sizes)
    taps, pole_weights, power_taps = np.split(weights, np.cumsum([N_TAPS, n_poles]))
    return TransferModel(taps, pole_weights, power_taps.reshape(-1, N_POWER_TAPS))


def _delayed_rows(
    blocks: Sequence[tuple[np.ndarray, int]], scale: Sequence[float], n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return each signal at each of its lags around 0, in rows of n + 1 samples.

    The second array holds the index of the first row of each signal.
    """
    starts = np.cumsum([0, *(n_taps for _, n_taps in blocks)])
    rows = np.empty((starts[-1], n + 1), dtype=np.float32)
    for (signal, n_taps), factor, start in zip(blocks, scale, starts[:-1], strict=True):
        lead = n_taps // 2
        part = np.zeros(n + n_taps, np.float32)
        available = signal[: n + n_taps - lead]
        part[lead : lead + len(available)] = available * factor
        rows[start : start + n_taps] = sliding_frames(part, n + 1)
    return rows, starts[:-1]


def _gram_of_delays(rows: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Return the inner products of all rows, without their last sample; float64.

    Each row but the first of a block is the row before it delayed by a sample. Only the products
    with the first row of each block (`starts`) are summed up; the others follow from their
    neighbors by adding the sample that enters at the end and subtracting the one that leaves at
    the start.
    """
    firsts = (rows[starts, :-1] @ rows[:, :-1].T).astype(np.float64)
    leaving, entering = rows[:, 0].astype(np.float64), rows[:, -1].astype(np.float64)
    update = np.outer(entering, entering) - np.outer(leaving, leaving)
    gram = np.empty((len(rows), len(rows)))
    gram[starts] = firsts
    for row in sorted(set(range(len(rows))) - set(starts.tolist())):
        gram[row, 1:] = gram[row - 1, :-1] + update[row - 1, :-1]
        gram[row, starts] = firsts[:, row]
    return gram


def estimate_alignment(
    first: PreparedSignal, second: PreparedSignal, coherence: Coherence
) -> Alignment:
    """Estimate offset, gain, polarity and filter from the first signal to the second."""
    overlap = cut_overlap(first, second, round(coherence.lag_s * SR))
    model = fit_transfer(overlap.a, overlap.b)
    a, b = deemphasize(overlap.a), deemphasize(overlap.b)
    level = float(b @ b) * second.scale**2 / max(float(a @ a) * first.scale**2, 1e-30)
    y = overlap.b.astype(np.float64)
    residual = float(np.square(y - model.apply(overlap.a)).sum()) / max(float(y @ y), 1e-30)
    return Alignment(
        second.onset_s - first.onset_s + coherence.lag_s,
        10.0 * math.log10(max(level, 1e-30)),
        -1 if model.taps[np.argmax(np.abs(model.taps))] < 0 else 1,
        model.taps,
        10.0 * math.log10(max(residual, 1e-12)),
    )
