"""The slots of a kit: the roles that fill them, the keys that play them, their choke groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from catalog.errors import KitArgumentError

GM_FIRST_KEY = 35
GM_NAMES: tuple[str, ...] = (
    "Acoustic Bass Drum", "Bass Drum 1", "Side Stick", "Acoustic Snare", "Hand Clap",
    "Electric Snare", "Low Floor Tom", "Closed Hi Hat", "High Floor Tom", "Pedal Hi-Hat",
    "Low Tom", "Open Hi-Hat", "Low-Mid Tom", "Hi-Mid Tom", "Crash Cymbal 1", "High Tom",
    "Ride Cymbal 1", "Chinese Cymbal", "Ride Bell", "Tambourine", "Splash Cymbal", "Cowbell",
    "Crash Cymbal 2", "Vibraslap", "Ride Cymbal 2", "Hi Bongo", "Low Bongo", "Mute Hi Conga",
    "Open Hi Conga", "Low Conga", "High Timbale", "Low Timbale", "High Agogo", "Low Agogo",
    "Cabasa", "Maracas", "Short Whistle", "Long Whistle", "Short Guiro", "Long Guiro", "Claves",
    "Hi Wood Block", "Low Wood Block", "Mute Cuica", "Open Cuica", "Mute Triangle",
    "Open Triangle",
)  # fmt: skip
HIGHEST_NOTE = 127  # of MIDI
NoteMap = Mapping[str, tuple[int, ...]]  # MIDI keys by slot, the first plays it in MIDI files
NO_NOTES: NoteMap = MappingProxyType({})
HATS = 1  # choke group: the hats of one pair stop each other


@dataclass(frozen=True)
class Slot:
    """One slot of a kit."""

    name: str
    roles: tuple[str, ...]  # that may fill it, the one that `fill_kit` uses first
    note: int  # MIDI key that plays it
    also: tuple[int, ...] = ()  # further keys, where no other filled slot has them as its `note`
    choke: int = 0  # number of a group whose slots stop each other; 0 for none
    second_choice: bool = False  # General MIDI Level 1 has no key for it: `note` is the nearest


_TABLE: tuple[Slot, ...] = (
    Slot("kick", ("kick",), 36, (35,)),
    Slot("kick_2", ("kick",), 35),
    Slot("snare", ("snare",), 38, (40,)),
    Slot("snare_2", ("snare",), 40),
    Slot("sidestick", ("sidestick",), 37),
    Slot("clap", ("clap",), 39),
    Slot("hat_closed", ("hat_closed",), 42, choke=HATS),
    Slot("hat_pedal", ("hat_pedal",), 44, choke=HATS),
    Slot("hat_open", ("hat_open",), 46, choke=HATS),
    Slot("tom_low", ("tom",), 45, (41, 43)),
    Slot("tom_mid", ("tom",), 47),
    Slot("tom_high", ("tom",), 50, (48,)),
    Slot("crash", ("crash",), 49, (57,)),
    Slot("crash_2", ("crash",), 57),
    Slot("ride", ("ride",), 51, (59,)),
    Slot("ride_2", ("ride",), 59),
    Slot("ride_bell", ("ride_bell",), 53),
    Slot("splash", ("splash",), 55),
    Slot("china", ("china",), 52),
    Slot("cowbell", ("cowbell",), 56),
    Slot("tambourine", ("tambourine",), 54),
    Slot("shaker", ("shaker",), 70, (69,), second_choice=True),
    Slot("wood", ("wood",), 76, (77, 75)),
    Slot("wood_2", ("wood",), 77),
    Slot("conga", ("conga_bongo",), 63, (62, 60)),
    Slot("conga_2", ("conga_bongo",), 64, (61,)),
    Slot("timbale", ("timbale_agogo",), 65, (67,)),
    Slot("timbale_2", ("timbale_agogo",), 66, (68,)),
    Slot("extra", ("other",), 58, second_choice=True),
)
SLOTS: MappingProxyType[str, Slot] = MappingProxyType({slot.name: slot for slot in _TABLE})
DEFAULT_SLOTS: tuple[str, ...] = (  # of a usual kit: filled unless others are wanted
    "kick", "snare", "sidestick", "hat_closed", "hat_pedal", "hat_open",
    "tom_low", "tom_mid", "tom_high", "crash", "ride",
)  # fmt: skip
TOMS: tuple[str, ...] = ("tom_low", "tom_mid", "tom_high")
HAT_SLOTS: tuple[str, ...] = tuple(slot.name for slot in _TABLE if slot.choke == HATS)


def find_slot(name: str) -> Slot:
    """Look up a slot by its name.

    Raises
    ------
    KitError
        if there is no such slot
    """
    if name not in SLOTS:
        raise KitArgumentError(
            f"there is no slot {name!r}; the slots are {', '.join(SLOTS)}", slot=name
        )
    return SLOTS[name]


def gm_name(note: int) -> str:
    """Return the name of a General MIDI Level 1 percussion key, "" outside 35 to 81.

    References
    ----------
    General MIDI System Level 1, MIDI Manufacturers Association, 1991, table 3 "Percussion Key Map";
    written down from memory.
    """
    index = note - GM_FIRST_KEY
    return GM_NAMES[index] if 0 <= index < len(GM_NAMES) else ""


def read_note_map(values: Mapping[str, Any]) -> dict[str, tuple[int, ...]]:
    """Return the keys that a user gives to slots, each a MIDI note or several, as a note map.

    Raises
    ------
    KitArgumentError
        if a slot is unknown, a key is no number from 0 to 127, or two slots have one key
    """
    notes: dict[str, tuple[int, ...]] = {}
    for name, value in values.items():
        keys = tuple(value) if isinstance(value, Sequence) and value else (value,)
        if not all(type(key) is int and 0 <= key <= HIGHEST_NOTE for key in keys):
            text = f"the note of {find_slot(name).name} must be 0 to {HIGHEST_NOTE}, or a list"
            raise KitArgumentError(f"{text} of such numbers, not {value!r}", slot=name)
        notes[find_slot(name).name] = tuple(dict.fromkeys(keys))
    _check_apart(notes)
    return notes


def _check_apart(notes: NoteMap) -> None:
    """Raise `KitArgumentError` if two slots have one key."""
    slot_of: dict[int, str] = {}
    for name, keys in notes.items():
        for key in keys:
            if (other := slot_of.setdefault(key, name)) != name:
                raise KitArgumentError(
                    f"{other} and {name} are both on MIDI note {key}; give one of them another"
                    " note in the note map",
                    slot=name,
                )


def assign_notes(slots: tuple[str, ...], own: NoteMap = NO_NOTES) -> dict[str, tuple[int, ...]]:
    """Assign keys to every filled slot: its own, then those of `also` that are free.

    Parameters
    ----------
    slots : tuple of str
    own : mapping of slot to keys, these in place of the standard ones

    Raises
    ------
    KitArgumentError
        if a slot is unknown, or a slot of `own` has the key of another one
    """
    notes = {name: own.get(find_slot(name).name, (SLOTS[name].note,)) for name in slots}
    _check_apart(notes)
    taken = {key for keys in notes.values() for key in keys}
    for name in (name for name in slots if name not in own):
        extra = tuple(note for note in SLOTS[name].also if note not in taken)
        taken.update(extra)
        notes[name] += extra
    return notes
