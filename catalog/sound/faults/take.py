"""Faults of a whole take, as it came off the recorder; finished hits are not judged by them."""

from __future__ import annotations

import math

from catalog.sound.faults.kinds import Fault, make_fault

LOW_DBFS, HIGH_DBFS = -12.0, -6.0  # raw peak when recording: common practice, no source
LEAST_DBFS = -40.0  # where a take that is too low is as bad as one that touches full scale
FLOATS = ("FLOAT", "DOUBLE")  # have room above full scale


def find_raw_peak(peak: float, *, subtype: str, at_s: float = 0.0) -> list[Fault]:
    """Find a take that was recorded too hot or too low.

    Parameters
    ----------
    peak : float, highest absolute sample of the take, full scale 1.0
    subtype : str, as libsndfile names it; floating point may go above full scale
    at_s : float, seconds, where the peak is

    Returns
    -------
    list of Fault, at most one
    """
    level = 20 * math.log10(max(peak, 1e-9))
    if LOW_DBFS <= level <= HIGH_DBFS or (subtype in FLOATS and level > HIGH_DBFS):
        return []
    fault = make_fault("raw_peak", level, at_s=at_s)
    if level < LOW_DBFS:
        share = min((LOW_DBFS - level) / (LOW_DBFS - LEAST_DBFS), 1.0)
        fault = fault._replace(weight=round(0.2 + 0.8 * share, 3))
    return [fault]
