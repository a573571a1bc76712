"""A small library of made-up strokes, each noise and a tone, and one who asks the routes."""

from __future__ import annotations

import http.client
import json
import os
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
from catalog.web.api.security import security_middleware
from catalog.web.scan_job import ScanJobs, ScanState
from catalog.web.server import bind_socket
from catalog.web.state import page, use_store
from tests.web.browsing import CHROMIUM, QUIET, Visit, serve, watch

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


def write_library(folder: Path) -> None:
    """Four strokes of five drums in two sessions, two copies, a name of markup, a broken file."""
    for session, first in (("Attic first sitting", 0), ("Shed second sitting", 100)):
        (folder / session).mkdir(parents=True)
        for k, role in enumerate(TONES_HZ):
            for stroke in range(2):
                wave = make_stroke(role, first + 10 * k + stroke)
                data = encode_wav(wave, sr=SR, subtype="PCM_24")
                (folder / session / f"{role}_{stroke + 1}.wav").write_bytes(data)
    attic = folder / "Attic first sitting"
    (attic / "snare_1 copy.wav").write_bytes((attic / "snare_1.wav").read_bytes())
    quieter = encode_wav(0.5 * make_stroke("kick", 0), sr=SR, subtype="PCM_24")
    (attic / "kick_1 quieter.wav").write_bytes(quieter)
    data = encode_wav(make_stroke("snare", 77), sr=SR, subtype="PCM_24")
    (attic / f"{MARKUP_NAME}.wav").write_bytes(data)
    (attic / "broken <i>.wav").write_bytes(b"")


def finished(jobs: ScanJobs) -> ScanState:
    """Wait until the scan has ended and return its state."""
    end = time.monotonic() + WAIT_S
    while jobs.state().is_running:
        assert time.monotonic() < end
        time.sleep(0.01)
    return jobs.state()


@dataclass(frozen=True)
class Place:
    """Where a library and its store are."""

    folder: Path
    store: Path


@pytest.fixture(scope="session")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """One scanned library, not to be changed."""
    root = tmp_path_factory.mktemp("library")
    place = Place(root / "recordings", root / "drums.sqlite")
    write_library(place.folder)
    with Catalog.open(place.store) as catalog:
        report = catalog.scan([place.folder], n_jobs=1)
    assert (len(report.added), len(report.skipped)) == (23, 1)
    return place


@pytest.fixture
def used(scanned: Place) -> Iterator[Place]:
    """The library that is not to be changed, as the page's own."""
    use_store(scanned.store)
    yield scanned
    page().catalog.close()
    use_store(None)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Place]:
    """A library of this test alone, as the page's own."""
    place = Place(tmp_path / "recordings", tmp_path / "drums.sqlite")
    write_library(place.folder)
    with Catalog.open(place.store) as catalog:
        catalog.scan([place.folder], n_jobs=1)
    use_store(place.store)
    yield place
    page().catalog.close()
    use_store(None)
    shutil.rmtree(tmp_path, ignore_errors=True)


class Answer:
    """What came back, read wholly."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status_code = response.status
        self.headers = {name.lower(): value for name, value in response.getheaders()}
        self.content = response.read()

    def json(self) -> Any:
        return json.loads(self.content)


class Client:
    """Asks a server on this machine; a path is sent as it is written."""

    def __init__(self, port: int) -> None:
        self.port = port

    def get(self, path: str, *, params=None, headers=None) -> Answer:
        return self.ask("GET", path + (f"?{urlencode(params)}" if params else ""), headers or {})

    def post(self, path: str, body: bytes = b"") -> Answer:
        """Send bytes as the page itself does."""
        return self.ask("POST", path, {"Origin": f"http://127.0.0.1:{self.port}"}, body)

    def ask(self, method: str, path: str, headers, body: bytes | None = None) -> Answer:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        line.request(method, path, body=body, headers=headers)
        answer = Answer(line.getresponse())
        line.close()
        return answer


@contextmanager
def serve_routes() -> Iterator[Client]:
    """Serve the page's own routes alone, over the catalog that is open."""
    app = Starlette(routes=api_routes(), middleware=security_middleware())
    sock = bind_socket()
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield Client(sock.getsockname()[1])
    server.should_exit = True
    thread.join(10)
    sock.close()


@pytest.fixture
def client(used) -> Iterator[Client]:
    """Asks the routes over the library that is not to be changed."""
    with serve_routes() as one:
        yield one


@pytest.fixture
def own_client(own) -> Iterator[Client]:
    """Asks the routes over a library of this test alone."""
    with serve_routes() as one:
        yield one


@pytest.fixture(scope="module")
def browser() -> Iterator:
    if CHROMIUM is None:
        assert not os.environ.get("CI"), "chromium is missing; it must be there in CI"
        pytest.skip("chromium is not installed (Debian: apt-get install chromium)")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def address(scanned) -> Iterator[str]:
    """The address of a page over the library that is not to be changed."""
    with serve(scanned.store) as found:
        yield found


@pytest.fixture
def visit(browser, address) -> Iterator[Visit]:
    with watch(browser, address) as one:
        one.get(
            "__audition.kitSession.apply('start_over')"
        )  # the kit on the table is kept from visit to visit
        yield one


@pytest.fixture
def own_visit(browser, own) -> Iterator[Visit]:
    """A visit to a page over a library of this test alone."""
    with serve(own.store) as address, watch(browser, address) as one:
        yield one
