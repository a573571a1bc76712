"""Absurd requests: refused with a status from 400 to 499, never with an error page."""

from __future__ import annotations

import json

import pytest

BIG = "9" * 5000
DEEP = b"[" * 10_000 + b"]" * 10_000


@pytest.mark.parametrize(
    "path",
    [
        f"/api/about/{BIG}",
        f"/api/near/{BIG}",
        f"/api/hit/{BIG}/1.wav",
        f"/api/hit/1/{BIG}.wav",
        f"/api/overlay/{BIG}/1",
        f"/api/wave/1/1/0-{BIG}",
        f"/api/about/{10**20}",
        f"/api/preview?ids={BIG}",
        f"/api/preview?ids={10**20}",
        "/api/peaks?ids=nan",
        "/api/phrase/nowhere",
        "/api/near/1?but=%ED%A0%80",
    ],
)
def test_an_absurd_address_is_refused(client, path):
    answer = client.get(path)
    assert answer.status_code < 500
    assert b"Traceback" not in answer.content


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/annotate", DEEP),
        ("/api/annotate", b'{"ids": [1], "remark": "\\ud800"}'),
        ("/api/annotate", json.dumps({"ids": [10**30], "mark": "master"}).encode()),
        ("/api/annotate", b'{"ids": [1], "mark": ' + b"1" * 5000 + b"}"),
        ("/api/kit/action", DEEP),
        ("/api/kit/action", b'{"op": "fill", "slots": 5}'),
        ("/api/kit/action", b'{"op": "fill", "slots": [[1]]}'),
        ("/api/kit/action", b'{"op": "lock", "slot": ["snare"]}'),
        ("/api/kit/action", b'{"op": ["lock"], "slot": "snare"}'),
        ("/api/kit/action", b'{"op": "assign", "slot": "snare", "id": [1]}'),
        ("/api/kit/action", b'{"op": "level", "slot": "snare", "level_db": NaN}'),
        ("/api/kit/action", b'{"op": "choose", "k": 1e400}'),
        ("/api/kit/action", b'{"op": "open", "name": "\\ud800"}'),
    ],
)
def test_an_absurd_body_is_refused(own_client, path, body):
    before = own_client.get("/api/kit").json()
    answer = own_client.post(path, body)
    assert answer.status_code in (400, 404)
    assert answer.content != b"Not Found"  # the route exists
    assert b"Traceback" not in answer.content
    assert own_client.get("/api/kit").json() == before
