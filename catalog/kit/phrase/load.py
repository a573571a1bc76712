"""A phrase by its name or from a Standard MIDI File."""

from __future__ import annotations

from collections.abc import Collection

from catalog.kit.phrase.midi import read_midi
from catalog.kit.phrase.phrases import Phrase, select_phrase


def load_phrase(source: str | bytes, slots: Collection[str]) -> Phrase:
    """Return the phrase that a kit plays.

    Parameters
    ----------
    source : str or bytes, a name of `PHRASES` or a whole Standard MIDI File
    slots : collection of str, the filled ones

    Returns
    -------
    Phrase

    Raises
    ------
    KitError
        as `select_phrase` or `read_midi`
    """
    return select_phrase(source, slots) if isinstance(source, str) else read_midi(source, slots)
