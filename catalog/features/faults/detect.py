"""All faults of one hit in one pass over its samples."""

from __future__ import annotations

import math

import numpy as np

from catalog.audio.model import FLOAT_SUBTYPES
from catalog.features.faults.hum import find_hum
from catalog.features.faults.kinds import Fault, make_fault
from catalog.features.faults.samples import (
    find_clipping,
    find_dc_offset,
    find_intersample_overs,
    find_inverted_channels,
    find_silent_channels,
)
from catalog.features.faults.timeline import (
    find_cut_start,
    find_end,
    find_faults_before,
    find_second_onset,
    trace_timeline,
)
from catalog.features.waveform import OFFSET_STRIDE, median


def find_faults(
    samples: np.ndarray, mono: np.ndarray, *, sr: int, subtype: str
) -> tuple[Fault, ...]:
    """Find what is wrong with one hit.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, float32, shape (n_frames,), see `catalog.features.onset.mix_to_mono`
    sr : int, Hz
    subtype : str, as libsndfile names it; floating point is never over

    Returns
    -------
    tuple of Fault, the heaviest first; empty for a clean hit
    """
    samples = np.asfortranarray(samples)  # numpy is slow along the frames of interleaved channels
    ranges = samples.min(axis=0), samples.max(axis=0)
    peaks = np.maximum(ranges[1], -ranges[0])
    length_s = len(samples) / sr
    faults = find_silent_channels(peaks, length_s=length_s)
    mono = mono - median(mono[::OFFSET_STRIDE])
    course = trace_timeline(mono, sr=sr)
    if course.top <= 0:
        return tuple(faults)
    rise = course.rise * course.block
    clipped = find_clipping(samples, ranges, sr=sr)
    faults += clipped
    if not clipped and subtype not in FLOAT_SUBTYPES:
        faults += find_intersample_overs(samples, sr=sr, peak=float(peaks.max()))
    faults += find_dc_offset(samples, sr=sr, rise=rise)
    faults += find_inverted_channels(samples, sr=sr, rise=rise)
    hum = find_hum(mono, sr=sr, rise=rise)
    faults += hum
    faults += find_faults_before(course)
    faults += find_cut_start(course)
    faults += find_second_onset(course)
    faults += [fault for fault in find_end(course) if not (hum and fault.kind == "floor")]
    return tuple(sorted(faults, key=lambda fault: -fault.weight))


LOW_DBFS, HIGH_DBFS = -12.0, -6.0  # raw peak when recording: common practice, no source


LEAST_DBFS = -40.0  # where a take that is too low is as bad as one that touches full scale


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
    if LOW_DBFS <= level <= HIGH_DBFS or (subtype in FLOAT_SUBTYPES and level > HIGH_DBFS):
        return []
    fault = make_fault("raw_peak", level, at_s=at_s)
    if level < LOW_DBFS:
        share = min((LOW_DBFS - level) / (LOW_DBFS - LEAST_DBFS), 1.0)
        fault = fault._replace(weight=round(0.2 + 0.8 * share, 3))
    return [fault]
