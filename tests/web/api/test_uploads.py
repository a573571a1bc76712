from __future__ import annotations

import tempfile

from catalog.audio.encode import encode_wav
from catalog.web.api import uploads
from catalog.web.state import UPLOADS_KEPT
from tests.web.conftest import SR, make_stroke

URL = "/api/outside?name="


def memo(seed: int = 7) -> bytes:
    return encode_wav(0.3 * make_stroke("snare", seed), sr=SR, subtype="PCM_16")


def test_an_uploaded_file_is_measured_played_and_searched_from(client):
    row = client.post(f"{URL}memo%0A1.wav", memo()).json()
    assert (row["id"], row["name"], row["role"]) == (0, "memo·1", "snare")
    assert client.get(row["url"]).content[:4] == b"RIFF"
    near = client.get(f"/api/outside/{row['outside']}/near").json()
    assert near["alternates"] == []
    assert near["similar"][0]["role"] == "snare"
    darker = client.get(f"/api/outside/{row['outside']}/near?but=darker,nonsense").json()
    centroid_hz = row["numbers"]["centroid_hz"]
    assert all(hit["numbers"]["centroid_hz"] < centroid_hz for hit in darker["similar"])


def test_only_the_last_readable_uploads_are_kept(monkeypatch, tmp_path, client):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    def n_files() -> int:
        return sum(path.is_file() for path in tmp_path.rglob("*"))

    for name in ("", "memo", "memo.exe", "wav", "../../x.sh"):
        assert client.post(f"{URL}{name}", memo()).status_code == 400
    first = client.post(f"{URL}a.wav", memo(1)).json()
    assert client.post(f"{URL}a.wav", b"RIFFnothing").content.startswith(b"a: ")
    with monkeypatch.context() as patch:
        patch.setattr(uploads, "MAX_UPLOAD_BYTES", 1000)
        assert client.post(f"{URL}a.wav", memo()).status_code == 413
    assert n_files() == 1
    for seed in range(2, 2 + UPLOADS_KEPT):
        client.post(f"{URL}a.wav", memo(seed))
    assert client.get(first["url"]).status_code == 404
    assert n_files() == UPLOADS_KEPT
