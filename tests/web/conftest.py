"""A small library of synthetic strokes, each noise and a tone, and a client of the routes."""

from __future__ import annotations

import http.client
import json
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
import uvicorn
from starlette.applications import Starlette

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.web.api import api_routes
from catalog.web.api.security.access import Access, cookie_name
from catalog.web.api.security.request_checks import security_middleware
from catalog.web.server.scan_job import ScanJobs, ScanState
from catalog.web.server.start import bind_socket
from catalog.web.state import page, use_store
from tests.services.test_takes import take_bytes

SR = 44100
WAIT_S = 60  # for a scan of a small library on a busy machine
MARKUP_NAME = "snare <img src=x onerror=window.hurt=1> \u202egnp 'q' [a](b) 09"
TONES_HZ = {"kick": 55.0, "snare": 190.0, "tom": 110.0, "hat_closed": 6000.0, "crash": 3500.0}


def make_stroke(role: str, seed: int) -> np.ndarray:
    """Noise over a decaying tone, float32, shape (n, 1); another seed is another stroke."""
    rng = np.random.default_rng(seed)
    length_s = {"crash": 1.2, "hat_closed": 0.15}.get(role, 0.4) * rng.uniform(0.9, 1.1)
    t = np.arange(round(length_s * SR)) / SR
    tone = np.sin(2 * np.pi * TONES_HZ[role] * rng.uniform(0.97, 1.03) * t)
    wave = (0.7 * tone + 0.3 * rng.normal(size=len(t))) * np.exp(-t * 7 / length_s)
    return (0.5 * wave / np.abs(wave).max())[:, None].astype(np.float32)


def write_stroke(path: Path, wave: np.ndarray) -> None:
    path.write_bytes(encode_wav(wave, sr=SR, subtype="PCM_24"))


def write_library(folder: Path) -> None:
    """Four strokes of five drums in two sessions, two copies, a name of markup, a broken file."""
    for session, first in (("Attic first sitting", 0), ("Shed second sitting", 100)):
        (folder / session).mkdir(parents=True)
        for k, role in enumerate(TONES_HZ):
            for stroke in range(2):
                wave = make_stroke(role, first + 10 * k + stroke)
                write_stroke(folder / session / f"{role}_{stroke + 1}.wav", wave)
    attic = folder / "Attic first sitting"
    (attic / "snare_1 copy.wav").write_bytes((attic / "snare_1.wav").read_bytes())
    write_stroke(attic / "kick_1 quieter.wav", 0.5 * make_stroke("kick", 0))
    write_stroke(attic / f"{MARKUP_NAME}.wav", make_stroke("snare", 77))
    (attic / "broken <i>.wav").write_bytes(b"")


def finished(jobs: ScanJobs) -> ScanState:
    """Wait until the scan has ended and return its state."""
    end = time.monotonic() + WAIT_S
    while jobs.state().is_running:
        assert time.monotonic() < end
        time.sleep(0.01)
    return jobs.state()


@dataclass(frozen=True)
class Library:
    """A folder of recordings and the store that it was scanned into."""

    folder: Path
    store: Path

    def scan(self) -> None:
        with Catalog.open(self.store) as catalog:
            report = catalog.scan([self.folder], n_jobs=1)
        assert len(report.skipped) == 1

    def files(self) -> dict[Path, bytes]:
        return {path: path.read_bytes() for path in self.folder.rglob("*.*")}


def make_library(root: Path) -> Library:
    library = Library(root / "recordings", root / "drums.sqlite")
    write_library(library.folder)
    library.scan()
    return library


@contextmanager
def page_over(store: Path) -> Iterator[None]:
    use_store(store)
    yield
    page().close()
    use_store(None)


@pytest.fixture(scope="session")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """One scanned library, not to be changed."""
    return make_library(tmp_path_factory.mktemp("library"))


@pytest.fixture
def used(scanned: Library) -> Iterator[Library]:
    """The library that is not to be changed, opened by the page."""
    with page_over(scanned.store):
        yield scanned


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Library]:
    """A library of this test alone, opened by the page."""
    library = make_library(tmp_path)
    with page_over(library.store):
        yield library
    shutil.rmtree(tmp_path, ignore_errors=True)


@pytest.fixture
def take(own: Library) -> Path:
    """A recording with three strokes, added to the library of this test."""
    path = own.folder / "long take.wav"
    path.write_bytes(take_bytes())
    own.scan()
    return path


class Answer:
    """A response, read as a whole."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status_code = response.status
        self.headers = {name.lower(): value for name, value in response.getheaders()}
        self.content = response.read()

    def json(self) -> Any:
        return json.loads(self.content)


class Client:
    """Sends requests with the page's cookie to a server on this machine; paths go as given."""

    def __init__(self, port: int, key: str = "") -> None:
        self.port, self.cookie = port, {"Cookie": f"{cookie_name(port)}={key}"} if key else {}

    def get(self, path: str, *, params=None, headers=None) -> Answer:
        return self.send("GET", path + (f"?{urlencode(params)}" if params else ""), headers or {})

    def post(self, path: str, body: bytes = b"") -> Answer:
        """Send bytes as the page itself does."""
        return self.send("POST", path, {"Origin": f"http://127.0.0.1:{self.port}"}, body)

    def post_json(self, path: str, data: object) -> Answer:
        return self.post(path, json.dumps(data).encode())

    def send(self, method: str, path: str, headers, body: bytes | None = None) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        connection.request(method, path, body=body, headers=self.cookie | dict(headers))
        answer = Answer(connection.getresponse())
        connection.close()
        return answer


@contextmanager
def serve_routes() -> Iterator[Client]:
    """Serve the page's own routes alone, over the catalog that is open."""
    access = Access()
    app = Starlette(routes=api_routes(), middleware=security_middleware(access))
    sock = bind_socket()
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield Client(sock.getsockname()[1], access.key)
    server.should_exit = True
    thread.join(10)
    sock.close()


@pytest.fixture
def client(used) -> Iterator[Client]:
    """A client of the routes over the library that is not to be changed."""
    with serve_routes() as client:
        yield client


@pytest.fixture
def own_client(own) -> Iterator[Client]:
    """A client of the routes over a library of this test alone."""
    with serve_routes() as client:
        yield client
