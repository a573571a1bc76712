"""Routes of the kit that is being built, of phrases, and of the zip download."""

from __future__ import annotations

import errno
import io
import os
import zipfile

import pytest

from catalog.audio.encode import encode_wav
from catalog.kit.export import write
from catalog.kit.model import Kit
from catalog.web.state import page
from tests.web.conftest import SR, make_stroke
from tests.web.pages import hit_id


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
