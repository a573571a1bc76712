"""Find all faults of one hit in one pass over its samples."""

from __future__ import annotations

import numpy as np

from catalog.audio.model import FLOAT_SUBTYPES
from catalog.features.faults import channels, timeline
from catalog.features.faults.clipping import find_clipping, find_intersample_overs
from catalog.features.faults.hum import find_hum, find_hum_channel
from catalog.features.faults.kinds import Fault
from catalog.features.waveform import OFFSET_STRIDE, median


def find_faults(
    samples: np.ndarray, mono: np.ndarray, *, sr: int, subtype: str
) -> tuple[Fault, ...]:
    """Find the faults of one hit, the most serious first.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (n_frames, n_channels), full scale 1.0
    mono : np.ndarray, float32, shape (n_frames,), see `catalog.features.waveform.mix_to_mono`
    sr : int, Hz
    subtype : str, as libsndfile names it; floating point may exceed full scale
    """
    # Reductions over the frames of interleaved channels are slow.
    samples = np.asfortranarray(samples)
    ranges = samples.min(axis=0), samples.max(axis=0)
    peaks = np.maximum(ranges[1], -ranges[0])
    faults = channels.find_silent_channels(peaks, length_s=len(samples) / sr)
    stroke = timeline.trace_timeline(mono - median(mono[::OFFSET_STRIDE]), sr=sr)
    if stroke.peak <= 0:
        return tuple(faults)
    rise = stroke.rise * stroke.block
    clipped = find_clipping(samples, ranges, sr=sr)
    faults += clipped
    if not clipped and subtype not in FLOAT_SUBTYPES:
        faults += find_intersample_overs(samples, sr=sr, peak=float(peaks.max()))
    faults += channels.find_dc_offset(samples, sr=sr, rise=rise)
    faults += channels.find_inverted_channels(samples, sr=sr, rise=rise)
    hum = find_hum(stroke.mono, sr=sr, rise=rise)
    if hum:
        channel = find_hum_channel(samples, sr=sr, rise=rise)
        hum = [fault._replace(channel=channel) for fault in hum]
    faults += hum
    faults += timeline.find_click(stroke) + timeline.find_rumble(stroke)
    faults += timeline.find_cut_start(stroke) + timeline.find_second_onset(stroke)
    ends = [f for f in timeline.find_end_faults(stroke) if not (hum and f.kind == "floor")]
    if any(fault.kind == "floor" for fault in ends):
        channel = timeline.find_noisy_channel(samples, sr=sr)
        ends = [f._replace(channel=channel) if f.kind == "floor" else f for f in ends]
    faults += ends
    return tuple(sorted(faults, key=lambda fault: -fault.weight))
