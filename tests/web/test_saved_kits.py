"""Kits on the page, on the Python side: balance, tuning, kept kits compared and named anew."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.web.state import page, use_store
from catalog.web.views.kit.kit_balance import describe_balance
from tests.signals import SR, as_frames, drum_stroke
from tests.web.test_views import open_part, shown


@pytest.fixture
def kit_page(own):
    """The part "Kit" with three places filled, its balance and comparison open."""
    app = open_part("Kit", slots_to_fill=["kick", "snare", "crash"])
    app.button(key="fill").click().run()
    return app


def save(app, name):
    next(one for one in app.text_input if one.label == "Name of the kit").set_value(name)
    next(one for one in app.button if one.label == "Save").click().run()
    assert not app.exception


def test_the_balance_says_level_pitch_and_what_covers_what(kit_page):
    assert not kit_page.dataframe
    kit_page.session_state["balance_open"] = True
    kit_page.run()
    catalog = page().catalog
    kit = page().kit_session.kit
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


def test_a_tuning_that_is_proposed_is_taken_by_one_press(tmp_path):
    sounds = {"tom_high": 150, "tom_mid": 147, "tom_low": 80}  # two a third of a semitone apart
    folder = tmp_path / "shed"
    folder.mkdir()
    for seed, (name, hz) in enumerate(sounds.items()):
        data = encode_wav(as_frames(drum_stroke(hz, seed=seed, strength=0.3)), sr=SR)
        (folder / f"{name}.wav").write_bytes(data)
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        catalog.scan([folder], n_jobs=1)
    use_store(tmp_path / "drums.sqlite")
    app = open_part("Kit", slots_to_fill=list(sounds), balance_open=True)
    app.button(key="fill").click().run()
    catalog = page().catalog
    (proposal, *_) = catalog.kit_sound.propose_tuning(page().kit_session.kit)
    app.button(key=f"tune_{proposal.slot}").click().run()
    assert not app.exception
    kit = page().kit_session.kit
    assert kit.tuning_semitones[proposal.slot] == proposal.semitones
    page().catalog.close()
    use_store(None)


def test_a_kept_kit_is_compared_named_anew_and_forgotten(kit_page):
    catalog = page().catalog
    save(kit_page, "evening")
    kit_page.session_state["compare_open"] = True
    kit_page.run()
    lines = catalog.kit_sound.compare(catalog.kits.saved()[0], page().kit_session.kit).lines
    assert "the same in both: " in "".join(lines)
    assert "the same in both" in shown(kit_page)
    kit_page.text_input(key="new_name_evening").set_value("night").run()
    kit_page.button(key="rename").click().run()
    assert [kit.name for kit in catalog.kits.saved()] == ["night"]
    assert page().kit_session.kit.name == "night"
    kit_page.text_input(key="new_name_night").set_value(" ").run()
    kit_page.button(key="rename").click().run()
    assert any("the new name is empty" in one.value for one in kit_page.error)
    kit_page.button(key="forget").click().run()
    assert catalog.kits.saved() == []
    assert len(catalog.hits()) == 23
