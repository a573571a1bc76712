"""Phrases to audition a kit, written for this project: strokes in quarter notes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from catalog.errors import KitArgumentError, KitError
from catalog.kit.slots import SLOTS, find_slot

TEMPO_BPM = 96.0
LADDER = (20, 40, 60, 80, 100, 120)  # velocities that reach the layers of most drums


@dataclass(frozen=True)
class Event:
    """One stroke of a phrase: beat in quarter notes, slot, and velocity from 1 to 127."""

    beat: float
    slot: str
    velocity: int


@dataclass(frozen=True)
class Phrase:
    """Strokes in order of time; a MIDI file gets the beats that `TEMPO_BPM` gives its seconds."""

    name: str
    events: tuple[Event, ...]
    left_out: Mapping[int, int] = field(default_factory=dict)  # strokes by key that no slot plays
    notes: tuple[str, ...] = ()  # what was left out or changed


def _bar(first: float, rows: Mapping[str, Sequence[tuple[float, int]]]) -> tuple[Event, ...]:
    return tuple(Event(first + beat, slot, v) for slot, hits in rows.items() for beat, v in hits)


_TWO_BARS = (
    _bar(0.0, {
        "crash": [(0.0, 112)],
        "kick": [(0.0, 118), (1.5, 84), (2.5, 106)],
        "snare": [(1.0, 114), (2.25, 34), (3.0, 110), (3.75, 42)],
        "hat_closed": [(0.5, 70), (1.0, 92), (1.5, 64), (2.0, 96), (2.5, 60), (3.0, 90)],
        "hat_open": [(3.5, 98)],
    })
    + _bar(4.0, {
        "hat_pedal": [(0.0, 80)],
        "kick": [(0.0, 116), (0.75, 76), (2.0, 110)],
        "snare": [(1.0, 116)],
        "ride": [(0.0, 88), (0.5, 62), (1.0, 94), (1.5, 66)],
        "sidestick": [(1.75, 72)],
        "tom_high": [(2.0, 104), (2.25, 82)],
        "tom_mid": [(2.5, 106), (2.75, 86)],
        "tom_low": [(3.0, 110), (3.25, 90), (3.5, 114)],
    })
    + _bar(8.0, {"crash": [(0.0, 122)], "kick": [(0.0, 122)]})
)  # fmt: skip
_AROUND = (
    _bar(0.0, {
        "kick": [(0.0, 112), (2.0, 104)],
        "snare": [(0.5, 60), (0.75, 72), (1.0, 88)],
        "tom_high": [(1.25, 76), (1.5, 96), (1.75, 84)],
        "tom_mid": [(2.25, 84), (2.5, 100), (2.75, 88)],
        "tom_low": [(3.0, 108), (3.25, 92), (3.5, 118)],
    })
    + _bar(4.0, {"crash": [(0.0, 118)], "kick": [(0.0, 120)], "ride_bell": [(1.0, 90)]})
)  # fmt: skip
_SOFT = _bar(0.0, {
    "ride": [(0.0, 54), (1.0, 62), (1.66, 40), (2.0, 56), (3.0, 64), (3.66, 42)],
    "hat_pedal": [(1.0, 48), (3.0, 50)],
    "kick": [(0.0, 38), (2.66, 44)],
    "snare": [(0.66, 16), (1.66, 24), (2.33, 18), (3.33, 30)],
    "sidestick": [(3.0, 46)],
})  # fmt: skip
_HATS = _bar(0.0, {
    "hat_closed": [(0.0, 96), (0.5, 58), (1.0, 90), (2.0, 94), (2.5, 60), (3.5, 72)],
    "hat_open": [(1.5, 100), (3.0, 82)],
    "hat_pedal": [(1.75, 76), (3.25, 70)],
    "kick": [(0.0, 108), (2.0, 104)],
})  # fmt: skip

PHRASES: MappingProxyType[str, str] = MappingProxyType({
    "two bars": "a beat and a fill on the toms, after one stroke on each other slot",
    "around": "from the snare down the toms",
    "soft": "under the middle of the velocities",
    "hats": "the hats stop one another",
    "ladder": "every slot by itself from weak to strong",
})  # fmt: skip
_FIXED = {"around": _AROUND, "soft": _SOFT, "hats": _HATS}


def select_phrase(name: str, slots: Collection[str]) -> Phrase:
    """Reduce one of `PHRASES` to the slots that a kit fills, in order of time, then of key.

    Raises
    ------
    KitError
        if there is no such phrase, there are no slots, one is unknown, or the phrase uses none
    """
    if name not in PHRASES:
        raise KitArgumentError(f"phrase={name!r} is not one of {', '.join(PHRASES)}")
    for slot in slots:
        find_slot(slot)
    if not slots:
        raise KitError("the kit is empty: fill at least one slot")
    if name == "two bars":
        events = _two_bars(slots)
    elif name == "ladder":
        events = _ladder(slots)
    else:
        events = _in_order([event for event in _FIXED[name] if event.slot in slots])
    if not events:
        raise KitError(f"the kit has none of the slots that {name!r} is played on")
    return Phrase(name, events)


def _two_bars(slots: Collection[str]) -> tuple[Event, ...]:
    """Return the two bars, after one stroke on each slot that they do not use."""
    in_phrase = {event.slot for event in _TWO_BARS}
    others = sorted((n for n in slots if n not in in_phrase), key=lambda n: SLOTS[n].note)
    first = [Event(float(at), name, 100) for at, name in enumerate(others)]
    shift = float(-(-len(others) // 4) * 4)  # whole bars
    events = [Event(e.beat + shift, e.slot, e.velocity) for e in _TWO_BARS if e.slot in slots]
    return _in_order(first + events)


def _ladder(slots: Collection[str]) -> tuple[Event, ...]:
    filled = [name for name in SLOTS if name in slots]
    return tuple(
        Event(4.0 * bar + 0.5 * step, name, velocity)
        for bar, name in enumerate(filled)
        for step, velocity in enumerate(LADDER)
    )


def _in_order(events: Sequence[Event]) -> tuple[Event, ...]:
    return tuple(sorted(events, key=lambda e: (e.beat, SLOTS[e.slot].note)))
