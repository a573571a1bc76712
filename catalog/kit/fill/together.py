"""Hits that belong together: strokes of one pair of hats, the toms of one set, one ride cymbal.

They come from one session, and hats and rides of one session that have several of them from one
instrument: their names agree but for the words of how they are played.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from catalog.kit.slots import HAT_SLOTS, TOMS
from catalog.library.metadata.roles import split_words, word_set
from catalog.library.strokes.represent import distance_class
from catalog.models import Hit

FAMILIES: tuple[tuple[str, ...], ...] = (HAT_SLOTS, TOMS, ("ride", "ride_bell"))
# how a cymbal is played, not which it is: common practice, no source
PLAYED = word_set(
    "closed close tight shut open opened half loose slosh sloshy pedal foot chick splash bell edge"
    " bow cup tip shank soft medium hard loud ghost"
)
REGISTERS = {
    **dict.fromkeys(("floor", "low", "lo", "deep"), 0),
    **dict.fromkeys(("mid", "middle", "medium"), 1),
    **dict.fromkeys(("high", "hi", "rack", "small"), 2),
}  # of toms, by name
APART = 4.0  # for hits of one family from two sessions; more than all that the sound can cost
OTHER_INSTRUMENT = 1.0  # for two hats or two rides of one session
OTHER_MICROPHONE = 0.3  # for a close microphone beside a far one


def number_sessions(hits: Sequence[Hit]) -> np.ndarray:
    """Return the number of the session of each hit, int, shape (n,); -1 if it is unknown."""
    return _number([hit.session for hit in hits])


def number_instruments(hits: Sequence[Hit]) -> np.ndarray:
    """Return the number of the instrument by its name, int, shape (n,); -1 if it is unknown."""
    keys = []
    for hit in hits:
        words = [word for word in split_words(hit.drum) if word not in PLAYED]
        keys.append("\n".join((hit.session, *words)) if hit.drum else "")
    return _number(keys)


def number_microphones(hits: Sequence[Hit]) -> np.ndarray:
    """Return how far the microphone of each hit is, see `distance_class`; -1 if it is unknown."""
    return np.array([distance_class(hit) if hit.microphone else -1 for hit in hits], np.int64)


def name_register(hit: Hit) -> int | None:
    """Return 0 for a tom that is low by its name, 1 for a middle, 2 for a high one, else None."""
    found = {REGISTERS[w] for w in split_words(f"{hit.drum} {hit.stem}") if w in REGISTERS}
    return found.pop() if len(found) == 1 else None


def _number(keys: Sequence[str]) -> np.ndarray:
    numbers: dict[str, int] = {}
    found = [numbers.setdefault(key, len(numbers)) if key else -1 for key in keys]
    return np.array(found, dtype=np.int64)


def are_family(first: str, second: str) -> bool:
    """Return whether two slots are played on one instrument or one set of toms."""
    return any(first in family and second in family for family in FAMILIES)


def apart_cost(
    numbers: Mapping[str, np.ndarray], first: tuple[str, np.ndarray], second: tuple[str, np.ndarray]
) -> np.ndarray:
    """Cost (a, b) of hits that do not belong together.

    Parameters
    ----------
    numbers : mapping of "session", "instrument" and "microphone" to int, shape (n,)
    first, second : slot name, and the rows that may fill it
    """
    (slot_a, rows_a), (slot_b, rows_b) = first, second

    def differ(name: str) -> np.ndarray:
        a, b = numbers[name][rows_a][:, None], numbers[name][rows_b][None, :]
        return np.asarray((a >= 0) & (b >= 0) & (a != b))

    cost = OTHER_MICROPHONE * differ("microphone").astype(np.float64)
    if are_family(slot_a, slot_b):
        cost += APART * differ("session")
        if slot_a in TOMS:  # strokes of one tom are no set
            instruments = [numbers["instrument"][rows] for rows in (rows_a, rows_b)]
            same = instruments[0][:, None] == instruments[1][None, :]
            cost += 2.0 * APART * (same & (instruments[0] >= 0)[:, None])
        else:
            cost += OTHER_INSTRUMENT * (differ("instrument") & ~differ("session"))
    return cost


def order_toms(
    rows: Mapping[str, int], *, pitch: np.ndarray, hits: Sequence[Hit], free: Sequence[str]
) -> dict[str, int]:
    """Return the rows of a kit with its free toms in order: the lowest in the low slot.

    By pitch (semitones, NaN if unknown) where all of them have one, else by their names.
    """
    slots = [name for name in TOMS if name in rows and name in free]
    known = [rows[name] for name in slots]
    keys = [float(pitch[row]) for row in known]
    if np.isnan(keys).any():
        registers = [name_register(hits[row]) for row in known]
        if any(register is None for register in registers):
            return dict(rows)
        keys = [float(register) for register in registers if register is not None]
    ordered = [row for _, row in sorted(zip(keys, known, strict=True))]
    return {**rows, **dict(zip(slots, ordered, strict=True))}
