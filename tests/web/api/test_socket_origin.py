"""The socket of a served page: only the page's own origin may open it."""

from __future__ import annotations

import time

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from tests.web.visits import serve

PATH = "_stcore/stream"


def open_socket(address: str, origin: str | None) -> None:
    """Open and close the socket; wait for a server that has printed its address only."""
    url = address.replace("http://", "ws://") + PATH
    for _ in range(100):
        try:
            with connect(url, origin=origin, subprotocols=["streamlit"], open_timeout=20):
                return
        except ConnectionRefusedError:
            time.sleep(0.1)
    raise AssertionError("the server does not listen")


@pytest.mark.slow
def test_only_the_page_itself_may_open_its_socket(scanned):
    with serve(scanned.store) as address:
        own = address.rstrip("/")
        open_socket(address, own)
        for origin in (None, "null", "http://127.0.0.1:9", "https://elsewhere.example"):
            with pytest.raises(InvalidStatus, match="403"):
                open_socket(address, origin)


def test_every_answer_bars_embedding_guessing_and_referring(client):
    for path in ("/api/kit", "/api/nowhere"):
        headers = client.get(path).headers
        assert headers["content-security-policy"] == "frame-ancestors 'none'"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
