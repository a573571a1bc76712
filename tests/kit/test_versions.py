"""A saved kit cannot be lost: each saved state stays, and a deleted kit comes back."""

from __future__ import annotations

import json

import pytest

from catalog import KitError, StoreError
from catalog.__main__ import main
from catalog.kit.change import describe_change, list_versions, take_back_version
from catalog.kit.model import Kit
from catalog.library.store.store import Store

FIRST = Kit("evening", {"kick": (1,), "snare": (2,)})


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "drums.sqlite") as opened:
        opened.kits.save("evening", FIRST.to_json())
        opened.kits.save("night", FIRST.to_json())
        opened.kits.save("evening", FIRST.with_level("snare", -3.0).to_json())
        yield opened


def test_a_kit_keeps_its_id_and_its_place_through_a_save_and_a_new_name(store):
    before = [(kit.name, kit.kit_id) for kit in store.kits.read()]
    assert before == [("evening", 1), ("night", 2)]
    store.kits.save("evening", FIRST.to_json())
    store.kits.rename("evening", "late")
    assert [(kit.name, kit.kit_id) for kit in store.kits.read()] == [("late", 1), ("night", 2)]
    store.kits.delete("night")
    store.kits.save("night", FIRST.to_json())
    assert [kit.kit_id for kit in store.kits.read()] == [1, 5]  # a number is not used twice


def test_each_saved_state_is_a_version_that_can_be_taken_back(store):
    first, second = list_versions(store, "evening")
    assert (first.kit, second.kit) == (FIRST, FIRST.with_level("snare", -3.0))
    assert describe_change(first.kit, second.kit) == "level of snare"
    assert take_back_version(store, "evening", first.version) == FIRST
    assert len(list_versions(store, "evening")) == 3
    assert store.acts.last_done().verb == "take back kit"
    with pytest.raises(KitError, match=r"has no version 99; its versions are 1, 3, 4$"):
        take_back_version(store, "evening", 99)
    with pytest.raises(StoreError, match="no kit is named 'dawn'"):
        list_versions(store, "dawn")


def test_the_change_of_a_version_is_told_in_words():
    other = Kit("evening", {"kick": (5,), "tom_low": (3,)}, tuning_semitones={"kick": 1.0})
    assert describe_change(None, FIRST) == "first saved, with kick, snare"
    assert describe_change(FIRST, other) == "hits of kick, snare, tom_low; tuning of kick"
    assert describe_change(FIRST, FIRST) == "the same hits, levels and tunings"


def test_versions_by_the_command_line(store, capsys):
    def call(*arguments):
        code = main([*arguments, "--store", str(store.path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    out = call("kits", "evening")[1]
    assert "     1  " in out
    assert out.endswith("level of snare\n")
    versions = json.loads(call("kits", "evening", "--json")[1])
    assert [each["version"] for each in versions] == [1, 3]
    assert call("kits", "dawn")[0] == 2
    assert call("kits", "--take-back", "1")[0] == 2
    code, out, _ = call("delete-kit", "evening")
    assert (code, "catalog undo` brings it back" in out) == (0, True)
    assert call("delete-kit", "evening", "--yes")[0] == 0
    assert call("undo")[0] == 0
    assert len(list_versions(store, "evening")) == 2
