"""Questions saved under a name, by the route that the page uses."""

from __future__ import annotations

from catalog import Catalog


def change(client, op: str, name: str, **values: object):
    return client.post_json("/api/questions", {"op": op, "name": name, **values})


def test_questions_are_saved_replaced_deleted_and_kept_in_the_store(own_client, own):
    assert own_client.get("/api/questions").json() == []
    change(own_client, "save", "short  snares", text="?roles=snare&length_s_to=0.3")
    saved = change(own_client, "save", "Around <b>", text="", drawn=[9, 3, 3]).json()
    assert [(one["name"], one["drawn"]) for one in saved] == [
        ("Around <b>", [3, 9]),
        ("short snares", None),
    ]
    change(own_client, "save", "short snares", text="?roles=snare")
    change(own_client, "delete", "Around <b>")
    with Catalog.open(own.store) as catalog:
        n_acts = len(catalog.files.acts(9))
    expected = [{"name": "short snares", "text": "?roles=snare", "drawn": None}]
    assert own_client.get("/api/questions").json() == expected
    assert n_acts == 0  # it changes no hit, so it is no step of undo


def test_questions_that_cannot_be_saved_are_refused(client):
    for values in ({"text": "x" * 5_000}, {"text": 3}, {"text": "", "drawn": ["a"]}, {}):
        assert change(client, "save", "snares", **values).status_code == 400
    assert change(client, "save", "  ", text="").status_code == 400
    assert change(client, "burn", "snares", text="").status_code == 400
    assert client.post_json("/api/questions", ["save"]).status_code == 400
    assert client.get("/api/questions").json() == []
