"""Bring in, on the Python side: folders, the scan behind, what is asked by ear."""

from __future__ import annotations

import pytest

from catalog.web.state import page, use_store
from catalog.web.views.recordings.role_review import unsure_hits
from tests.web.conftest import finished, write_library
from tests.web.test_views import open_part, sent, shown

WAIT_S = 60


@pytest.fixture
def fresh(tmp_path, monkeypatch):
    """An empty store, and recordings below the person's own folder."""
    monkeypatch.setenv("HOME", str(tmp_path))
    write_library(tmp_path / "recordings")
    use_store(tmp_path / "drums.sqlite")
    yield tmp_path
    page().catalog.close()
    use_store(None)


def press(app, label):
    next(one for one in app.button if one.label == label).click().run()
    assert not app.exception
    return app


def test_an_empty_catalog_is_filled_from_the_page_alone(fresh):
    app = open_part()
    app.text_input(key="bring_folder").set_value(str(fresh / "recordings"))
    press(app, "Scan")
    assert finished(page().scans).status == "done"
    app.run()
    assert not app.exception
    assert len(page().catalog.hits()) == 23
    assert "23 hits on the map" in shown(app)


def test_a_folder_is_found_by_going_down_and_taken(fresh):
    app = open_part(choose_open=True)
    app.button(key=f"into_{fresh / 'recordings'}").click().run()
    inside = [one.label for one in app.button if str(one.key).startswith("into_")]
    assert inside[0].startswith("Attic first sitting")
    press(app, "Use this folder")
    assert app.text_input(key="bring_folder").value == str(fresh / "recordings")


def test_a_folder_scanned_before_is_scanned_again_by_one_press(own):
    extra = own.folder / "Shed second sitting" / "kick_3.wav"
    data = (own.folder / "Shed second sitting" / "kick_1.wav").read_bytes()
    app = open_part("Recordings")
    assert str(own.folder.name) in shown(app)
    extra.write_bytes(data)
    press(app, "Scan again")
    state = finished(page().scans)
    assert [path.name for path in state.report.added] == ["kick_3.wav"]
    app.run()
    assert any("1 added" in one.value for one in app.success)


def test_a_folder_that_has_gone_says_so_and_cannot_be_scanned(own):
    own.folder.rename(own.folder.with_name("moved away"))
    app = open_part("Recordings")
    assert "not found; connect its disk" in shown(app)
    (again,) = [one for one in app.button if one.label == "Scan again"]
    assert again.disabled


def test_a_scan_that_died_is_offered_to_be_gone_on_with(own):
    from catalog.library.scan.folders import record_folders

    record_folders(page().catalog.context.store, [str(own.folder)], finished=False)
    app = open_part("Recordings")
    assert "not finished" in shown(app)
    press(app, "Continue")
    assert finished(page().scans).status == "done"


def doubt(catalog, n_hits: int) -> list[int]:
    """Make the catalog unsure of some hits."""
    ids = [hit.id for hit in catalog.hits()[:n_hits]]
    for at, hit_id in enumerate(ids):
        catalog.context.store.hits.set_role(
            hit_id, "wood", confidence=0.1 + 0.01 * at, source="sound"
        )
    return ids


def test_doubtful_roles_are_asked_the_most_doubtful_first(own):
    catalog = page().catalog
    ids = doubt(catalog, 3)
    data = sent(open_part("Recordings"), "round")
    assert [one["id"] for one in data["questions"]][:3] == ids
    for one in data["questions"]:
        assert len(one["likely"]) == len(set(one["likely"])) == 4
    assert all("path" not in one for one in data["questions"])


def test_a_round_stays_while_its_answers_come_in_and_a_new_one_leaves_them_out(own):
    catalog = page().catalog
    doubt(catalog, 20)
    app = open_part("Recordings")
    first = [one["id"] for one in sent(app, "round")["questions"]]
    assert len(first) == 12
    catalog.set_role(first[0], "kick")
    app.run()
    assert [one["id"] for one in sent(app, "round")["questions"]] == first
    app.session_state["tab"].role_hits = None
    app.run()
    assert first[0] not in [one["id"] for one in sent(app, "round")["questions"]]


def test_what_the_user_said_is_never_asked(used):
    hits = page().catalog.hits()
    assert all(h.role_source != "user" and h.role_confidence < 0.6 for h in unsure_hits(hits))


def test_files_left_out_for_one_reason_are_summed_up(own):
    for number in range(3):
        (own.folder / f"phone {number}.wma").write_bytes(b"x")
    page().catalog.scan([own.folder], n_jobs=1)
    app = open_part("Recordings")
    assert "3 files: is of a format that is not read" in shown(app)
