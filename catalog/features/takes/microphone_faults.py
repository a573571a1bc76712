"""The faults of strokes at one of several microphones, with channel and time in the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from catalog.features.faults import Fault, shift_faults
from catalog.features.faults.channels import find_raw_peak
from catalog.features.faults.take_ends import SegmentEnd, find_cut_tails
from catalog.features.faults.take_microphones import find_take_noise, has_gaps
from catalog.features.measures import Measures


def to_file(
    faults: Sequence[Fault], channels: Sequence[int], *, start_s: float
) -> tuple[Fault, ...]:
    """Return the faults of a stroke at one microphone with their time and channel in the file.

    A microphone that is silent in one stroke may be loud in the next, so that is left to the take.
    """
    kept = tuple(
        fault._replace(channel=_file_channel(fault.channel, channels))
        for fault in faults
        if fault.kind != "silent" or len(channels) > 1
    )
    return shift_faults(kept, start_s)


def add_take_faults(
    rows: list[Measures],
    of_microphone: Sequence[int],
    of_take: tuple[Fault | None, ...],
    *,
    ends: Sequence[tuple[SegmentEnd, float]],
    peaks: Sequence[float],
    sr: int,
) -> None:
    """Replace the cut tails of one microphone's strokes, and add its faults in the take.

    Noise that each stroke ends in is one fault of the take.
    """
    if not of_microphone:
        return
    tails = find_cut_tails([ends[i][0] for i in of_microphone], [ends[i][1] for i in of_microphone])
    for i, tail in zip(of_microphone, tails, strict=True):
        rows[i] = _with_tail(rows[i], tail, sr=sr)
    loudest = max(of_microphone, key=lambda i: peaks[i])
    at_s, channels = rows[loudest].start / sr, rows[loudest].channels
    found = [fault for fault in of_take if fault is not None]
    if not any(fault.kind == "silent" for fault in found):
        found += find_raw_peak(peaks[loudest], at_s=at_s)
    quietest = [ends[i][0].quietest for i in of_microphone]
    if has_gaps(quietest):
        noise = find_take_noise(quietest, peak=peaks[loudest])
        hums = any(fault.kind == "hum" for i in of_microphone for fault in rows[i].faults)
        found += [] if noise is None or hums else [noise]
        for i in of_microphone:
            kept = tuple(fault for fault in rows[i].faults if fault.kind != "floor")
            rows[i] = replace(rows[i], faults=kept)
    channel = _file_channel(-1, channels)
    found = [fault._replace(channel=channel, at_s=round(at_s, 5)) for fault in found]
    rows[loudest] = replace(rows[loudest], faults=_by_weight(*rows[loudest].faults, *found))


def _file_channel(channel: int, channels: Sequence[int]) -> int:
    """Return the channel of the file, from 0, of a channel of a microphone; -1 for both of two."""
    if len(channels) == 1:
        return channels[0] - 1
    return channels[channel] - 1 if channel >= 0 else -1


def _by_weight(*faults: Fault) -> tuple[Fault, ...]:
    return tuple(sorted(faults, key=lambda fault: -fault.weight))


def _with_tail(row: Measures, tail: Fault | None, *, sr: int) -> Measures:
    """Return a stroke with its cut tail as it is in the take, or without one."""
    faults = [fault for fault in row.faults if fault.kind != "tail_cut"]
    faults += to_file((tail,), row.channels, start_s=row.start / sr) if tail is not None else ()
    return replace(row, faults=_by_weight(*faults))
