"""Key names against General MIDI System Level 1, as a library of other people wrote them down.

Source of the table: `DRUM_MAP` in constants.py of pretty_midi 0.2.11 (MIT licence), which follows
the General MIDI Level 1 percussion key map of the MIDI Manufacturers Association, keys 35 to 81.
"""

import pytest

from catalog.kit.slots import GM_NAMES, SLOTS, gm_name

DRUM_MAP = [
    "Acoustic Bass Drum", "Bass Drum 1", "Side Stick", "Acoustic Snare", "Hand Clap",
    "Electric Snare", "Low Floor Tom", "Closed Hi Hat", "High Floor Tom", "Pedal Hi Hat", "Low Tom",
    "Open Hi Hat", "Low-Mid Tom", "Hi-Mid Tom", "Crash Cymbal 1", "High Tom", "Ride Cymbal 1",
    "Chinese Cymbal", "Ride Bell", "Tambourine", "Splash Cymbal", "Cowbell", "Crash Cymbal 2",
    "Vibraslap", "Ride Cymbal 2", "Hi Bongo", "Low Bongo", "Mute Hi Conga", "Open Hi Conga",
    "Low Conga", "High Timbale", "Low Timbale", "High Agogo", "Low Agogo", "Cabasa", "Maracas",
    "Short Whistle", "Long Whistle", "Short Guiro", "Long Guiro", "Claves", "Hi Wood Block",
    "Low Wood Block", "Mute Cuica", "Open Cuica", "Mute Triangle", "Open Triangle",
]  # fmt: skip


def plain(name: str) -> str:
    return name.replace("-", " ").lower()


def test_every_key_from_35_to_81_has_its_name():
    assert [plain(gm_name(35 + i)) for i in range(47)] == [plain(name) for name in DRUM_MAP]
    assert len(GM_NAMES) == 81 - 35 + 1
    assert gm_name(34) == "" == gm_name(82)


@pytest.mark.parametrize(
    ("slot", "name"),
    [
        ("kick", "Bass Drum 1"), ("snare", "Acoustic Snare"), ("sidestick", "Side Stick"),
        ("clap", "Hand Clap"), ("hat_closed", "Closed Hi Hat"), ("hat_pedal", "Pedal Hi Hat"),
        ("hat_open", "Open Hi Hat"), ("tom_low", "Low Tom"), ("tom_mid", "Low-Mid Tom"),
        ("tom_high", "High Tom"), ("crash", "Crash Cymbal 1"), ("crash_2", "Crash Cymbal 2"),
        ("ride", "Ride Cymbal 1"), ("ride_2", "Ride Cymbal 2"), ("ride_bell", "Ride Bell"),
        ("splash", "Splash Cymbal"), ("china", "Chinese Cymbal"), ("cowbell", "Cowbell"),
        ("tambourine", "Tambourine"), ("wood", "Hi Wood Block"), ("conga", "Open Hi Conga"),
        ("timbale", "High Timbale"),
    ],
)  # fmt: skip
def test_a_slot_is_on_the_key_of_its_name(slot, name):
    assert plain(DRUM_MAP[SLOTS[slot].note - 35]) == plain(name)


WORDS = {
    "kick": "bass drum", "snare": "snare", "sidestick": "side stick", "clap": "clap", "tom": "tom",
    "hat_closed": "hi hat", "hat_pedal": "hi hat", "hat_open": "hi hat", "crash": "crash",
    "ride": "ride cymbal", "ride_bell": "ride bell", "splash": "splash", "china": "chinese",
    "cowbell": "cowbell", "tambourine": "tambourine", "wood": "wood block|claves",
    "conga_bongo": "conga|bongo", "timbale_agogo": "timbale|agogo", "shaker": "maracas|cabasa",
}  # fmt: skip


def test_every_further_key_of_a_slot_names_its_instrument():
    for slot in SLOTS.values():
        names = [plain(DRUM_MAP[note - 35]) for note in (slot.note, *slot.also)]
        words = WORDS.get(slot.roles[0], "").split("|")
        assert all(any(word in name for word in words) for name in names), (slot.name, names)
    pair = SLOTS["timbale"], SLOTS["timbale_2"]
    halves = [[plain(gm_name(n)).split()[0] for n in (slot.note, *slot.also)] for slot in pair]
    assert halves == [["high", "high"], ["low", "low"]]


def test_slots_without_a_general_midi_key_are_marked():
    assert {name for name, slot in SLOTS.items() if slot.second_choice} == {"shaker", "extra"}
