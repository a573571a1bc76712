"""The part "Recordings": folders, the scan, takes, uncertain roles, faults and coverage."""

from __future__ import annotations

import os

import pytest

from catalog.library.review.coverage import Coverage
from catalog.library.review.gaps import CoverageBin, Gap
from catalog.library.scan.folders import record_folders
from catalog.search.drums.groups import DrumGroup
from catalog.web.labels import plain
from catalog.web.state import page
from catalog.web.views import actions
from catalog.web.views.recordings.role_review import unsure_hits
from catalog.web.views.review.coverage import list_text, with_short_sessions
from tests.web.conftest import finished, page_over, write_library
from tests.web.pages import data_of, open_part, press, shown


@pytest.fixture
def fresh(tmp_path, monkeypatch):
    """An empty store, and recordings below the home folder."""
    monkeypatch.setenv("HOME", str(tmp_path))
    write_library(tmp_path / "recordings")
    with page_over(tmp_path / "drums.sqlite"):
        yield tmp_path


def test_an_empty_catalog_is_filled_from_the_page_alone(fresh):
    app = open_part(choose_open=True)
    app.text_input(key="bring_folder").set_value("no such folder")
    press(app, "Scan")
    assert any("no such folder on this machine" in warning.value for warning in app.warning)
    press(app, f"into_{fresh / 'recordings'}")
    inside = [button.label for button in app.button if str(button.key).startswith("into_")]
    assert inside[0].startswith("Attic first sitting")
    press(app, "Use this folder")
    assert app.text_input(key="bring_folder").value == str(fresh / "recordings")
    press(app, "Scan")
    assert finished(page().scans).status == "done"
    app.run()
    assert not app.exception
    assert len(page().catalog.hits()) == 23
    assert data_of(app, "workbench")


def test_a_known_folder_is_scanned_again_or_continued(own):
    store, session = page().catalog.context.store, own.folder / "Shed second sitting"
    app = open_part("recordings")
    assert own.folder.name in shown(app)
    app.session_state["bring_section"] = "attention"
    app.session_state["attention"] = "skipped"
    app.run()
    table = app.dataframe[0].value
    assert table["file"].tolist() == ["broken <i>.wav"]
    assert table["reason and remedy"].str.len().min() > 10
    app.session_state["bring_section"] = "folders"
    app.run()
    (session / "kick_3.wav").write_bytes((session / "kick_1.wav").read_bytes())
    for number in range(3):
        (own.folder / f"phone {number}.wma").write_bytes(b"x")
    press(app, "Scan again")
    state = finished(page().scans)
    assert [path.name for path in state.report.added] == ["kick_3.wav"]
    app.run()
    assert any("1 added" in success.value for success in app.success)
    app.session_state["bring_section"] = "attention"
    app.session_state["attention"] = "skipped"
    assert "3 files: is of a format that is not read" in shown(app.run())
    app.session_state["bring_section"] = "folders"
    app.run()

    changed = session / "kick_1.wav"
    times = changed.stat()
    changed.write_bytes(changed.read_bytes()[:-1] + b"\1")
    os.utime(changed, ns=(times.st_atime_ns, times.st_mtime_ns))
    app.checkbox(key="scan_again").check()
    press(app, "Scan again")
    assert finished(page().scans).report.changed == (changed,)

    record_folders(store, [str(own.folder)], finished=False)  # as a scan that was killed leaves it
    app.run()
    assert "not finished" in shown(app)
    press(app, "Continue")
    assert finished(page().scans).status == "done"

    own.folder.rename(own.folder.with_name("moved away"))
    app.run()
    assert "not found; connect its disk" in shown(app)
    assert next(button for button in app.button if button.label == "Scan again").disabled


def test_uncertain_roles_are_asked_in_rounds_the_most_telling_first(own):
    catalog = page().catalog
    ids = [hit.id for hit in catalog.hits()[:20]]
    for at, hit_id in enumerate(ids):
        confidence = 0.1 + 0.01 * at
        catalog.context.store.hits.set_role(hit_id, "wood", confidence=confidence, source="sound")
    expected = catalog.roles.questions(12)
    app = open_part("recordings", bring_section="attention", attention="roles")
    questions = data_of(app, "role_review")["questions"]
    asked = [[question["id"], *question["group"]] for question in questions]
    assert asked[: len(expected)] == [list(question.hit_ids) for question in expected]
    rest = [hit_id for hit_id in ids if hit_id not in {i for group in asked for i in group}]
    assert len(asked) == 12 or not rest  # then come the least certain ones
    for question in questions:
        assert len(question["likely"]) == len(set(question["likely"])) == 4
        assert [other["id"] for other in question["others"]] == question["group"][:12]
        assert "path" not in question
        assert "sound alone: " in question["why"]
    first = asked[0]
    catalog.annotations.set_role(first, "kick")  # an answer does not change the round
    app.run()
    again = data_of(app, "role_review")["questions"]
    assert [[question["id"], *question["group"]] for question in again] == asked
    app.session_state["tab"].role_questions = None
    app.run()
    left = data_of(app, "role_review")["questions"]
    assert first[0] not in {i for question in left for i in [question["id"], *question["group"]]}
    unsure = unsure_hits(catalog.hits())
    assert all(hit.role_source != "user" and hit.role_confidence < 0.6 for hit in unsure)
    named = next(
        hit for hit in catalog.hits() if hit.role_confidence >= 0.9 and hit.id not in first
    )
    assert named.id in {hit.id for hit in unsure_hits(catalog.hits(), [named.id])}


def test_regions_of_a_take_are_sent_and_changed(own, take):
    catalog = page().catalog
    before = catalog.takes.regions(take)
    data = data_of(open_part("recordings", bring_section="attention", attention="takes"), "cut")
    sent = [(stroke["id"], stroke["start"], stroke["stop"]) for stroke in data["strokes"]]
    assert sent == [(hit.id, hit.start, hit.stop) for hit in before]
    first, sr = before[0], before[0].sr
    assert (data["sr"], data["n_frames"]) == (sr, catalog.takes.n_frames(take))

    def apply(op: str, **values: object) -> list:
        actions.ACTIONS[op](catalog, {"op": op, "id": first.id, **values})
        return catalog.takes.regions(take)

    assert apply("move", start=round(0.38 * sr), stop=first.stop)[0].start == round(0.38 * sr)
    parts = apply("split", at=(first.start + first.stop) // 2)
    assert len(parts) == len(before) + 1
    assert len(apply("merge", ids=[part.id for part in parts[:2]])) == len(before)
    after = apply("reset")
    assert [(h.start, h.stop) for h in after] == [(h.start, h.stop) for h in before]
    assert after[0].id == first.id


def test_faults_are_shown_and_dismissed_and_coverage_listed(own):
    review = page().catalog.review
    app = open_part("recordings", bring_section="attention", attention="faults")
    faults, rows = review.faults(), data_of(app, "faults")["rows"]
    assert [row["kind"] for row in rows] == [fault.kind for fault in faults[: len(rows)]]
    assert all(0 <= row["from_s"] <= row["to_s"] <= row["length_s"] for row in rows)
    action = {"op": "dismiss", "id": rows[0]["id"], "kind": rows[0]["kind"]}
    actions.ACTIONS["dismiss"](page().catalog, action)
    left = {(fault.hit_id, fault.kind) for fault in review.faults()}
    assert (rows[0]["id"], rows[0]["kind"]) not in left
    coverage = review.coverage()
    assert "to record" in shown(open_part("recordings", bring_section="record"))
    text = list_text(coverage.bins, [gap.words for gap in coverage.gaps])
    assert text.count("[ ] ") == len(coverage.gaps)


def test_what_to_record_is_shown_for_one_session(own):
    sessions = sorted({cell.session for cell in page().catalog.review.coverage().bins})
    assert len(sessions) > 1
    app = open_part("recordings", bring_section="record", coverage_session=sessions[0])
    assert set(app.dataframe[0].value["session"]) == {plain(sessions[0])}


@pytest.mark.parametrize(
    "action", [None, "move", {"op": "no such"}, {"op": "move"}, {"op": "merge", "ids": 3}]
)
def test_actions_that_the_page_never_sends_are_ignored(used, monkeypatch, action):
    session: dict = {"cut": {"action": action}}
    monkeypatch.setattr(actions.st, "session_state", session)
    before = {hit.id: hit for hit in page().catalog.hits()}
    actions.run_action(page().catalog, "cut")
    assert session["tab"].action_error == ""
    assert {hit.id: hit for hit in page().catalog.hits()} == before


def test_suggested_drums_are_sent_named_in_part_and_refused(own):
    catalog = page().catalog
    recorded = [hit for hit in catalog.hits() if hit.role == "kick"]
    assert recorded
    group = DrumGroup(tuple(hit.id for hit in recorded), "Attic", "kick", "damped")
    catalog.drums.groups = lambda: [group]
    app = open_part("recordings", bring_section="attention", attention="drums")
    (sent,) = data_of(app, "drum_review")["groups"]
    assert [hit["id"] for hit in sent["hits"]] == list(group.hit_ids)
    assert (sent["role"], sent["damping"], sent["session"]) == ("kick", "damped", "Attic")
    assert "1 group of hits without a drum name" in shown(app)
    action = {"op": "name_drum", "ids": group.hit_ids[:1], "name": "Oak", "damping": "damped"}
    actions.ACTIONS["name_drum"](catalog, action)
    named = catalog.hit(group.hit_ids[0])
    assert (named.drum, named.names["damping"]) == ("Oak", "damped")
    actions.ACTIONS["refuse_drum"](catalog, {"op": "refuse_drum", "ids": group.hit_ids})
    del catalog.drums.groups
    assert not set(group.hit_ids) <= {i for g in catalog.drums.groups() for i in g.hit_ids}


def test_what_to_record_names_sessions_by_their_last_part():
    cell = CoverageBin("old/Barn", "drum", "snare", "full", "", "", (1,))
    gaps = (
        Gap("no ride at all", "role", "", "", "ride"),
        Gap("no soft strokes of drum (old/Barn)", "strength", "old/Barn", "drum", "snare"),
    )
    found = with_short_sessions(Coverage((cell,), gaps), {"old/Barn": "Barn"})
    assert found.bins[0].session == "Barn"
    assert [gap.words for gap in found.gaps] == [
        "no ride at all", "no soft strokes of drum (Barn)",
    ]  # fmt: skip
    assert [gap.session for gap in found.gaps] == ["", "Barn"]
