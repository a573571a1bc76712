"""Routes of the kit that is being built, of phrases, and of the zip download."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import sqlite3
import zipfile

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.kit.export import write
from catalog.kit.model import Kit
from catalog.web.state import page
from tests.library.strokes.test_polyphonic import NAMES, make_take
from tests.library.strokes.test_polyphonic import write as write_take
from tests.signals import as_frames, drum_stroke
from tests.web.conftest import SR, make_stroke, page_over, serve_routes, write_stroke
from tests.web.pages import hit_id


@pytest.fixture
def filled(own_client):
    """A client of the routes over a library of this test alone, with three slots filled."""
    action = {"op": "fill", "slots": ["kick", "snare", "crash"]}
    assert own_client.post_json("/api/kit/action", action).status_code == 200
    return own_client


def change_saved(client, op: str, name: str, **values: object):
    values.setdefault("revision", page().kit_session.revision)
    return client.post_json("/api/kits", {"op": op, "name": name, **values})


def test_the_kit_is_changed_and_phrases_are_sent_in_seconds(own_client):
    snare = hit_id("snare_1")
    answer = own_client.post_json("/api/kit/action", {"op": "assign", "slot": "snare", "id": snare})
    assert answer.status_code == 200
    assert own_client.get("/api/kit").json() == answer.json()
    assert answer.json()["slots"][0]["notes"] == [38, 40]  # General MIDI 1: both snares
    refused = own_client.post_json("/api/kit/action", {"op": "swap", "slot": "snare"})
    assert refused.status_code == 400
    assert b"locked" in refused.content
    assert own_client.post_json("/api/kit/action", [1]).status_code == 400
    assert own_client.get("/api/kit/strokes/nowhere").status_code == 404

    own_client.post_json("/api/kit/action", {"op": "fill", "slots": ["kick", "hat_closed"]})
    names = [phrase["name"] for phrase in own_client.get("/api/phrases").json()]
    assert own_client.get("/api/phrase/two%20bars").status_code == 200
    for name in names:
        answer = own_client.get(f"/api/phrase/{name.replace(' ', '%20')}")
        if answer.status_code == 400:
            continue  # a phrase for slots that this kit does not have
        times = [event["time_s"] for event in answer.json()["events"]]
        assert times == sorted(times)
        assert answer.json()["length_s"] > times[-1]
    no_midi = encode_wav(make_stroke("snare", 1), sr=SR)
    assert own_client.post("/api/phrase", no_midi).status_code == 400
    answer = own_client.post("/api/phrase", b"MThd" + bytes(2**20 - 4))
    assert answer.status_code == 400
    assert b"is larger than 250 kB" in answer.content


@pytest.mark.parametrize("step", ["export", "zip"])
def test_a_full_disk_during_a_download_is_reported_and_leaves_nothing(client, monkeypatch, step):
    def fail(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    place = (write, "write_synced") if step == "export" else (zipfile.ZipFile, "write")
    monkeypatch.setattr(*place, fail)
    token = page().offer_download(Kit("mine", {"kick": (hit_id("kick_1"),)}))
    answer = client.get(f"/api/export/{token}")
    assert answer.status_code == 507  # RFC 4918, 11.5: Insufficient Storage
    assert b"No space left on device" in answer.content
    assert b"make room on that disk" in answer.content
    assert not list(page().files.folder().glob("kit-*"))


def test_a_kit_is_sent_as_zip_under_an_unguessable_token(client):
    token = page().offer_download(Kit("mine", {"kick": (hit_id("kick_1"),)}))
    answer = client.get(f"/api/export/{token}")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert any(name.endswith(".sfz") for name in names)
    assert any(name.endswith(".wav") for name in names)
    assert all(name.startswith("kit/") and ".." not in name for name in names)
    assert len(token) >= 20
    assert answer.headers["content-disposition"] == "attachment; filename*=UTF-8''mine.zip"


def test_a_kit_is_saved_compared_renamed_and_deleted(filled):
    kit, name = page().kit_session.kit, "Attic <b>kit</b>"
    assert filled.get("/api/kits").json() == {"kits": [], "error": ""}
    saved = change_saved(filled, "save", name).json()
    assert saved["kits"] == [{"name": name, "n_slots": 3, "n_strokes": 3}]
    assert page().catalog.kits.saved()[0].slots == kit.slots
    details = filled.post_json("/api/kits/details", {"name": name}).json()
    assert details == {"versions": [], "lines": ["it has the same hits as the present kit"]}
    filled.post_json("/api/kit/action", {"op": "swap", "slot": "kick"})
    lines = filled.post_json("/api/kits/details", {"name": name}).json()["lines"]
    assert any("the same in both: snare, crash" in line for line in lines)
    refused = change_saved(filled, "rename", name, new=" ")
    assert b"the new name is empty" in refused.content
    assert change_saved(filled, "rename", name, new="night").status_code == 200
    assert change_saved(filled, "delete", "night").json()["kits"] == []
    assert len(page().catalog.hits()) == 23


def test_a_kit_that_the_tab_does_not_show_is_not_saved(filled):
    refused = change_saved(filled, "save", "night", revision=1)
    assert refused.status_code == 400
    assert b"changed in another tab" in refused.content
    assert page().catalog.kits.saved() == []
    assert change_saved(filled, "save", " ").status_code == 400
    assert change_saved(filled, "burn", "night").status_code == 400
    assert filled.post_json("/api/kits/details", ["night"]).status_code == 400


def test_an_older_version_of_a_saved_kit_is_taken_back(filled):
    change_saved(filled, "save", "night")
    catalog = page().catalog
    (first,) = catalog.kits.saved()
    catalog.kits.change("night", lambda kit: kit.with_level("snare", -3.0))
    (version,) = filled.post_json("/api/kits/details", {"name": "night"}).json()["versions"]
    assert version["change"] == "level of snare"
    change_saved(filled, "take_back", "night", version=version["version"])
    assert catalog.kits.saved() == [first]
    assert len(catalog.kits.versions("night")) == 3


def test_a_damaged_saved_kit_is_named(filled):
    change_saved(filled, "save", "evening")
    with contextlib.closing(sqlite3.connect(page().catalog.store_path)) as db, db:
        db.execute("UPDATE kit SET payload = replace(payload, 'kick', 'kock')")
    assert "the kit “evening” is damaged" in filled.get("/api/kits").json()["error"]


def test_the_balance_holds_level_pitch_and_masking(filled):
    balance = filled.get("/api/kit/balance").json()
    masking = page().catalog.kit_sound.masking(page().kit_session.kit)
    assert [slot["label"] for slot in balance["slots"]] == ["Kick", "Snare", "Crash"]
    levels = [slot["level_lkfs"] for slot in balance["slots"]]
    assert levels == [round(level, 1) for level in masking.level_lkfs]
    assert balance["overlap"] == np.round(100 * masking.overlap).astype(int).tolist()
    overlap = masking.overlap.copy()
    np.fill_diagonal(overlap, 0)
    masked = [bool(slot["masked_by"]) for slot in balance["slots"]]
    assert masked == (overlap.max(axis=1) >= 0.3).tolist()
    assert balance["lines"] == list(masking.lines)
    filled.post_json("/api/kit/action", {"op": "start_over"})
    assert filled.get("/api/kit/balance").status_code == 400


def test_a_proposed_tuning_can_be_applied(tmp_path):
    toms = {"tom_high": 150, "tom_mid": 147, "tom_low": 80}  # two a third of a semitone apart
    for seed, (name, hz) in enumerate(toms.items()):
        wave = as_frames(drum_stroke(hz, seed=seed, strength=0.3))
        write_stroke(tmp_path / f"{name}.wav", wave)
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        catalog.scan([tmp_path], n_jobs=1)
    with page_over(tmp_path / "drums.sqlite"), serve_routes() as client:
        client.post_json("/api/kit/action", {"op": "fill", "slots": list(toms)})
        tuning = client.get("/api/kit/balance").json()["tunings"][0]
        client.post_json("/api/kit/action", {"op": "tune", **tuning})
        assert page().kit_session.kit.tuning_semitones[tuning["slot"]] == tuning["semitones"]


def test_an_export_is_planned_and_written_only_to_a_new_folder_with_a_full_path(filled, tmp_path):
    for folder in ("relative", ""):
        refused = filled.post_json("/api/kit/plan", {"folder": folder})
        assert refused.status_code == 400
        assert b"full path" in refused.content
    place = {"folder": str(tmp_path / "my kit"), "subtype": "PCM_16"}
    plan = filled.post_json("/api/kit/plan", place).json()
    assert not (tmp_path / "my kit").exists()
    assert plan["refusals"] == []
    planned = {file["file"]: file for slot in plan["slots"] for file in slot["files"]}
    assert "files written to" in filled.post_json("/api/kit/export", place).json()["text"]
    written = {
        path.relative_to(tmp_path / "my kit").as_posix(): path.stat().st_size
        for path in (tmp_path / "my kit").rglob("*")
        if path.is_file()
    }
    assert set(written) == {*planned, *plan["documents"]}
    assert all(written[file] <= planned[file]["n_bytes"] for file in planned)
    archive = zipfile.ZipFile(io.BytesIO(filled.get(plan["download"]).content))
    assert {archive.getinfo(f"kit/{file}").file_size for file in planned} == {
        written[file] for file in planned
    }
    assert "exists already" in filled.post_json("/api/kit/plan", place).json()["refusals"][0]
    assert b"exists already" in filled.post_json("/api/kit/export", place).content
    place["subtype"] = "PCM_7"
    assert filled.post_json("/api/kit/plan", place).status_code == 400


def test_an_export_uses_the_microphone_that_is_chosen(own_client, tmp_path):
    take = write_take(tmp_path / "barn" / "snare take 1.wav", make_take(), NAMES)
    page().catalog.scan([take.parent], n_jobs=1)
    snare = page().catalog.hits("snare take 1")[0].id
    action = {"op": "assign", "slot": "snare", "id": snare}
    kit = own_client.post_json("/api/kit/action", action).json()
    assert kit["microphones"] == ["OH", "Snare bottom", "Snare top"]
    place = {"folder": str(tmp_path / "kit"), "microphone": "Snare bottom"}
    assert own_client.post_json("/api/kit/export", place).status_code == 200
    rows = json.loads((tmp_path / "kit" / "manifest.json").read_text())["files"]
    assert {row["microphone"] for row in rows} == {"Snare bottom"}
    refused = own_client.post_json("/api/kit/plan", place | {"microphone": "room"})
    assert refused.status_code == 400
    assert b"no stroke of the kit has a microphone" in refused.content
