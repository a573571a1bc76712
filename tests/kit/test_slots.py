"""The table of slots: every role has a place, no key plays two slots."""

import pytest

from catalog.errors import KitError
from catalog.kit.slots import SLOTS, assign_notes, find_slot, gm_name, read_note_map
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
    with pytest.raises(
        KitError, match=r"there is no slot 'gong'; the slots are kick, kick_2"
    ) as caught:
        find_slot("gong")
    assert caught.value.slot == "gong"


def test_the_users_keys_stand_in_place_of_the_standard_ones():
    own = read_note_map({"kick": 35, "snare": [31, 33]})
    assert own == {"kick": (35,), "snare": (31, 33)}
    assert assign_notes(("kick", "snare", "tom_low"), own) == {
        "kick": (35,), "snare": (31, 33), "tom_low": (45, 41, 43)
    }  # fmt: skip
    assert assign_notes(("snare", "tom_low"), {"snare": (41,)})["tom_low"] == (45, 43)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"gong": 36}, "there is no slot 'gong'"),
        ({"kick": 128}, "the note of kick must be 0 to 127"),
        ({"kick": -1}, "the note of kick must be 0 to 127"),
        ({"kick": "C1"}, "the note of kick must be 0 to 127"),
        ({"kick": True}, "the note of kick must be 0 to 127"),
        ({"kick": []}, "the note of kick must be 0 to 127"),
        ({"kick": 36, "snare": [38, 36]}, "kick and snare are both on MIDI note 36"),
    ],
)
def test_keys_that_cannot_be_are_refused(values, words):
    with pytest.raises(KitError, match=words):
        read_note_map(values)


def test_a_users_key_that_is_the_standard_one_of_another_slot_is_refused():
    with pytest.raises(KitError, match="kick and snare are both on MIDI note 36"):
        assign_notes(("kick", "snare"), {"snare": (36,)})
