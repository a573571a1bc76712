from __future__ import annotations

import json

import pytest

from catalog.models import MARKS, ROLES
from catalog.web.api.annotations import read_annotation
from catalog.web.state import page


def test_annotations_are_stored_and_undone_act_by_act(own_client):
    catalog = page().catalog
    first, second, *_ = catalog.hits()

    def annotate(*hits, **values) -> dict:
        body = {"ids": [hit.id for hit in hits], **values}
        return own_client.post_json("/api/annotate", body).json()

    starred = annotate(first, second, mark="master", add=["dry"])
    assert [row[0] for row in starred["changed"]] == [first.id, second.id]
    assert {row[2] for row in starred["changed"]} == {MARKS.index("master")}
    assert starred["acts"]["undo"]["text"] == "mark: 2 hits: master, +dry"
    renamed = annotate(first, role="wood")
    assert [first.id, ROLES.index("wood"), MARKS.index("master")] in renamed["changed"]
    undone = own_client.post("/api/undo").json()
    assert undone["text"] == f"role: hit {first.id}, {first.name}: wood"
    assert catalog.hit(first.id).role == first.role
    own_client.post("/api/undo")
    assert catalog.hit(second.id) == second
    assert own_client.post("/api/undo").json()["changed"] == []
    redone = own_client.post("/api/redo").json()
    assert (redone["left"], redone["acts"]["redo"]["text"]) == ([], renamed["acts"]["undo"]["text"])
    assert catalog.hit(second.id).tags == ("dry",)


@pytest.mark.parametrize(
    "body",
    [
        {"ids": []}, {"ids": [1]}, {"ids": ["1"], "mark": "master"},
        {"ids": [True], "mark": "master"},
        {"ids": [1], "mark": 3}, {"ids": [1], "add": "dry"},
        {"ids": [1], "mark": "master", "path": "/etc/passwd"}, [1], None,
    ],
)  # fmt: skip
def test_a_body_of_another_form_is_refused(body):
    with pytest.raises(ValueError, match=r"no hits named|not understood"):
        read_annotation(body)


def test_a_refused_annotation_changes_nothing(client):
    hit = page().catalog.hits()[0]
    url, star = "/api/annotate", {"ids": [hit.id], "mark": "master"}
    assert (
        b"marks are master" in client.post_json(url, star | {"mark": "nice", "add": ["x"]}).content
    )
    assert client.post_json(url, star | {"ids": [hit.id, 9999]}).status_code == 404
    assert client.post(url, b"{").status_code == 400
    assert client.post(url, b" " * (2**20 + 1)).content == b"too much at once"
    for headers in ({}, {"Origin": "https://evil.example"}):  # not from the page itself
        assert client.send("POST", url, headers, json.dumps(star).encode()).status_code == 403
    assert page().catalog.hit(hit.id) == hit
