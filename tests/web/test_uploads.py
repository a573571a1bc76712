from __future__ import annotations

import tempfile

import pytest

from catalog.audio.encode import encode_wav
from catalog.web.api import uploads
from catalog.web.state import UPLOADS_KEPT
from tests.web.conftest import SR, make_stroke


@pytest.fixture
def upload_folder(monkeypatch, tmp_path):
    """The folder below which uploads are kept."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def n_files(folder) -> int:
    return sum(path.is_file() for path in folder.rglob("*"))


def memo(seed: int = 7) -> bytes:
    return encode_wav(0.3 * make_stroke("snare", seed), sr=SR, subtype="PCM_16")


def test_a_file_is_measured_played_and_searched_from(client):
    row = client.post("/api/outside?name=memo%0A1.wav", memo()).json()
    assert (row["id"], row["name"], row["role"]) == (0, "memo·1", "snare")
    assert client.get(row["url"]).content[:4] == b"RIFF"
    near = client.get(f"/api/outside/{row['outside']}/near").json()
    assert near["alternates"] == []
    assert near["similar"][0]["role"] == "snare"
    darker = client.get(f"/api/outside/{row['outside']}/near?but=darker,nonsense").json()
    start = row["numbers"]["centroid_hz"]
    assert all(one["numbers"]["centroid_hz"] < start for one in darker["similar"])


@pytest.mark.parametrize("name", ["", "memo", "memo.exe", "wav", "../../x.sh"])
def test_only_names_of_sound_files_are_taken(client, name):
    assert client.post(f"/api/outside?name={name}", memo()).status_code == 400


def test_a_broken_or_huge_file_is_refused_and_not_kept(upload_folder, client, monkeypatch):
    client.post("/api/outside?name=a.wav", memo())
    before = n_files(upload_folder)
    assert client.post("/api/outside?name=a.wav", b"RIFFnothing").content.startswith(b"a: ")
    monkeypatch.setattr(uploads, "MAX_UPLOAD_BYTES", 1000)
    assert client.post("/api/outside?name=a.wav", memo()).status_code == 413
    assert n_files(upload_folder) == before


def test_only_the_last_few_files_are_kept(upload_folder, client):
    first = client.post("/api/outside?name=a.wav", memo(1)).json()
    for seed in range(2, 2 + UPLOADS_KEPT):
        client.post("/api/outside?name=a.wav", memo(seed))
    assert client.get(first["url"]).status_code == 404
    assert n_files(upload_folder) == UPLOADS_KEPT
