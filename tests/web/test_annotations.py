from __future__ import annotations

import json

import pytest

from catalog.models import ROLES
from catalog.web.api.annotations import read_annotation
from catalog.web.state import page


def say(client, **what):
    return client.post("/api/annotate", json.dumps(what).encode())


def test_what_is_said_is_in_the_store_and_taken_back_step_by_step(own_client):
    catalog = page().catalog
    first, second, *_ = catalog.hits()
    told = json.loads(say(own_client, ids=[first.id, second.id], mark="star", add=["dry"]).content)
    assert [row[0] for row in told["changed"]] == [first.id, second.id]
    assert {row[2] for row in told["changed"]} == {3}
    later = json.loads(say(own_client, ids=[first.id], role="wood").content)
    assert [first.id, ROLES.index("wood"), 3] in later["changed"]
    assert own_client.post(f"/api/revert/{later['step']}").status_code == 200
    assert catalog.hit(first.id).role == first.role
    back = json.loads(own_client.post(f"/api/revert/{told['step']}").content)
    assert catalog.hit(second.id) == second
    assert own_client.post(f"/api/revert/{told['step']}").status_code == 404
    own_client.post(f"/api/revert/{back['step']}")
    assert catalog.hit(second.id).tags == ("dry",)


@pytest.mark.parametrize(
    "body",
    [
        {"ids": []},
        {"ids": [1]},
        {"ids": ["1"], "mark": "star"},
        {"ids": [True], "mark": "star"},
        {"ids": [1], "mark": 3},
        {"ids": [1], "add": "dry"},
        {"ids": [1], "mark": "star", "path": "/etc/passwd"},
        [1],
        None,
    ],
)
def test_what_is_not_understood_is_refused(body):
    with pytest.raises(ValueError, match=r"no hits named|not understood"):
        read_annotation(body)


def test_refusals_have_words_and_change_nothing(own_client):
    catalog = page().catalog
    hit = catalog.hits()[0]
    assert b"marks are keep" in say(own_client, ids=[hit.id], mark="nice", add=["x"]).content
    assert say(own_client, ids=[hit.id, 9999], mark="star").status_code == 404
    assert own_client.post("/api/annotate", b"{").status_code == 400
    assert own_client.post("/api/annotate", b" " * (2**20 + 1)).content == b"too much at once"
    assert catalog.hit(hit.id) == hit


def test_another_site_says_nothing(own_client):
    hit = page().catalog.hits()[0]
    body = json.dumps({"ids": [hit.id], "mark": "star"}).encode()
    for headers in ({}, {"Origin": "https://evil.example"}):
        assert own_client.ask("POST", "/api/annotate", headers, body).status_code == 403
    assert page().catalog.hit(hit.id).mark == ""
