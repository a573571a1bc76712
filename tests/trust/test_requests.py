"""Hostile requests to a served page: no status from 500 on, no traceback, nothing changed."""

from __future__ import annotations

import contextlib
import random
import socket
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from catalog import Catalog
from catalog.web.server.uploads import UPLOADS_KEPT
from tests.trust.hostile_requests import Attack, Target, fixed_attacks, random_attack
from tests.trust.mangle import mangle
from tests.web.visits import serve

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
N_RANDOM, N_RANDOM_IN_FULL = 150, 10_000
N_UPLOADS = 30
N_MESSAGES, N_MESSAGES_IN_FULL = 40, 2_000
MAX_ANSWER_S = 10  # on a busy machine


class Page:
    """A served page over the library of a test, with its log and temporary folder."""

    def __init__(self, folder: Path, address: str) -> None:
        self.folder, self.address = folder, address
        self.port = urlsplit(address).port
        self.target = Target(self.port, self._enter())

    def _enter(self) -> str:
        query = urlsplit(self.address).query
        for _ in range(100):  # the address is printed before the server listens
            answer = self.send(
                f"GET /?{query} HTTP/1.0\r\nHost: 127.0.0.1:{self.port}\r\n\r\n".encode()
            )
            for line in answer.decode("latin-1").splitlines():
                if line.lower().startswith("set-cookie: "):
                    return line.split(": ", 1)[1].split(";")[0]
            time.sleep(0.1)
        raise AssertionError("no cookie")

    def send(self, raw: bytes, *, wait_s: float = MAX_ANSWER_S) -> bytes:
        """Send bytes and return what comes back; a request that is not whole gets half a second."""
        answer = b""
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as connection:
            with contextlib.suppress(OSError):
                connection.sendall(raw)
            with contextlib.suppress(OSError):
                while piece := connection.recv(2**16):
                    answer += piece
        return answer

    def state(self) -> tuple[list[str], dict[str, bytes]]:
        """Return all rows of the store, and all files of the library."""
        with sqlite3.connect(self.folder / "drums.sqlite") as db:
            rows = list(db.iterdump())
        files = {p: p.read_bytes() for p in (self.folder / "recordings").rglob("*") if p.is_file()}
        return rows, {str(path): data for path, data in files.items()}

    def temporary_files(self) -> list[Path]:
        return [path for path in (self.folder / "tmp").rglob("*") if path.is_file()]

    def log(self) -> str:
        return (self.folder / "log").read_text("utf-8")

    def is_alive(self) -> bool:
        return b" 200 " in self.send(self.target.request("GET", "/api/kit"))[:20]

    def open_socket(self, **changes: str) -> ClientConnection:
        headers = {"Cookie": self.target.cookie, "Origin": f"http://{self.target.host}"} | changes
        origin = headers.pop("Origin") or None
        url = f"ws://{self.target.host}/_stcore/stream"
        extra = {name: text for name, text in headers.items() if text}
        return connect(url, origin=origin, additional_headers=extra, subprotocols=["streamlit"])


@pytest.fixture
def served(library, tmp_path) -> Iterator[Page]:
    store = tmp_path / "drums.sqlite"
    with Catalog.open(store) as cat:
        cat.scan([library], n_jobs=1)
        cat.copies()
        cat.map.layout()
    (tmp_path / "tmp").mkdir()
    with serve(store, log=tmp_path / "log", TMPDIR=str(tmp_path / "tmp")) as address:
        yield Page(tmp_path, address)


def fault_of(page: Page, attack: Attack) -> str:
    """Send one request and return what is wrong with the answer, or ""."""
    began = time.monotonic()
    answer = page.send(attack.raw, wait_s=0.5 if attack.must == "no answer" else MAX_ANSWER_S)
    if time.monotonic() - began > MAX_ANSWER_S:
        return "too slow"
    if b"Traceback" in answer or b"root:" in answer or b"\r\n  File " in answer:
        return "reveals what it must not"
    if not answer:
        return "" if attack.must == "no answer" else "no answer"
    status = int(answer.split(b" ", 2)[1])
    if attack.must == "refused" and not 400 <= status < 500:
        return f"status {status}"
    return f"status {status}" if status >= 500 else ""


def test_hostile_requests_are_refused_and_change_nothing(served):
    attacks = fixed_attacks(served.target)
    assert len(attacks) > 300
    assert served.is_alive()
    before = served.state()
    faults = {attack.name: fault for attack in attacks if (fault := fault_of(served, attack))}
    assert not faults
    assert served.is_alive()
    assert served.state() == before
    assert served.temporary_files() == []
    assert "Traceback" not in served.log()


def test_random_requests_cause_no_error(served, full):
    attacks = [
        random_attack(served.target, s) for s in range(N_RANDOM_IN_FULL if full else N_RANDOM)
    ]
    files = served.state()[1]
    faults = {attack.name: fault for attack in attacks if (fault := fault_of(served, attack))}
    assert not faults
    assert served.is_alive()
    assert served.state()[1] == files
    assert "Traceback" not in served.log()
    with Catalog.open(served.folder / "drums.sqlite") as cat:
        assert len(cat.hits()) == len(files)


def rerun_message() -> bytes:
    message = BackMsg()
    message.rerun_script.query_string = "part=Copies"
    return message.SerializeToString()


def widget_message(rng: random.Random) -> bytes:
    """Return a message that sets widgets of the page to values of any type."""
    message = BackMsg()
    message.rerun_script.query_string = rng.choice(("", "part=Kit", "part=%ED%A0%80", "hit=1e9"))
    for _ in range(rng.randint(1, 4)):
        widget = message.rerun_script.widget_states.widgets.add()
        name = rng.choice(("part", "scan", "forget", "listen", "kit", "copies", "\0", "x" * 5000))
        widget.id = rng.choice((name, f"$$ID-{rng.randbytes(16).hex()}-{name}"))
        if rng.random() < 0.3:
            widget.trigger_value = True
        elif rng.random() < 0.5:
            widget.json_value = rng.choice(
                ("{", "[]", "NaN", '{"action": {"op": "keep"}}', "9" * 5000)
            )
        else:
            widget.int_value = rng.choice((-1, 2**62))
    return message.SerializeToString()


def test_damaged_audio_files_cause_no_error(served, full):
    library = served.state()[1]
    for seed in range(N_RANDOM_IN_FULL if full else N_UPLOADS):
        data, suffix = mangle(90_000 + seed)
        path = f"/api/outside?name=snare%20{seed}.{suffix}"
        attack = Attack(path, served.target.request("POST", path, data), "no error")
        assert fault_of(served, attack) == "", path
    assert len(served.temporary_files()) <= UPLOADS_KEPT
    assert served.state()[1] == library
    assert "Traceback" not in served.log()


def test_the_socket_is_closed_to_all_but_the_page(served):
    before = served.state()
    host = served.target.host
    name, _, key = served.target.cookie.partition("=")
    for changes in (
        {"Cookie": ""}, {"Cookie": f"{name}={key[::-1]}"}, {"Cookie": f"{name}1={key}"},
        {"Origin": ""}, {"Origin": "null"}, {"Origin": f"https://{host}"},
        {"Origin": f"http://localhost:{served.port}"}, {"Origin": f"http://{host}.example"},
        {"Origin": "http://127.0.0.1:9999"}, {"Host": "elsewhere.example"},
        {"Sec-Fetch-Site": "cross-site"},
    ):  # fmt: skip
        with pytest.raises(InvalidStatus, match=r"40[03]"):
            served.open_socket(**changes)
    assert served.state() == before
    assert "Traceback" not in served.log()


def test_hostile_messages_of_the_socket_change_nothing(served, full):
    """Text, noise, and messages of Streamlit's own form with random bytes changed."""
    files = served.state()[1]
    rng, whole = random.Random(1), rerun_message()
    messages: list[bytes | str] = ["text", "", b"\xff" * 100, b"\0" * 2**20, b"\x0a" * 50]
    for _ in range(N_MESSAGES_IN_FULL if full else N_MESSAGES):
        changed = bytearray(whole)
        for _ in range(rng.randint(1, 4)):
            changed[rng.randrange(len(changed))] = rng.randrange(256)
        messages.append(bytes(changed))
        messages.append(widget_message(rng))
    for message in messages:
        with contextlib.suppress(ConnectionClosed), served.open_socket() as connection:
            connection.send(message)
            connection.send(whole)
    assert served.is_alive()
    assert served.state()[1] == files
    assert "Traceback" not in served.log()
