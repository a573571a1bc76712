"""Find the stroke in a file that holds one finished hit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.features.waveform import abs_peak, dc_offset, first_above

ONSET_SHARE = 0.05  # of the peak; thresholds from .02 to .1 gave the same results on real strokes
LEAD_S = 0.001  # kept before the onset, so that the rise is included
SILENCE = 1e-5  # of full scale, -100 dBFS; the noise of 16 bits lies above it
TAIL_DB = -90.0  # below the peak; an end that stays under it is silence


@dataclass(frozen=True)
class StrokeSpan:
    """Position of one stroke in a file, in frames.

    Attributes
    ----------
    start, stop : int, first frame, and the frame after the last one
    onset : int, first frame above the threshold of the onset
    """

    start: int
    onset: int
    stop: int


def find_stroke(mono: np.ndarray, *, sr: int) -> StrokeSpan:
    """Find the stroke in a file that holds one finished hit.

    Levels are measured after removing the DC offset. `start` is `LEAD_S` before the onset, and
    `stop` leaves out silence at the end.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    Raises
    ------
    ParameterError
        if there is no stroke: too few samples, silence, or a DC offset only
    """
    if len(mono) < 2:
        raise ParameterError(f"holds no stroke: {len(mono)} sample(s) only")
    offset = dc_offset(mono)
    peak = abs_peak(mono, offset)
    if peak < SILENCE:
        raise ParameterError("holds no stroke: silence, or an offset that never changes")
    onset = first_above(mono, ONSET_SHARE * peak, offset)
    stop = len(mono) - first_above(mono[::-1], peak * 10 ** (TAIL_DB / 20), offset)
    return StrokeSpan(max(0, onset - round(LEAD_S * sr)), onset, stop)
