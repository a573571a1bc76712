"""The descriptors: each with its unit and the words for it; read without importing numpy."""

from __future__ import annotations

from dataclasses import dataclass

LEVEL_UNITS = frozenset({"dB", "dBFS", "LKFS"})  # a level changes by decibels, never by per cent


@dataclass(frozen=True)
class Descriptor:
    """Name, unit and label of a descriptor, and the words for more and for less of it."""

    name: str
    unit: str
    label: str
    more: str
    less: str
    word: str  # in queries; with "-" for "_" also the option of commands
    hint: str  # help of that option
    is_linear: bool = False  # can be 0 or negative: compared by difference, as levels are


DESCRIPTORS: tuple[Descriptor, ...] = (
    Descriptor(
        "length_s", "s", "length", "longer", "shorter",
        word="length", hint="LOW..HIGH, one end may be open: 0.5..2s, ..200ms",
    ),
    Descriptor(
        "attack_s", "s", "attack", "slower", "faster",
        word="attack", hint="time to the peak: ..5ms",
    ),
    Descriptor(
        "decay20_s", "s", "decay 20 dB", "rings longer", "tighter",
        word="decay", hint="time to fall by 20 dB: 100ms..",
    ),
    Descriptor(
        "decay60_s", "s", "decay 60 dB", "rings longer", "tighter",
        word="decay60", hint="time to fall by 60 dB",
    ),
    Descriptor(
        "seen_db", "dB", "decay seen to", "ends louder", "seen further",
        word="seen_db", hint="how far the fall is seen, dB",
    ),
    Descriptor(
        "centroid_hz", "Hz", "brightness", "brighter", "darker",
        word="brightness", hint="center of the spectrum: 2k..",
    ),
    Descriptor(
        "rolloff_hz", "Hz", "upper edge", "brighter", "darker",
        word="edge", hint="upper edge of the spectrum, Hz",
    ),
    Descriptor(
        "flatness", "", "noise share", "noisier", "more tonal",
        word="noise", hint="share of noise, 0 (tonal) to 1",
    ),
    Descriptor(
        "body_hz", "Hz", "body", "higher", "lower",
        word="body", hint="pitch of the body: 80..150",
    ),
    Descriptor(
        "mode_hz", "Hz", "lowest mode", "higher", "lower",
        word="mode", hint="lowest mode, Hz",
    ),
    Descriptor(
        "mode_share", "", "share of that mode", "clearer pitch", "less clear pitch",
        word="mode_share", hint="share of that mode", is_linear=True,
    ),
    Descriptor(
        "crest_db", "dB", "crest", "spikier", "denser",
        word="crest", hint="peak over the average, dB",
    ),
    Descriptor(
        "peak_db", "dBFS", "peak", "hotter", "quieter",
        word="peak", hint="dBFS: -6..",
    ),
    Descriptor(
        "loudness_lkfs", "LKFS", "loudness", "louder", "softer",
        word="loudness", hint="LKFS",
    ),
    Descriptor(
        "floor_db", "dBFS", "noise floor", "noisier floor", "cleaner floor",
        word="floor", hint="noise behind the stroke, dBFS: ..-70",
    ),
    Descriptor(
        "quietest_db", "dBFS", "quietest 20 ms", "louder at its quietest", "quieter",
        word="quietest_db", hint="quietest 20 ms, dBFS",
    ),
    Descriptor(
        "width", "", "stereo width", "wider", "narrower",
        word="width", hint="stereo width", is_linear=True,
    ),
    Descriptor(
        "clip_run", "samples", "flat top", "more clipped", "less clipped",
        word="flat", hint="samples cut flat at the top",
    ),
    Descriptor(
        "tail_s", "s", "recorded tail", "longer tail", "shorter tail",
        word="tail", hint="recorded tail",
    ),
)  # fmt: skip
