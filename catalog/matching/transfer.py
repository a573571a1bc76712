"""What leads from one recording to the other: a short filter and a static curve, and what is left.

An equalised copy is a short filter of the original and a driven copy a static curve of it: both
leave almost nothing behind. Another stroke leaves most of itself whatever is fitted. What
is left is counted in `catalog.matching.evidence`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catalog.features.spectrogram import SR
from catalog.features.spectrum import windows_of
from catalog.matching.coherence import Agreement, cut_pair
from catalog.matching.prepare import PRE_EMPHASIS, Prepared, emphasised

N_TAPS = 32  # of the filter, 0.7 ms about the common time
N_CURVE_TAPS = 12  # of each power beside it
FIT_S = 0.2  # the filter is fitted on this much; more changes no score
RIDGE = 1e-5  # of the mean energy of a column; keeps dull hits from huge taps
MIN_FIT = 4  # samples a coefficient: fewer would be learnt by heart
SLOW_HZ = (20.0, 40.0, 80.0, 160.0)  # poles beside the filter: a high-pass rings far beyond it


@dataclass(frozen=True, eq=False)
class Alignment:
    """How one recording becomes the other.

    Attributes
    ----------
    offset_s : float
        how much later the stroke begins in the second file than in the first
    gain_db : float
        level of the second over the first, over what both hold
    polarity : int, 1, or -1 where the second is turned
    taps : np.ndarray, shape (N_TAPS,), at 44.1 kHz, the middle one at the common time
        the filter fitted from the first to the second, both with the offset removed
    residue_db : float
        what the fit leaves of the second, relative to it; -40 and less is nothing
    """

    offset_s: float
    gain_db: float
    polarity: int
    taps: np.ndarray
    residue_db: float


def without_emphasis(x: np.ndarray) -> np.ndarray:
    """Turn `catalog.matching.prepare.emphasised` back; float64, shape (n,)."""
    from scipy.signal import lfilter

    return np.asarray(lfilter([1.0], [1.0, -PRE_EMPHASIS], x.astype(np.float64)))


def powers_of(x: np.ndarray) -> list[np.ndarray]:
    """The recording and odd and even powers of it, emphasised again."""
    raw = without_emphasis(x)
    raw /= max(float(np.abs(raw).max(initial=0.0)), 1e-12)
    square = raw * raw
    cube = square * raw
    return [emphasised(power) for power in (raw * np.abs(raw), square, cube, cube * square)]


def _slow(x: np.ndarray) -> list[np.ndarray]:
    """The recording through low-passes of one pole and of two, which a short filter cannot make."""
    from scipy.signal import lfilter

    out = []
    for hz in SLOW_HZ:
        pole = math.exp(-2 * math.pi * hz / SR)
        once = lfilter([1.0 - pole], [1.0, -pole], x.astype(np.float64))
        out += [once, lfilter([1.0 - pole], [1.0, -pole], once)]
    return out


def _tell_slow(x: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Sum of `_slow` with weights, each pole's two sides in one pass."""
    from scipy.signal import lfilter

    told = np.zeros(len(x))
    for hz, (one, two) in zip(SLOW_HZ, weights.reshape(-1, 2), strict=True):
        pole = math.exp(-2 * math.pi * hz / SR)
        a, b = one * (1.0 - pole), two * (1.0 - pole) ** 2
        told += lfilter([a + b, -a * pole], [1.0, -2.0 * pole, pole * pole], x)
    return told


@dataclass(frozen=True, eq=False)
class Filter:
    """What leads from one side to the other.

    Attributes
    ----------
    taps : np.ndarray, shape (N_TAPS,), the middle one at the common time
    slow : np.ndarray, shape (2 * len(SLOW_HZ),), weights of the low-passes
    curve : np.ndarray, shape (4, N_CURVE_TAPS), taps of the powers, or (0, N_CURVE_TAPS)
    """

    taps: np.ndarray
    slow: np.ndarray
    curve: np.ndarray

    def apply(self, x: np.ndarray, powers: Sequence[np.ndarray] = ()) -> np.ndarray:
        """Tell the other side from `x`, shape (n,), and its powers."""
        x = x.astype(np.float64)
        told = _through_taps(x, self.taps)
        if self.slow.any():
            told += _tell_slow(x, self.slow)
        for power, taps in zip(powers, self.curve, strict=True):
            told += _through_taps(power, taps)
        return told


def _through_taps(signal: np.ndarray, taps: np.ndarray) -> np.ndarray:
    n = len(taps)
    if not len(signal):
        return np.zeros(0)
    return np.convolve(signal, taps[::-1])[n - 1 - n // 2 :][: len(signal)]


def fit_filter(x: np.ndarray, y: np.ndarray, powers: Sequence[np.ndarray] = ()) -> Filter:
    """Fit `y` by `x` through a short filter, and by powers of `x` through shorter ones.

    Parameters
    ----------
    x, y : np.ndarray, shape (n,)
    powers : sequence of np.ndarray, shape (n,) each, none to fit no curve

    Returns
    -------
    Filter, fitted on the first `FIT_S`
    """
    n = min(len(x), round(FIT_S * SR))
    sizes = [N_TAPS, *(1 for _ in range(2 * len(SLOW_HZ))), *(N_CURVE_TAPS for _ in powers)]
    if n < MIN_FIT * sum(sizes):
        taps = np.zeros(N_TAPS)
        taps[N_TAPS // 2] = float(x @ y) / max(float(x @ x), 1e-12)
        return Filter(taps, np.zeros(2 * len(SLOW_HZ)), np.zeros((len(powers), N_CURVE_TAPS)))
    head = x[: n + N_TAPS].astype(np.float64)
    signals = [head, *_slow(head), *powers]
    scale = [1.0 / max(float(np.sqrt(np.mean(signal[:n] ** 2))), 1e-12) for signal in signals]
    rows, starts = _delays(list(zip(signals, sizes, strict=True)), scale, n)
    gram = _gram_of_delays(rows, starts)
    gram[np.diag_indices_from(gram)] += RIDGE * n
    weights = np.linalg.solve(gram, (rows[:, :n] @ y[:n].astype(np.float32)).astype(np.float64))
    weights *= np.repeat(scale, sizes)
    taps, slow, curve = np.split(weights, np.cumsum([N_TAPS, 2 * len(SLOW_HZ)]))
    return Filter(taps, slow, curve.reshape(-1, N_CURVE_TAPS))


def _delays(
    blocks: Sequence[tuple[np.ndarray, int]], scale: Sequence[float], n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Each signal at each of its delays about the common time, a row each of n + 1 samples.

    Also the first row of each signal.
    """
    starts = np.cumsum([0, *(n_taps for _, n_taps in blocks)])
    rows = np.empty((starts[-1], n + 1), dtype=np.float32)
    for (signal, n_taps), s, start in zip(blocks, scale, starts[:-1], strict=True):
        before = n_taps // 2
        part = np.zeros(n + n_taps, np.float32)
        held = signal[: n + n_taps - before]
        part[before : before + len(held)] = held * s
        rows[start : start + n_taps] = windows_of(part, n + 1)
    return rows, starts[:-1]


def _gram_of_delays(rows: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Products of all rows with each other, over all but their last sample.

    Each row but the first of a block is the one before it, a sample later. So only products with
    the first of each block are summed up; the others follow from their neighbours by what enters
    at the end and leaves at the beginning.

    Parameters
    ----------
    rows : np.ndarray, float32, shape (n_rows, n + 1)
    starts : np.ndarray, int, the first row of each block

    Returns
    -------
    np.ndarray, float64, shape (n_rows, n_rows)
    """
    firsts = (rows[starts, :-1] @ rows[:, :-1].T).astype(np.float64)
    begin, end = rows[:, 0].astype(np.float64), rows[:, -1].astype(np.float64)
    moved = np.outer(end, end) - np.outer(begin, begin)
    gram = np.empty((len(rows), len(rows)))
    gram[starts] = firsts
    for row in sorted(set(range(len(rows))) - set(starts.tolist())):
        gram[row, 1:] = gram[row - 1, :-1] + moved[row - 1, :-1]
        gram[row, starts] = firsts[:, row]
    return gram


def align_hits(first: Prepared, second: Prepared, plain: Agreement) -> Alignment:
    """Tell how the first recording becomes the second.

    Parameters
    ----------
    first, second : Prepared
    plain : Agreement, that of `compare_hits`

    Returns
    -------
    Alignment
    """
    pair = cut_pair(first, second, round(plain.lag_s * SR))
    fitted = fit_filter(pair.a, pair.b)
    told, taps = fitted.apply(pair.a), fitted.taps
    a, b = without_emphasis(pair.a), without_emphasis(pair.b)
    level = float(b @ b) * second.scale**2 / max(float(a @ a) * first.scale**2, 1e-30)
    y = pair.b.astype(np.float64)
    left = float(np.square(y - told).sum()) / max(float(y @ y), 1e-30)
    return Alignment(
        second.onset_s - first.onset_s + plain.lag_s,
        10.0 * math.log10(max(level, 1e-30)),
        -1 if taps[np.argmax(np.abs(taps))] < 0 else 1,
        taps,
        10.0 * math.log10(max(left, 1e-12)),
    )
