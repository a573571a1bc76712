"""Phrases to audition a kit: built in or from a MIDI file, as strokes and as audio."""

from catalog.kit.phrase.midi import load_phrase, phrase_midi, read_midi
from catalog.kit.phrase.phrases import PHRASES, TEMPO_BPM, Event, Phrase, select_phrase
from catalog.kit.phrase.play import CHOKE_S, Performance, Stroke, perform_phrase, render_phrase

__all__ = [
    "CHOKE_S", "PHRASES", "TEMPO_BPM", "Event", "Performance", "Phrase", "Stroke", "load_phrase",
    "perform_phrase", "phrase_midi", "read_midi", "render_phrase", "select_phrase",
]  # fmt: skip
