"""Options of an export: sample width, container, sample rate, and a zip of the folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

from catalog.errors import KitArgumentError
from catalog.kit.slots import NoteMap, read_note_map

SUBTYPES: MappingProxyType[str, int] = MappingProxyType(
    {"PCM_16": 16, "PCM_24": 24, "PCM_32": 24, "FLOAT": 24}
)  # bits of precision that decoding to float32 keeps
CONTAINERS: MappingProxyType[str, tuple[str, ...]] = MappingProxyType(
    {"WAV": tuple(SUBTYPES), "FLAC": ("PCM_16", "PCM_24")}
)
MIX, ALL = "mix", "all"  # instead of the name of a microphone
MIX_RANGE_DB = (-60.0, 12.0)  # of a microphone in a mix; lower is not heard
RATES_HZ = (44_100, 48_000, 96_000)


@dataclass(frozen=True)
class ExportOptions:
    """Format of an exported kit.

    Raises
    ------
    KitError
        if a value is not allowed or the container cannot hold the subtype
    """

    subtype: str = "PCM_24"  # or "PCM_16" (with triangular dither), "PCM_32", "FLOAT"
    container: str = "WAV"  # or "FLAC" for 16 or 24 bits
    sr: int | None = None  # 44,100, 48,000 or 96,000 Hz; None keeps the rate of each recording
    as_zip: bool = False  # also write a zip of the folder beside it
    # A microphone for all strokes by its name, MIX for one file a stroke with all microphones
    # aligned, ALL for a file of each; "" for the microphone that stands for each stroke.
    microphone: str = ""
    mix_levels: tuple[tuple[str, float], ...] = ()  # of microphones in the mix, dB; others 0 dB
    no_good: bool = False  # also hits that are marked no good
    notes: NoteMap = field(default_factory=dict)  # keys in place of the General MIDI ones

    def __post_init__(self) -> None:
        if self.subtype not in SUBTYPES:
            raise KitArgumentError(f"subtype={self.subtype!r} must be one of {', '.join(SUBTYPES)}")
        if self.container not in CONTAINERS:
            raise KitArgumentError(
                f"container={self.container!r} must be one of {', '.join(CONTAINERS)}"
            )
        if self.subtype not in CONTAINERS[self.container]:
            allowed = " or ".join(CONTAINERS[self.container])
            raise KitArgumentError(f"{self.container} cannot hold {self.subtype}: choose {allowed}")
        if self.sr is not None and self.sr not in RATES_HZ:
            rates = ", ".join(map(str, RATES_HZ))
            raise KitArgumentError(
                f"sr={self.sr} must be one of {rates}, or None to keep each rate"
            )

        read_note_map(self.notes)
        low, high = MIX_RANGE_DB
        if self.mix_levels and self.microphone != MIX:
            raise KitArgumentError("mix_levels are given, but microphone is not 'mix'")
        for name, level_db in self.mix_levels:
            if not low <= level_db <= high:
                raise KitArgumentError(
                    f"the level of {name} in the mix must be {low:g} to {high:g} dB"
                )

    @property
    def keys(self) -> str:
        """Where the keys of the slots come from, in words."""
        own = "your note map; other slots by " if self.notes else ""
        return f"{own}General MIDI Level 1 percussion"

    @property
    def suffix(self) -> str:
        """Extension of the audio files, such as ".wav"."""
        return f".{self.container.lower()}"

    @property
    def step(self) -> float:
        """Quantization step of the format, full scale 1.0."""
        return 2.0 ** (1 - SUBTYPES[self.subtype])
