"""To hear a kit: short invented phrases or any MIDI file, as a list of strokes and as sound."""

from catalog.kit.phrase.midi import phrase_midi, read_midi
from catalog.kit.phrase.phrases import PHRASES, TEMPO_BPM, Event, Phrase, phrase_for, read_phrase
from catalog.kit.phrase.play import (
    CHOKE_S,
    Performance,
    Stroke,
    perform,
    perform_phrase,
    render_phrase,
)

__all__ = [
    "CHOKE_S",
    "PHRASES",
    "TEMPO_BPM",
    "Event",
    "Performance",
    "Phrase",
    "Stroke",
    "perform",
    "perform_phrase",
    "phrase_for",
    "phrase_midi",
    "read_midi",
    "read_phrase",
    "render_phrase",
]
