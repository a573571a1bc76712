"""Twice, on the Python side: what is sent, what acts do, what is asked before files move."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from catalog.audio.model import Audio
from catalog.duplicates.cached import UNCERTAIN_RELATION
from catalog.duplicates.overlay import overlay_recordings
from catalog.kit.model import Kit
from catalog.web.api.overlays import EARLY_S, describe_overlay, residual_wav
from catalog.web.state import page
from catalog.web.tab import Tab
from catalog.web.views import actions
from tests.web.conftest import SR, make_stroke
from tests.web.test_views import open_part, sent, shown

EVIDENCE = 0.95  # of a pair left open
STEP_DB = 6.02  # the quieter copy of the library is half as high


def named(name: str) -> int:
    return next(hit.id for hit in page().catalog.hits() if hit.name == name)


def leave_open(first: int, second: int) -> None:
    """Let the store remember a pair that the samples did not decide."""
    catalog = page().catalog
    catalog.copies()
    rows, key = catalog.context.store.group_cache.read()
    changed = [*rows, (first, ((second, UNCERTAIN_RELATION, EVIDENCE),))]
    catalog.context.store.group_cache.save(changed, key=key)


def act(op: str, **more: object) -> dict:
    """Do what the browser sends as an act, and give what the session holds after it."""
    session: dict = {"twice": {"action": {"op": op, **more}}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(actions.st, "session_state", session)
        actions.run_action(page().catalog, "twice")
    return session


def test_a_group_is_sent_with_its_relation_its_reason_and_its_evidence(used):
    groups = sent(open_part("Copies"), "twice")["groups"]
    assert len(groups) == 2
    for group in groups:
        assert group["relation"] == "The same recording in 2 files"
        assert group["reason"].startswith("kept: ")
        (other,) = group["others"]
        assert "samples agree to 100.0 %" in other["words"]
        assert (other["kits"], other["stuck"]) == ([], "")
        assert "path" not in other


def test_the_other_file_is_kept_when_the_user_says_so(own):
    (before,) = [g for g in page().catalog.copies() if named("snare_1") in _members(g)]
    act("keep", id=before.others[0])
    groups = sent(open_part("Copies"), "twice")["groups"]
    (now,) = [g for g in groups if g["keep"]["id"] == before.others[0]]
    assert (now["others"][0]["id"], now["reason"]) == (before.keep, "kept: your choice")


def _members(group) -> tuple[int, ...]:
    return group.keep, *group.others


def test_a_pair_left_open_is_asked_apart_and_the_answer_is_remembered(own):
    first, second = named("tom_1"), named("tom_2")
    leave_open(first, second)
    (pair,) = sent(open_part("Copies"), "twice")["pairs"]
    assert {pair["first"]["id"], pair["second"]["id"]} == {first, second}
    assert "agree to 95.0 %" in pair["words"]
    act("differ", first=first, second=second)
    data = sent(open_part("Copies"), "twice")
    assert (data["pairs"], len(data["groups"])) == ([], 2)
    act("same", first=first, second=second)
    data = sent(open_part("Copies"), "twice")
    assert (data["pairs"], len(data["groups"])) == ([], 3)


def test_an_answer_is_taken_back_by_one_press(own):
    first, second = named("tom_1"), named("tom_2")
    leave_open(first, second)
    state = act("differ", first=first, second=second)["tab"]
    app = open_part("Copies", tab=state)
    assert sent(app, "twice")["pairs"] == []
    app.button(key="undo_verdict").click().run()
    assert len(sent(app, "twice")["pairs"]) == 1


def test_a_group_accepted_moves_its_files_and_nothing_else(own):
    (group, other) = page().catalog.copies()
    session = act("accept", ids=list(group.others))
    assert session["tab"].notice == "1 file set aside; undo it below."
    aside = page().catalog.hits(states=("aside",))
    assert [hit.id for hit in aside] == list(group.others)
    assert page().catalog.copies() == [other]


@pytest.mark.parametrize(
    "sent_act",
    [None, "accept", {"op": "no such"}, {"op": "keep"}, {"op": "accept", "ids": 3},
     {"op": "keep", "id": "x"}, {"op": "same", "first": 1}],
)  # fmt: skip
def test_what_the_page_does_not_send_is_passed_over(own, sent_act):
    session = {"twice": {"action": sent_act}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(actions.st, "session_state", session)
        actions.run_action(page().catalog, "twice")
    assert session.get("tab", Tab()) == Tab()
    assert page().catalog.history() == []


def test_an_act_on_a_file_that_has_gone_is_told_and_nothing_moves(own):
    (group, _) = page().catalog.copies()
    page().catalog.hit(group.others[0]).path.unlink()
    assert "is gone" in act("accept", ids=list(group.others))["tab"].action_error
    assert page().catalog.hits(states=("aside",)) == []


def test_a_file_that_a_kept_kit_needs_is_asked_for_by_name_of_the_kit(own):
    catalog = page().catalog
    (group, _) = catalog.copies()
    (other,) = group.others
    catalog.kits.save(Kit(slots={"snare": (other,)}), "Loft kit")
    session = act("accept", ids=[other])
    assert catalog.hits(states=("aside",)) == []
    state = {k: v for k, v in session.items() if k != "twice"}
    app = open_part("Copies", **state)
    assert "Saved kits need these" in shown(app)
    assert "Loft kit" in shown(app)
    assert app.button(key="aside_yes").disabled
    app.checkbox(key="aside_needed").check().run()
    app.button(key="aside_yes").click().run()
    assert [hit.id for hit in catalog.hits(states=("aside",))] == [other]


def test_a_file_that_cannot_be_moved_is_hidden_instead_and_shown_again(own, monkeypatch):
    from catalog.library.files import set_aside

    catalog = page().catalog
    (group, _) = catalog.copies()
    (other,) = group.others
    monkeypatch.setattr(set_aside, "immovable_reason", lambda path: "its folder is read-only")
    state = {k: v for k, v in act("accept", ids=[other]).items() if k != "twice"}
    app = open_part("Copies", **state)
    assert "its folder is read\\-only" in shown(app)
    app.checkbox(key="aside_hidden").check().run()
    app.button(key="aside_yes").click().run()
    assert catalog.hit(other).state == "hidden"
    assert catalog.hit(other).path.is_file()
    app.run()
    next(one for one in app.button if one.label == "Restore").click().run()
    assert catalog.hit(other).state == "here"


def test_steps_are_undone_in_any_order_and_all_at_once(own):
    catalog = page().catalog
    before = {path: path.read_bytes() for path in own.folder.rglob("*.wav")}
    for group in catalog.copies():
        catalog.set_aside(group.others, reason="test")
    first = catalog.history()[0].step
    app = open_part("Copies")
    app.button(key=f"back_{first}").click().run()
    assert len(catalog.hits(states=("aside",))) == 1
    app.button(key="undo_all").click().run()
    assert not app.exception
    assert {path: path.read_bytes() for path in own.folder.rglob("*.wav")} == before


def test_a_name_taken_meanwhile_is_never_written_over(own):
    catalog = page().catalog
    (event,) = catalog.set_aside([named("tom_1")], reason="test")
    event.source.write_bytes(b"something new")
    app = open_part("Copies")
    app.button(key=f"back_{event.step}").click().run()
    assert any("another file is there now" in plainly(one.value) for one in app.warning)
    assert event.source.read_bytes() == b"something new"
    assert catalog.hit(event.hit_id).state == "aside"


def plainly(text: str) -> str:
    return text.replace("\\", "")


def test_an_overlay_is_told_drawn_and_heard_by_its_route(client):
    loud, quiet = named("kick_1"), named("kick_1 quieter")
    told = client.get(f"/api/overlay/{loud}/{quiet}").json()
    assert told["gain_db"] == pytest.approx(STEP_DB, abs=0.01)
    assert told["residual_db"] < -80.0
    close, whole = told["spans"]
    assert close["seconds"] == pytest.approx(EARLY_S)
    assert whole["seconds"] > 0.3
    assert max(close["first"]) == 127 or min(close["first"]) == -127
    assert max(map(abs, close["residual"])) == 0
    answer = client.get(f"/api/overlay/{loud}/{quiet}.wav")
    assert answer.headers["content-type"] == "audio/wav"
    rest, _ = soundfile.read(io.BytesIO(answer.content))
    assert np.abs(rest).max() < 1e-3
    assert client.get("/api/overlay/1/999999").status_code == 404


def test_what_is_left_of_two_strokes_is_heard_as_loud_as_it_is_and_never_too_loud():
    one, other = make_stroke("snare", 1), make_stroke("snare", 2)
    overlay = overlay_recordings(
        Audio(3.0 * one, SR, "WAV", "FLOAT"), Audio(other, SR, "WAV", "FLOAT")
    )
    heard, _ = soundfile.read(io.BytesIO(residual_wav(overlay)))
    peak = max(np.abs(overlay.first).max(), np.abs(overlay.residual).max())
    assert peak > 1.0
    assert np.abs(heard - overlay.residual / peak).max() < 2**-15
    told = describe_overlay(overlay)
    assert -3.0 < told["residual_db"] <= 0.0
    assert max(map(abs, told["spans"][1]["residual"])) > 40
