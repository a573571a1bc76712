"""The players of macOS and Windows, and what opens the page there, by fakes."""

from __future__ import annotations

import asyncio
import io
import os
import socket
import sys
import wave
from types import SimpleNamespace

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from catalog.cli.player import MAX_PEAK, play_wav
from catalog.errors import CatalogError
from catalog.web.server import start

STROKE = encode_wav(np.ones((100, 1), np.float32), sr=8_000, subtype="PCM_16")
SND_MEMORY, SND_NODEFAULT = 4, 2  # mmsystem.h of the Windows SDK


def peak(data: bytes) -> float:
    with wave.open(io.BytesIO(data)) as file:
        return np.abs(np.frombuffer(file.readframes(file.getnframes()), "<i2")).max() / 32_768


@pytest.fixture
def on_windows(monkeypatch):
    """Return what a fake of Windows was given to play."""
    played: list[tuple[bytes, int]] = []
    fake = SimpleNamespace(
        SND_MEMORY=SND_MEMORY, SND_NODEFAULT=SND_NODEFAULT,
        PlaySound=lambda data, flags: played.append((data, flags)),
    )  # fmt: skip
    monkeypatch.setitem(sys.modules, "winsound", fake)
    monkeypatch.setattr(
        "catalog.cli.player.sys", SimpleNamespace(platform="win32", byteorder=sys.byteorder)
    )
    return SimpleNamespace(played=played, winsound=fake)


def test_windows_plays_from_memory_and_no_louder_than_elsewhere(on_windows):
    play_wav(STROKE)
    ((data, flags),) = on_windows.played
    assert flags == SND_MEMORY | SND_NODEFAULT  # no warning sound of the system if it fails
    assert peak(data) == pytest.approx(MAX_PEAK, abs=1e-4)


def test_a_failure_of_windows_is_a_sentence(on_windows):
    def fail(data, flags):
        raise RuntimeError("Failed to play sound")

    on_windows.winsound.PlaySound = fail
    with pytest.raises(CatalogError, match=r"Windows could not play it .*check the output device"):
        play_wav(STROKE)


def test_macos_plays_a_file_by_its_own_player(tmp_path, monkeypatch):
    script = tmp_path / "bin" / "afplay"
    script.parent.mkdir()
    script.write_text(f'#!/bin/sh\n/bin/cp "$1" "{tmp_path}/played.wav"\n')
    script.chmod(0o755)
    monkeypatch.setenv("PATH", os.fspath(script.parent))
    play_wav(STROKE)
    assert peak((tmp_path / "played.wav").read_bytes()) == pytest.approx(MAX_PEAK, abs=1e-4)


def test_a_player_that_fails_is_named_with_its_reason(tmp_path, monkeypatch):
    script = tmp_path / "afplay"
    script.write_text("#!/bin/sh\necho AudioQueueStart failed >&2\nexit 1\n")
    script.chmod(0o755)
    monkeypatch.setenv("PATH", os.fspath(tmp_path))
    with pytest.raises(CatalogError, match=r"afplay could not play it \(AudioQueueStart failed\)"):
        play_wav(STROKE)


def test_a_port_is_never_shared_on_windows(monkeypatch):
    options = []
    original = socket.socket.setsockopt
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", 0xFFFFFFFB, raising=False)

    class Recorded(socket.socket):
        def setsockopt(self, level, name, value):
            options.append(name)
            if name != 0xFFFFFFFB:
                original(self, level, name, value)

    monkeypatch.setattr(socket, "socket", Recorded)
    start.bind_socket().close()
    assert options == [0xFFFFFFFB]


@pytest.mark.parametrize("browser", [True, False])
def test_the_address_is_printed_and_opened_by_the_browser_of_the_system(
    browser, monkeypatch, capsys, tmp_path
):
    opened = []
    # Reading the configuration would let the server log to this test's output for good.
    monkeypatch.setattr("streamlit.config.get_option", {"server.port": 4242}.get)
    monkeypatch.setattr(start.webbrowser, "open", opened.append)
    monkeypatch.setattr(
        start.threading, "Timer", lambda _, call, given: SimpleNamespace(start=lambda: call(*given))
    )
    monkeypatch.setattr(start.threading, "Thread", lambda **_: SimpleNamespace(start=lambda: None))
    parts = start.app_parts(tmp_path / "drums.sqlite", browser=browser)

    async def run() -> None:
        async with parts["lifespan"](None):
            pass

    asyncio.run(run())
    address = capsys.readouterr().out.split()[4]
    assert address.startswith("http://127.0.0.1:4242/")
    assert opened == [address] * browser
