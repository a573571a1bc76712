"""Names of the notes of pitches."""

from __future__ import annotations

import math

A4_HZ = 440.0  # ISO 16
NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def note_name(hz: float) -> str:
    """Name the nearest equal-tempered note, A4 = 440 Hz (ISO 16), and the cents: "A2 +13 c"."""
    if not (math.isfinite(hz) and hz > 0):
        return ""
    semitones = 69.0 + 12.0 * math.log2(hz / A4_HZ)
    key = round(semitones)
    return f"{NOTE_NAMES[key % 12]}{key // 12 - 1} {round(100 * (semitones - key)):+d} c"
