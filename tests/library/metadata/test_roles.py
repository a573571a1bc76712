from __future__ import annotations

import numpy as np
import pytest

from catalog.library.metadata.roles import (
    UNKNOWN_CONFIDENCE,
    combine_role,
    is_instrument,
    role_from_name,
    split_words,
)
from catalog.models import ROLES

TOLD = {
    "kick": "BD_01 kick02 Kick-Soft bassdrum04 Bass_Drum_New KdrumL kik-in 2-KDrum-OHR",
    "snare": "snare_01 SN3 sd12 Snr-1 SnareRimshot-Soft rim_shot_2 Snare_bottom SnareOff",
    "sidestick": "SideStick xstick_3 cross-stick side_stick01 rim rim_click_2 RimTap",
    "clap": "clap01 Hand_Clap HandClaps",
    "hat_closed": "HihatClosed hh_closed_3 hats-closed CHH01 hi-hat_tight hat HatClosed-Soft",
    "hat_pedal": "HatPedal-Hard hihat_foot Hi-Hat_Pedal PHH hh_ped",
    "hat_open": "hihat_opened02 OHH Hi-Hat_Half-Open HatSemiOpen hh-loose open_hat cymbal_open",
    "tom": "Tom1 tom_low01 FloorTom floor_3 FT2 racktom 3-Tom4-AmbL",
    "crash": "crash01 CrashR crsh_2 Cymbal Crash_Cymbal_1",
    "ride": "ride RideL-OHL Cymbal_Ride_2 24Ride-1 ride_bow",
    "ride_bell": "RideLBell ride_bell Bell_Ride 053_BellRide Bell-Soft ride_R_bell",
    "splash": "Splash splash_hard",
    "china": "China China_Crash ChinaCrashCymb chinese_cymbal",
    "cowbell": "Cowbell cow_bell_2 CowBell",
    "tambourine": "tamb_1 Brass_Tambourine",
    "shaker": "shaker03 Maracas Cabasa",
    "wood": "Claves wood_block Woodblock Castanet",
    "conga_bongo": "Open_Hi_Conga Bongo_Rim Low_Tumba",
    "timbale_agogo": "High_Timbale agogo_low",
    "other": "Triangle guiro vibra_slap bell_tree Sleigh_Bells Metronome_Bell Sticks finger_snap",
}
ANSWERS = [(name, role) for role, names in TOLD.items() for name in names.split()]
SILENT = """
    Brideshead Bassoon Stick sndrm Studio bass_guitar bridesmaid custom kickstarter overridea
    snapchatter crashed001x strident chinaware whatever chatter phat that 001 Take_3 OHL room
    tomato atom Bdellium
"""


@pytest.mark.parametrize(("name", "role"), ANSWERS)
def test_the_usual_words_name_their_roles(name, role):
    estimate = role_from_name(f"/music/{name}.wav", root="/music")
    assert estimate is not None
    assert estimate[0] == role
    assert 0.4 <= estimate[1] <= 1.0


@pytest.mark.parametrize("name", SILENT.split())
def test_similar_words_name_no_role(name):
    assert role_from_name(f"/music/{name}.wav", root="/music") is None


@pytest.mark.parametrize(
    ("path", "role"),
    [
        ("Kick/snare_01.wav", "snare"),
        ("Snare/01.wav", "snare"),
        ("Hats closed/01.wav", "hat_closed"),
        ("Hats/open_01.wav", "hat_closed"),  # a state without its hat is not read into the folder's
        ("Toms/Snare buzz/07.wav", "snare"),
        ("Floor Tom 2/soft/07.wav", "tom"),
    ],
)
def test_the_name_of_the_file_counts_before_the_nearest_folder(path, role):
    estimate = role_from_name(f"/music/{path}", root="/music")
    assert estimate is not None
    assert estimate[0] == role


def test_folders_above_the_root_are_not_read_but_the_root_is():
    assert role_from_name("/kick/set/01.wav", root="/kick/set") is None
    assert role_from_name("/set/kick/01.wav", root="/set/kick") is not None


@pytest.mark.parametrize("folder", ["Bell Road 12", "Wood Lane", "Floor recordings", "Cy at home"])
def test_an_address_is_not_an_instrument(folder):
    assert role_from_name(f"/music/{folder}/01.wav", root="/music") is None


def test_clearer_names_have_more_confidence():
    def confidence(path):
        estimate = role_from_name(f"/music/{path}", root="/music")
        assert estimate is not None
        return estimate[1]

    assert confidence("snare.wav") > confidence("Snare/1.wav") > confidence("Snare tests/1.wav")
    assert confidence("hat_closed.wav") > confidence("hat.wav")
    assert confidence("kick.wav") > confidence("kick_or_snare.wav")
    assert confidence("crash.wav") > confidence("cymbal.wav")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("RideLBell2", ["ride", "l", "bell", "2"]),
        ("3-Tom4_OHL", ["3", "tom", "4", "ohl"]),
        ("CHHTight", ["chh", "tight"]),
        ("Caisse Claire é2", ["caisse", "claire", "é", "2"]),
        ("...", []),
    ],
)
def test_names_are_split_at_digits_and_capitals(text, words):
    assert split_words(text) == words


def test_the_folder_of_an_instrument_holds_only_its_name():
    assert is_instrument(split_words("Floor Tom 2"))
    assert is_instrument(split_words("HihatClosed"))
    assert not is_instrument(split_words("Snare session"))
    assert not is_instrument(split_words("left right"))


def chances(**given):
    table = np.full(len(ROLES), 0.001, dtype=np.float32)
    for role, chance in given.items():
        table[ROLES.index(role)] = chance
    return table


def test_the_name_counts_before_the_sound_with_less_confidence_if_the_sound_contradicts():
    assert combine_role(("tom", 0.9), chances(kick=0.6, tom=0.3)) == ("tom", 0.9, "name")
    assert combine_role(("tom", 0.9), chances(splash=0.95)) == ("tom", 0.45, "name")


def test_without_a_name_the_sound_sets_the_role():
    role, confidence, source = combine_role(None, chances(shaker=0.7))
    assert (role, source) == ("shaker", "sound")
    assert confidence == pytest.approx(0.7)


@pytest.mark.parametrize("nothing", [None, np.full(20, 0.05, dtype=np.float32)])
def test_without_name_and_sound_the_role_is_other(nothing):
    assert combine_role(None, nothing) == ("other", UNKNOWN_CONFIDENCE, "sound")


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("closehihat3", "hat_closed"), ("foothat2", "hat_pedal"), ("X Hat 1 Op", "hat_open"),
        ("Hat_Pd", "hat_pedal"), ("Große Trommel 2", "kick"), ("caisse claire 1", "snare"),
        ("Charleston fermé", "hat_closed"), ("charley ouvert 3", "hat_open"), ("rullante", "snare"),
        ("bombo 1", "kick"), ("Pandeiro 2", "tambourine"), ("Kuhglocke", "cowbell"),
    ],
)  # fmt: skip
def test_joined_words_and_other_languages_are_read(name, role):
    # Dictionaries of German, French, Spanish, Italian and Portuguese, from memory.
    assert role_from_name(f"/set/{name}.wav", root="/set")[0] == role


@pytest.mark.parametrize("before", ["K1_", "03 ", "Old machine "])
def test_codes_are_read_behind_what_all_names_of_the_folder_begin_with(tmp_path, before):
    codes = {"BD": "kick", "SD": "snare", "CH": "hat_closed", "OH": "hat_open", "RS": "sidestick",
             "LT": "tom", "CP": "clap"}  # fmt: skip
    for code in codes:
        (tmp_path / f"{before}{code}_01.wav").touch()
    (tmp_path / "cover.jpg").touch()
    for code, role in codes.items():
        assert role_from_name(tmp_path / f"{before}{code}_01.wav", root=tmp_path)[0] == role


def test_an_overhead_microphone_is_no_open_hat(tmp_path):
    drums = {"kick": "kick", "snare": "snare", "tom": "tom", "ride": "ride", "BD": "kick"}
    for drum in drums:
        (tmp_path / f"{drum} OH.wav").touch()
    for drum, role in drums.items():
        assert role_from_name(tmp_path / f"{drum} OH.wav", root=tmp_path)[0] == role


# German, French, Spanish, Italian, Portuguese and Dutch words for drums: dictionaries, from memory.
@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Hängetom 2", "tom"), ("Ha\u0308ngetom", "tom"), ("HiHat auf", "hat_open"),
        ("HiHat zu", "hat_closed"), ("Randschlag", "snare"), ("Holzblock", "wood"),
        ("charles fermé", "hat_closed"), ("charleston entrouvert", "hat_open"),
        ("contratiempo pie", "hat_pedal"), ("aro 1", "sidestick"), ("timpano", "tom"),
        ("tamburello", "tambourine"), ("campanaccio", "cowbell"),
        ("contratempo aberto", "hat_open"),
        ("hihat pedaal", "hat_pedal"), ("hi-hat dicht", "hat_closed"), ("koebel", "cowbell"),
        ("hhop 1", "hat_open"), ("hhcl_2", "hat_closed"), ("HHPD", "hat_pedal"),
    ],
)  # fmt: skip
def test_words_of_other_languages_and_joined_codes_are_read(tmp_path, name, role):
    assert role_from_name(tmp_path / f"{name}.wav", root=tmp_path)[0] == role


def test_codes_of_two_letters_are_read_beside_others_only(tmp_path):
    codes = {
        "BD": "kick", "SD": "snare", "CH": "hat_closed", "OH": "hat_open", "LT": "tom",
        "CP": "clap", "CB": "cowbell", "RC": "ride", "RS": "sidestick",
    }  # fmt: skip
    for code in codes:
        (tmp_path / f"{code}01.wav").touch()
    for code, role in codes.items():
        assert role_from_name(tmp_path / f"{code}01.wav", root=tmp_path)[0] == role
    alone = tmp_path / "overheads"
    alone.mkdir()
    (alone / "OH01.wav").touch()
    assert role_from_name(alone / "OH01.wav", root=alone) is None
