from __future__ import annotations

import io
import os
import signal
import socket
import stat
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
import soundfile

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.errors import AudioError, CatalogError
from catalog.web.api import responses, uploads
from catalog.web.server.uploads import PREFIX, UPLOADS_AT_ONCE, UPLOADS_KEPT, remove_abandoned
from catalog.web.state import page
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


def silence(seconds: int, form: str = "FLAC") -> bytes:
    """Silence: as FLAC, about 12 bytes for each block of 4096 frames."""
    body = io.BytesIO()
    with soundfile.SoundFile(body, "w", SR, 2, "PCM_16", format=form) as file:
        for _ in range(seconds):
            file.write(np.zeros((SR, 2), np.int16))
    return body.getvalue()


def uploaded() -> list[Path]:
    """Return the temporary files of uploads."""
    return [path for path in page().files.folder().iterdir() if path.is_file()]


def wait_until_empty() -> None:
    for _ in range(200):
        if not uploaded():
            return
        time.sleep(0.05)
    raise AssertionError(uploaded())


def test_a_small_file_that_decodes_to_hours_is_refused_early(client, tmp_path, monkeypatch):
    data = silence(40 * 60)
    assert len(data) < 2**20
    answer = client.post(f"{URL}long.flac", data)
    assert answer.status_code == 400
    assert b"long: is longer than 17280000 samples; cut it into hits first" in answer.content
    assert not uploaded()
    path = tmp_path / "long.flac"
    path.write_bytes(data)
    n_read: list[int] = []
    read = soundfile.SoundFile.read

    def count(self, frames=-1, *args, **values):
        block = read(self, frames, *args, **values)
        n_read.append(block.size)
        return block

    monkeypatch.setattr(soundfile.SoundFile, "read", count)
    with pytest.raises(AudioError, match="is longer than 1000000 samples"):
        decode_file(path, most_values=1_000_000)
    assert sum(n_read) < 2_000_000  # decoding stopped there


def test_a_compressed_take_of_a_phone_is_bounded_while_decoding(tmp_path):
    import av

    path = tmp_path / "memo.m4a"
    with av.open(str(path), "w", format="ipod") as out:
        stream = out.add_stream("aac", rate=SR, layout="mono")
        for k in range(200):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            frame.sample_rate, frame.pts = SR, 1024 * k
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    assert len(decode_file(path).samples) > 200_000
    with pytest.raises(AudioError, match="is longer than 100000 samples"):
        decode_file(path, most_values=100_000)


def half_sent(client, *, n_sent: int = 5000, n_declared: int = 100_000) -> socket.socket:
    """Start an upload, send a part of it, and return the connection."""
    head = (
        f"POST {URL}a.wav HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\n"
        f"Origin: http://127.0.0.1:{client.port}\r\nCookie: {client.cookie['Cookie']}\r\n"
        f"Content-Length: {n_declared}\r\n\r\n"
    )
    connection = socket.create_connection(("127.0.0.1", client.port), timeout=20)
    connection.sendall(head.encode() + memo()[:n_sent].ljust(n_sent, b"\0"))
    for _ in range(200):
        if uploaded():
            return connection
        time.sleep(0.05)
    raise AssertionError("the upload did not begin")


def test_an_upload_that_breaks_off_or_stalls_is_deleted(client, monkeypatch, capfd):
    half_sent(client).close()
    wait_until_empty()
    monkeypatch.setattr(responses, "RECEIVE_S", 0.3)
    with half_sent(client) as connection:
        assert connection.recv(100).startswith(b"HTTP/1.1 408")
        wait_until_empty()
    assert "Traceback" not in capfd.readouterr().err
    assert client.post(f"{URL}a.wav", memo()).status_code == 200


def test_an_upload_of_declared_size_is_refused_before_it_is_read(client):
    with socket.create_connection(("127.0.0.1", client.port), timeout=20) as connection:
        head = (
            f"POST {URL}a.wav HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\n"
            f"Origin: http://127.0.0.1:{client.port}\r\nCookie: {client.cookie['Cookie']}\r\n"
            f"Content-Length: {10**15}\r\n\r\n"
        )
        connection.sendall(head.encode())
        assert connection.recv(100).startswith(b"HTTP/1.1 413")
    assert not uploaded()


def test_uploads_at_once_are_limited(client):
    with ExitStack() as stack:
        for _ in range(UPLOADS_AT_ONCE):
            stack.enter_context(page().uploads.receive("wav"))
        answer = client.post(f"{URL}a.wav", memo())
        assert answer.status_code == 429
        assert b"again in a moment" in answer.content
        with pytest.raises(CatalogError), page().uploads.receive("wav"):
            pass
    assert client.post(f"{URL}a.wav", memo()).status_code == 200


KEEP = """
import sys, time
from catalog.web.state import page
folder = page().files.folder()
(folder / "a.wav").write_bytes(b"x")
print(folder, flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(os.name != "posix", reason="kills a process with a signal")
def test_files_of_a_killed_page_are_deleted_at_the_next_start(tmp_path, monkeypatch):
    env = os.environ | {"TMPDIR": str(tmp_path)}
    run = subprocess.Popen([sys.executable, "-c", KEEP], stdout=subprocess.PIPE, text=True, env=env)
    folder = Path(run.stdout.readline().strip())
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    target = tmp_path / "elsewhere"
    target.mkdir()
    others = [tmp_path / f"{PREFIX}notes", tmp_path / f"{PREFIX}x-1-abc"]
    for other in others:
        other.mkdir()
    link = tmp_path / f"{PREFIX}1-1-link"
    link.symlink_to(target)
    remove_abandoned()
    assert folder.is_dir()  # its process is alive
    run.send_signal(signal.SIGKILL)
    run.communicate()
    remove_abandoned()
    assert not folder.exists()
    assert link.is_symlink()
    assert target.is_dir()
    assert all(other.is_dir() for other in others)
