"""The table of slots: every role has a place, no key plays two slots."""

import pytest

from catalog.errors import KitError
from catalog.kit.slots import SLOTS, assign_notes, find_slot, gm_name
from catalog.models import ROLES


def test_every_role_fills_at_least_one_slot():
    assert {role for slot in SLOTS.values() for role in slot.roles} == set(ROLES)


def test_every_slot_has_keys_of_its_own_within_general_midi():
    notes = [slot.note for slot in SLOTS.values()]
    assert len(set(notes)) == len(notes)
    assert all(gm_name(note) for slot in SLOTS.values() for note in (slot.note, *slot.also))
    notes = [note for keys in assign_notes(tuple(SLOTS)).values() for note in keys]
    assert len(set(notes)) == len(notes)


def test_a_single_kick_is_on_both_bass_drum_keys_until_there_is_a_second():
    assert assign_notes(("kick",)) == {"kick": (36, 35)}
    assert assign_notes(("kick", "kick_2")) == {"kick": (36,), "kick_2": (35,)}


def test_an_unknown_slot_is_refused_with_the_known_ones():
    with pytest.raises(KitError, match=r"slot='gong' is not one of kick, kick_2") as caught:
        find_slot("gong")
    assert caught.value.slot == "gong"
