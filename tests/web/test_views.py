from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

import catalog.web
from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.web.columns import make_columns, match_level
from catalog.web.kit_session.actions import change_slot
from catalog.web.payloads import find_dense_regions
from catalog.web.state import page, use_store
from catalog.web.views.browse.search_filter import Wanted, make_mask

SCRIPT = Path(catalog.web.__file__).with_name("script.py")


def open_part(part: str | None = None, **state: object) -> AppTest:
    app = AppTest.from_file(str(SCRIPT), default_timeout=60)
    for key, value in state.items():
        app.session_state[key] = value
    if part is not None:
        app.session_state["part"] = part
    app.run()
    assert not app.exception
    return app


def sent(app: AppTest, view: str) -> dict:
    """Give what a view of the component was sent."""
    for element in app.get("bidi_component"):
        data = json.loads(element.proto.json or "{}") if element.proto.json else {}
        data = data.get("data", data)
        if data.get("view") == view:
            return data
    raise AssertionError(f"no view {view}")


def shown(app: AppTest) -> str:
    return "\n".join(str(one.value) for one in (*app.markdown, *app.caption, *app.header))


def ids_of(role: str) -> list[int]:
    return [hit.id for hit in page().catalog.hits() if hit.role == role]


def test_an_empty_catalog_says_what_to_do(tmp_path):
    use_store(tmp_path / "new.sqlite")
    app = open_part()
    assert "The catalog is empty" in shown(app)
    assert "catalog demo" in shown(app)
    assert [one.label for one in app.text_input] == ["Folder with recorded hits"]


def test_the_map_is_sent_by_address_and_never_by_value(used):
    data = sent(open_part(), "listen")
    assert data["version"] == page().points().version
    assert len(json.dumps(data)) < 10_000  # larger messages are hashed at each rerun


def test_words_narrow_down_what_is_shown(used):
    app = open_part()
    app.text_input(key="q").set_value("snare shed").run()
    assert "2 hits of 23 match" in shown(app)
    app.text_input(key="q").set_value("nothing has this name").run()
    assert "No hit matches" in shown(app)


def test_the_hearing_caution_is_always_there(used):
    assert "damages hearing" in shown(open_part())


def test_a_mask_marks_exactly_the_hits_that_fit(used):
    hits = page().catalog.hits()
    ids = np.array([hit.id for hit in reversed(hits)])
    wanted = Wanted(words="TOM", sessions=("Shed second sitting",), ranges={"length_s": (0.0, 9.0)})
    mask, n_found, _ = make_mask(make_columns(hits), ids, wanted)
    bits = np.unpackbits(np.frombuffer(mask, np.uint8))[: len(ids)]
    fitting = {h.id for h in hits if h.role == "tom" and h.session == "Shed second sitting"}
    assert set(ids[bits == 1]) == fitting
    assert n_found == len(fitting) == 2


def test_nothing_asked_for_needs_no_mask(used):
    hits = page().catalog.hits()
    assert make_mask(make_columns(hits), np.array([hit.id for hit in hits]), Wanted())[:2] == (
        None,
        23,
    )


def test_a_hit_without_the_number_is_outside_every_range(used):
    hits = page().catalog.hits()
    wanted = Wanted(ranges={"not_measured": (0.0, 1.0)})
    assert make_mask(make_columns(hits), np.array([hit.id for hit in hits]), wanted)[1] == 0


def test_regions_are_named_where_most_hits_of_a_role_lie():
    rng = np.random.default_rng(0)
    crowd = 0.2 + 0.01 * rng.normal(size=(20, 2))
    place = np.concatenate([crowd, [[0.9, 0.9]], [[0.5, 0.5]]])
    roles = np.array([1] * 21 + [0], dtype=np.uint8)
    ((role, x, y),) = find_dense_regions(place, roles)
    assert role == "snare"
    assert abs(x - 0.2) < 0.05
    assert abs(y - 0.2) < 0.05


def test_auditions_are_matched_in_loudness_and_never_above_the_peak_limit(used):
    for hit in page().catalog.hits():
        level = hit.played_lkfs + match_level(hit)
        peak = hit.descriptors["peak_db"] + match_level(hit)
        assert peak <= -3.0 + 1e-9
        assert level == pytest.approx(-27.0) or peak == pytest.approx(-3.0)


def test_copies_are_found_picked_set_aside_and_put_back(own):
    copy = own.folder / "Attic first sitting" / "snare_1 copy.wav"
    before = copy.read_bytes()
    app = open_part("Copies")
    groups = sent(app, "twice")["groups"]
    (other,) = [o for g in groups for o in g["others"] if o["name"] in ("snare_1 copy", "snare_1")]
    app.session_state["tab"].picked_copies = [other["id"]]
    app.run()
    app.button(key="aside").click().run()
    app.button(key="aside_yes").click().run()
    assert not app.exception
    moved = own.folder / "Attic first sitting" / f"{other['name']}.wav"
    assert not moved.exists()
    (back,) = [one for one in app.button if one.label == "Restore"]
    back.click().run()
    assert not app.exception
    assert moved.read_bytes() == before


def test_names_in_the_list_to_confirm_are_escaped(own):
    hurtful = next(hit for hit in page().catalog.hits() if "<img" in hit.name)
    page().catalog.set_aside([hurtful.id], reason="test")
    app = open_part("Copies")
    line = next(one.value for one in app.markdown if "img src" in one.value)
    assert r"\<img src=x" in line
    assert "\u202e" not in line


def test_a_kit_is_filled_saved_and_opened_again(own):
    app = open_part("Kit", slots_to_fill=["kick", "snare", "crash"])
    app.button(key="fill").click().run()
    kit = page().kit_session.kit
    assert set(kit.slots) == {"kick", "snare", "crash"}
    name = next(one for one in app.text_input if one.label == "Name of the kit")
    name.set_value("Attic <b>kit</b>")
    next(one for one in app.button if one.label == "Save").click().run()
    assert [one.name for one in page().catalog.kits.saved()] == ["Attic <b>kit</b>"]
    app.button(key="start_over").click().run()
    assert not page().kit_session.kit.slots
    app.button(key="reopen").click().run()
    assert page().kit_session.kit.slots == kit.slots


def test_a_kit_is_written_only_to_a_whole_path_and_never_over_something(used, tmp_path):
    app = open_part("Kit", slots_to_fill=["kick", "snare"])
    app.button(key="fill").click().run()
    app.text_input(key="export_folder").set_value("relative").run()
    app.button(key="export").click().run()
    assert any("whole path" in one.value for one in app.warning)
    place = tmp_path / "my kit"
    app.text_input(key="export_folder").set_value(str(place)).run()
    app.button(key="export").click().run()
    assert any("written to" in one.value for one in app.success)
    assert list(place.glob("**/*.sfz"))
    app.button(key="export").click().run()
    assert app.error


def test_one_place_is_assigned_locked_swapped_and_cleared(used):
    catalog = page().catalog
    first, second = ids_of("snare")[:2]
    kit = change_slot(catalog, Kit(), {"op": "assign", "slot": "snare", "id": first})
    assert (kit.slots["snare"], kit.locked) == ((first,), {"snare"})
    kit = change_slot(catalog, kit, {"op": "lock", "slot": "snare"})
    assert not kit.locked
    kit = change_slot(catalog, kit, {"op": "assign", "slot": "snare", "id": second})
    assert kit.slots["snare"] == (second,)
    with pytest.raises(KitError, match="locked"):
        change_slot(catalog, kit, {"op": "swap", "slot": "snare"})
    kit = change_slot(catalog, kit, {"op": "lock", "slot": "snare"})
    swapped = change_slot(catalog, kit, {"op": "swap", "slot": "snare"})
    assert swapped.slots["snare"][0] != second
    assert not change_slot(catalog, kit, {"op": "clear", "slot": "snare"}).slots


def test_files_left_out_are_listed_with_their_reason(used):
    app = open_part("Recordings")
    table = app.dataframe[0].value
    assert table["file"].tolist() == ["broken <i>.wav"]
    assert table["reason and remedy"].str.len().min() > 10


def test_a_folder_that_is_none_is_refused_in_words(used):
    app = open_part("Recordings")
    app.text_input(key="bring_folder").set_value("no such folder")
    next(one for one in app.button if one.label == "Scan").click().run()
    assert any("no such folder on this machine" in one.value for one in app.warning)


def test_a_store_that_cannot_be_opened_is_told_in_words(tmp_path):
    (tmp_path / "not a store.sqlite").write_text("something else altogether")
    use_store(tmp_path / "not a store.sqlite")
    app = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
    use_store(None)
    assert not app.exception
    assert app.error
