"""The part "Kit": fill, save, compare, tune and export a kit."""

from __future__ import annotations

import contextlib
import sqlite3

import numpy as np
import pytest

from catalog import Catalog
from catalog.web.state import page
from catalog.web.views.kit.kit_balance import describe_balance
from tests.signals import as_frames, drum_stroke
from tests.web.conftest import page_over, write_stroke
from tests.web.pages import open_part, press, shown


@pytest.fixture
def kit_page(own):
    """The part "Kit" with three slots filled."""
    app = open_part("kit", slots_to_fill=["kick", "snare", "crash"])
    press(app, "fill")
    return app


def save(app, name: str) -> None:
    next(f for f in app.text_input if f.label == "Name of the kit").set_value(name)
    press(app, "Save")


def test_a_kit_is_saved_reopened_compared_renamed_and_deleted(kit_page):
    catalog, kit = page().catalog, page().kit_session.kit
    assert set(kit.slots) == {"kick", "snare", "crash"}
    save(kit_page, "Attic <b>kit</b>")
    assert [saved.name for saved in catalog.kits.saved()] == ["Attic <b>kit</b>"]
    press(kit_page, "start_over")
    assert not page().kit_session.kit.slots
    press(kit_page, "reopen")
    assert page().kit_session.kit.slots == kit.slots

    kit_page.session_state["compare_open"] = True
    kit_page.run()
    lines = catalog.kit_sound.compare(catalog.kits.saved()[0], page().kit_session.kit).lines
    assert "the same in both: " in "".join(lines)
    assert "the same in both" in shown(kit_page)
    kit_page.text_input(key="new_name_Attic <b>kit</b>").set_value("night").run()
    press(kit_page, "rename")
    assert [saved.name for saved in catalog.kits.saved()] == ["night"]
    assert page().kit_session.kit.name == "night"
    kit_page.text_input(key="new_name_night").set_value(" ").run()
    press(kit_page, "rename")
    assert any("the new name is empty" in error.value for error in kit_page.error)
    press(kit_page, "forget")
    assert [saved.name for saved in catalog.kits.saved()] == ["night"]  # until it is confirmed
    assert "Delete night? The recordings stay, and undo brings the kit back." in shown(kit_page)
    press(kit_page, "forget_yes")
    assert catalog.kits.saved() == []
    assert len(catalog.hits()) == 23


def test_an_older_version_of_a_saved_kit_is_taken_back(kit_page):
    catalog = page().catalog
    save(kit_page, "night")
    (first,) = catalog.kits.saved()
    catalog.kits.change("night", lambda kit: kit.with_level("snare", -3.0))
    kit_page.session_state["versions_open"] = True
    kit_page.run()
    assert "before a change of level of snare" in shown(kit_page)
    press(kit_page, "Take back")
    assert catalog.kits.saved() == [first]
    assert len(catalog.kits.versions("night")) == 3


def test_the_balance_shows_level_pitch_and_masking(kit_page):
    assert not kit_page.dataframe
    kit_page.session_state["balance_open"] = True
    kit_page.run()
    catalog, kit = page().catalog, page().kit_session.kit
    table = kit_page.dataframe[0].value
    assert table["slot"].tolist() == ["Kick", "Snare", "Crash"]
    masking = catalog.kit_sound.masking(kit)
    assert table["plays at, LKFS"].tolist() == [round(v, 1) for v in masking.level_lkfs]
    described, shared, lines = describe_balance(catalog, kit)
    assert [shared[name][at] for at, name in enumerate(shared["slot"])] == [100, 100, 100]
    assert shared["Snare"][0] == shared["Kick"][1] == round(100 * masking.overlap[0, 1])
    assert lines == masking.lines
    overlap = masking.overlap.copy()
    np.fill_diagonal(overlap, 0)
    masked = [bool(text) for text in described["shares bands with"]]
    assert masked == (overlap.max(axis=1) >= 0.3).tolist()


def test_a_proposed_tuning_is_applied_by_one_press(tmp_path):
    toms = {"tom_high": 150, "tom_mid": 147, "tom_low": 80}  # two a third of a semitone apart
    (tmp_path / "shed").mkdir()
    for seed, (name, hz) in enumerate(toms.items()):
        wave = as_frames(drum_stroke(hz, seed=seed, strength=0.3))
        write_stroke(tmp_path / "shed" / f"{name}.wav", wave)
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        catalog.scan([tmp_path / "shed"], n_jobs=1)
    with page_over(tmp_path / "drums.sqlite"):
        app = open_part("kit", slots_to_fill=list(toms), balance_open=True)
        press(app, "fill")
        (proposal, *_) = page().catalog.kit_sound.propose_tuning(page().kit_session.kit)
        press(app, f"tune_{proposal.slot}")
        semitones = page().kit_session.kit.tuning_semitones
        assert semitones[proposal.slot] == proposal.semitones


def test_a_kit_is_exported_only_to_a_new_folder_with_a_full_path(kit_page, tmp_path):
    kit_page.text_input(key="export_folder").set_value("relative").run()
    press(kit_page, "export")
    assert any("full path" in warning.value for warning in kit_page.warning)
    folder = tmp_path / "my kit"
    kit_page.text_input(key="export_folder").set_value(str(folder)).run()
    press(kit_page, "export")
    assert any("written to" in success.value for success in kit_page.success)
    assert list(folder.glob("**/*.sfz"))
    press(kit_page, "export")
    assert kit_page.error


def test_a_damaged_saved_kit_is_named_on_the_page(kit_page):
    save(kit_page, "evening")
    with contextlib.closing(sqlite3.connect(page().catalog.store_path)) as db, db:
        db.execute("UPDATE kit SET payload = replace(payload, 'kick', 'kock')")
    kit_page.run()
    assert not kit_page.exception
    assert any("the kit “evening” is damaged" in error.value for error in kit_page.error)
