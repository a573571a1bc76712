"""The kinds of faults: meaning and limits of the value of each, and advice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Fault(NamedTuple):
    """One fault of one hit."""

    kind: str  # a key of `FAULT_KINDS`
    at_s: float  # seconds from the start of what was measured
    length_s: float  # seconds; 0 for a single moment
    value: float  # in the unit of its kind
    weight: float  # 0 (barely noticeable) to 1 (the stroke is unusable)
    channel: int = -1  # from 0; -1 if the fault concerns all of them
    hz: float = 0.0  # frequency of the mains for hum; 0 for other kinds


@dataclass(frozen=True)
class FaultKind:
    """A kind of fault: its label, the unit and meaning of its value, and advice."""

    label: str
    unit: str
    meaning: str
    least: float  # value at which the weight is 0.2
    most: float  # value at which the weight is 1.0
    advice: str


# Limits without a source are common practice. They follow from what is audible or needs repair, and
# are not fitted to any recording.
FAULT_KINDS: dict[str, FaultKind] = {
    "clipped": FaultKind(
        "clipped", "samples", "cut flat at the top, all runs together", 3, 60,
        "record again with less gain",
    ),
    "over": FaultKind(
        "over between samples", "dBTP", "true peak", 0.0, 3.0,  # ITU-R BS.1770-4, Annex 2
        "turn it down by this much before converting it",
    ),
    "dc": FaultKind(
        "offset (DC)", "dBFS", "median of the samples", -60.0, -20.0,
        "filter below 20 Hz",
    ),
    "hum": FaultKind(
        "mains hum", "dBFS", "level of the mains tone and its harmonics", -75.0, -35.0,
        "find the ground loop; notch filters help",
    ),
    "click": FaultKind(
        "click before the stroke", "dB", "peak of the click under that of the stroke", -50.0, -10.0,
        "move the start after it",
    ),
    "rumble": FaultKind(
        "rumble before the stroke", "dB", "level below 20 Hz under the peak", -50.0, -20.0,
        "filter below 30 Hz, or move the start",
    ),
    "start_cut": FaultKind(
        "start cut off", "dB", "first samples under the peak", -18.0, 0.0,
        "cut again from the take, earlier",
    ),
    "tail_cut": FaultKind(
        "tail cut off", "dB", "level at the end under the loudest 10 ms", -60.0, -20.0,
        "cut again from the take, later, or fade out",
    ),
    "second": FaultKind(
        "second stroke or flam", "dB", "second attack over the first", -22.0, 0.0,
        "end the hit before it",
    ),
    "floor": FaultKind(
        "noise floor", "dBFS", "level of the noise at the end", -65.0, -35.0,
        "more gain at the preamp, less after it; a quieter room",
    ),
    "silent": FaultKind(
        "near-silent channel", "dB", "channel under the loudest one, or under full scale",
        -46.0, -80.0, "check the cable; take the channel out",
    ),
    "polarity": FaultKind(
        "polarity opposite", "", "correlation with the first channel, -1 for an inverted copy",
        -0.5, -1.0, "invert the polarity of this channel",
    ),
    "raw_peak": FaultKind(
        "take too hot or too low", "dBFS", "highest sample", -6.0, 0.0,
        "aim at -12 to -6 dBFS when recording",
    ),
}  # fmt: skip
LEAST_WEIGHT = 0.2  # of any reported fault


def make_fault(
    kind: str, value: float, *, at_s: float, length_s: float = 0.0, channel: int = -1
) -> Fault:
    """Make a fault, with the weight that its value has among those of its kind."""
    k = FAULT_KINDS[kind]
    share = min(max((value - k.least) / (k.most - k.least), 0.0), 1.0)
    weight = LEAST_WEIGHT + (1.0 - LEAST_WEIGHT) * share
    times_s = round(at_s, 5), round(length_s, 5)
    return Fault(kind, *times_s, round(value, 2), round(weight, 3), channel)


def shift_faults(faults: tuple[Fault, ...], by_s: float) -> tuple[Fault, ...]:
    """Shift the times of faults, from a part of a file to the whole file."""
    return tuple(fault._replace(at_s=round(fault.at_s + by_s, 5)) for fault in faults)
