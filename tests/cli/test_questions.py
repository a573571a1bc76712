"""Ordinary questions, each answered by one command, on the demo library."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.search.conditions.text import FLAGS
from catalog.web.state import page, use_store
from tests.walk import demo_folder
from tests.web.conftest import serve_routes

MANY = 10**6


@pytest.fixture(scope="module")
def store():
    """Return the store of the demo library with some annotations and a saved kit."""
    with demo_folder() as folder, Catalog.open("drums.sqlite") as cat:
        cat.scan(["recordings"])
        snares = [hit.id for hit in cat.hits(role="snare")]
        cat.annotations.annotate(snares[:4], mark="master", add=["dry"])
        cat.annotations.annotate(snares[4:5], mark="no-good", remark="loose wire")
        cat.kits.save(cat.fill_kit({}, ["kick", "snare"]), "evening")
        yield folder / "drums.sqlite"


# A question in words, its command, the least and the most answers, and what holds for each of them.
LISTS = [
    ("open hats that ring longer than a third of a second", "hits role:hat_open length:0.33..",
     1, 16, lambda h: h["role"] == "hat_open" and h["descriptors"]["length_s"] >= 0.33),
    ("all hats", "hits --role hat", 30, 60, lambda h: h["role"].startswith("hat_")),
    ("hits with hum", "hits --fault hum", 0, 20, lambda h: True),
    ("which hits are clipped", "hits --fault clipped", 1, 5, lambda h: True),
    ("hits without any fault marked master", "hits --mark master", 4, 4,
     lambda h: h["mark"] == "master"),
    ("find by name", "hits --name '*ghost*'", 3, 6, lambda h: "ghost" in h["path"]),
    ("find by words", "hits brass towel", 6, 8, lambda h: "towel" in h["path"]),
    ("find by words with a typo", "hits braas towel", 6, 8, lambda h: "towel" in h["path"]),
    ("the longest hits", "hits --sort -length --limit 5", 5, 5, lambda h: True),
    ("the shortest kicks", "hits --role kick --sort length --limit 3", 3, 3,
     lambda h: h["role"] == "kick"),
    ("hits whose role is uncertain", "hits --unsure", 5, 200,
     lambda h: h["role_confidence"] < 0.6),
    ("hits whose name contradicts the sound", "hits --misnamed", 0, 5,
     lambda h: h["role_source"] == "name"),
    ("the newest hits", "hits --sort -scanned --limit 20", 20, 20, lambda h: True),
    ("what came in today", "hits --scanned today", 200, 287, lambda h: True),
    ("recorded in April 2022", "hits --recorded 2022-04", 20, 60,
     lambda h: h["origin"]["date"].startswith("2022-04")),
    ("a session by its last word", "hits --session boathouse", 20, 60,
     lambda h: h["session"] == "Vellanby boathouse"),
    ("two sessions at once", "hits --session barn --session loft", 50, 200,
     lambda h: "barn" in h["session"] or "loft" in h["session"]),
    ("all sittings in the kitchen", "hits --session 'kitchen*'", 20, 100,
     lambda h: "Kitchen" in h["session"]),
    ("short bright snares", "hits --role snare --length ..200ms --brightness 2k..", 1, 40,
     lambda h: h["descriptors"]["centroid_hz"] >= 2000),
    ("toms between 80 and 150 Hz", "hits --role tom --body 80..150", 1, 17,
     lambda h: 80 <= h["descriptors"]["body_hz"] <= 150),
    ("loud hits", "hits --peak -3..", 10, 287, lambda h: h["descriptors"]["peak_db"] >= -3),
    ("noisy recordings", "hits --floor -50..", 0, 100,
     lambda h: h["descriptors"]["floor_db"] >= -50),
    ("stereo hits", "hits --channels 2", 0, 287, lambda h: h["n_channels"] == 2),
    ("recorded at 48 kHz", "hits --rate 48k", 10, 287, lambda h: h["sr"] == 48000),
    ("with the overhead microphone", "hits --microphone oh", 5, 60, lambda h: True),
    ("damped drums", "hits --damping damped", 10, 40, lambda h: True),
    ("one drum", "hits --drum 'SN brass towel'", 6, 6, lambda h: h["drum"] == "SN brass towel"),
    ("by tag", "hits --tag dry", 4, 4, lambda h: h["tags"] == ["dry"]),
    ("by remark", "hits loose wire", 1, 1, lambda h: h["remark"] == "loose wire"),
    ("from one folder", "hits --name '*/for_mixing/*'", 20, 40,
     lambda h: "for_mixing" in h["path"]),
    ("like hit 42 but only snares of the boathouse", "hits --like 42 --session boathouse --limit 5",
     5, 5, lambda h: h["session"] == "Vellanby boathouse"),
    ("copies of a hit", "hits --copies-of 5", 1, 3, lambda h: True),
    ("quiet toms or long kicks, in SQL",
     "hits --where \"role = 'tom' and peak < -6 or role = 'kick' and length > 0.3\"", 1, 40,
     lambda h: h["role"] in ("tom", "kick")),
    ("other strokes of this drum", "alternates 42 -n 5", 5, 5, lambda m: m["distance"] > 0),
    ("a brighter one like this", "similar 42 --but brighter", 1, 10, lambda m: m["distance"] > 0),
    ("like this from the boathouse", "similar 42 --session boathouse -n 3", 3, 3,
     lambda m: "vellanby" in m["path"] or "Snare_0" in m["path"]),
    ("like this with no fault, short", "similar 42 --length ..150ms", 1, 10,
     lambda m: m["distance"] > 0),
    ("how is this related to others", "related 42", 5, 20, lambda r: r["kind"] != ""),
    ("what is there twice", "copies", 25, 30, lambda g: g["others"] != []),
    ("what is there twice in one session", "copies session:loft", 1, 29, lambda g: True),
    ("pairs that are in doubt", "doubts", 10, 40, lambda p: 0 < p["evidence"] <= 1),
    ("faults of one session", "faults session:for_mixing", 1, 20, lambda f: f["weight"] > 0),
    ("takes with many strokes", "takes", 0, 10, lambda t: True),
    ("my sessions", "sessions", 7, 7, lambda s: s["n_hits"] > 0),
    ("my kits", "kits", 1, 1, lambda k: k["name"] == "evening"),
    ("files that could not be read", "skipped", 5, 7, lambda s: s["reason"] != ""),
    ("what was changed", "history", 0, MANY, lambda e: True),
]  # fmt: skip


def ask(store: Path, capsys: pytest.CaptureFixture[str], command: str, *options: str):
    code = main(["--store", str(store), *options, *shlex.split(command)])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return captured.out


@pytest.mark.parametrize(
    ("command", "least", "most", "holds"), [q[1:] for q in LISTS], ids=[q[0] for q in LISTS]
)
def test_a_question_is_answered_by_one_command(store, capsys, command, least, most, holds):
    rows = json.loads(ask(store, capsys, command, "--json"))
    assert least <= len(rows) <= most
    assert all(map(holds, rows))


def test_there_are_at_least_forty_questions():
    assert len({question[1] for question in LISTS}) >= 40


# What the search field of the page is asked where it is not the command's own words.
IN_THE_FIELD = {
    "hits loose wire": "loose wire mark:no-good",  # such hits are shown only if their mark is named
    "alternates 42 -n 5": "like:42 limit:5",
    "similar 42 --session boathouse -n 3": "like:42 session:boathouse limit:3",
    "similar 42 --length ..150ms": "like:42 length:..150ms limit:10",
    "faults session:for_mixing": "fault:any session:for_mixing",
    "takes": 'name:"*#*"',
}
# Questions that a part of the page answers when it is opened: its route, and the list in it.
IN_A_PART = {
    "similar 42 --but brighter": ("/api/near/42?but=brighter", lambda a: a["similar"]),
    "related 42": ("/api/near/42", lambda a: a["alternates"] + a["similar"]),
    "copies": ("/api/duplicates", lambda a: a["groups"]),
    "copies session:loft": ("/api/duplicates", lambda a: a["groups"]),
    "doubts": ("/api/duplicates", lambda a: a["groups"]),
    "kits": ("/api/kits", lambda a: a["kits"]),
    "history": ("/api/now", lambda a: a["acts"]["list"]),
}
IN_A_VIEW = ("sessions", "skipped")  # lists of the views, which have tests of their own


def words_for_the_field(command: str) -> str:
    """Return the options of `hits` as terms of the search field: --role hat as role:"hat"."""
    words = shlex.split(command)[1:]
    terms: list[str] = []
    for word in words:
        if terms and terms[-1].endswith(":"):
            terms[-1] += f'"{word}"'
        elif word.startswith("--"):
            name = word.removeprefix("--")
            terms.append(f"{name}:yes" if name in FLAGS else f"{name}:")
        else:
            terms.append(word)
    return " ".join(terms)


@pytest.fixture(scope="module")
def client(store):
    use_store(store)
    with serve_routes() as client:
        yield client
    use_store(None)


def found_by_the_field(client, text: str) -> set[int]:
    pack = page().points()
    answer = client.post_json("/api/find", {"query": text, "points": pack.version})
    assert answer.status_code == 200, answer.content
    bits = np.unpackbits(np.frombuffer(answer.content, np.uint8))[: len(pack.ids)]
    return {int(hit_id) for hit_id in pack.ids[bits.astype(bool)]}


def test_the_search_field_of_the_page_answers_the_same_questions_in_one_step(client, store, capsys):
    no_good = {hit["id"] for hit in json.loads(ask(store, capsys, "hits mark:no-good --json"))}
    for question, command, least, most, _ in LISTS:
        if command in IN_A_PART or command in IN_A_VIEW:
            continue
        text = IN_THE_FIELD.get(command, words_for_the_field(command))
        found = found_by_the_field(client, text)
        assert len(found) <= most, question
        if command.split()[0] == "hits":
            listed = {hit["id"] for hit in json.loads(ask(store, capsys, f"{command} --json"))}
            expected = listed if "mark:" in text else listed - no_good
            assert (question, found) == (question, expected)
        else:
            assert len(found) >= min(least, 1), question


def test_the_other_questions_are_answered_by_a_part_of_the_page(client):
    for command, (route, rows) in IN_A_PART.items():
        answer = client.get(route)
        assert answer.status_code == 200, command
        assert isinstance(rows(answer.json()), list), command
    asked = {question[1] for question in LISTS}
    assert {*IN_THE_FIELD, *IN_A_PART, *IN_A_VIEW} <= asked


@pytest.mark.parametrize("width", [80, 120, 200])
def test_the_lists_of_all_questions_fit_the_terminal(store, capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    for _, command, *_ in LISTS:
        if command.split()[0] in ("hits", "alternates", "similar", "related", "copies", "doubts",
                                  "faults"):  # fmt: skip
            lines = ask(store, capsys, command).splitlines()
            assert max(map(len, lines), default=0) <= width, command


def test_numbers_of_hits_can_be_passed_on(store, capsys, monkeypatch):
    import io

    ids = ask(store, capsys, "hits --role kick --session loft --ids")
    monkeypatch.setattr("sys.stdin", io.StringIO(ids))
    tagged = json.loads(ask(store, capsys, "tag --add loft-kick -", "--json"))
    assert [hit["id"] for hit in tagged] == [int(word) for word in ids.split()]
    assert all("loft-kick" in hit["tags"] for hit in tagged)


def test_a_change_of_a_whole_query_needs_a_yes(store, capsys):
    command = ["--store", str(store), "tag", "--add", "low", "role:tom", "body:..100"]
    assert main(command) == 1
    err = capsys.readouterr().err
    assert "would add the tag low: " in err
    assert "nothing was changed; add --yes to do it" in err
    assert ask(store, capsys, "hits --tag low --ids") == ""
    assert main([*command, "--yes"]) == 0
    capsys.readouterr()
    assert ask(store, capsys, "hits --tag low --ids") == ask(
        store, capsys, "hits --role tom --body ..100 --ids"
    )


def test_a_change_of_nothing_is_refused(store, capsys):
    assert main(["--store", str(store), "mark", "master"]) == 2
    assert "no hits are given" in capsys.readouterr().err


def test_a_kit_is_filled_from_some_sessions_only(store, capsys):
    kit = json.loads(ask(store, capsys, "fill --slots kick,snare --session loft", "--json"))
    with Catalog.open(store) as cat:
        chosen = [cat.hit(ids[0]) for ids in kit["slots"].values()]
    assert {hit.session for hit in chosen} == {"loft_2024"}


def test_marked_hits_are_copied_out_verified_and_nothing_is_moved(store, capsys, tmp_path):
    before = {hit["path"] for hit in json.loads(ask(store, capsys, "hits --json"))}
    out = ask(store, capsys, f"copy-out {tmp_path / 'new'} mark:master")
    assert "4 files, read back and checked" in out
    rows = json.loads(ask(store, capsys, "hits mark:master --json"))
    for row in rows:
        source = Path(row["path"])
        assert (tmp_path / "new" / source.name).read_bytes() == source.read_bytes()
    assert {hit["path"] for hit in json.loads(ask(store, capsys, "hits --json"))} == before
    assert main(["--store", str(store), "copy-out", str(tmp_path / "new"), "mark:master"]) == 2
    assert "exists already" in capsys.readouterr().err


def test_nothing_is_copied_if_no_hit_matches(store, capsys, tmp_path):
    assert ask(store, capsys, f"copy-out {tmp_path / 'none'} tag:unknown") == ""
    assert not (tmp_path / "none").exists()


def test_info_counts_what_there_is(store, capsys):
    found = json.loads(ask(store, capsys, "info --json"))
    assert (found["hits_with_each_microphone"], found["sessions"], found["kits"]) == (287, 7, 1)
    assert found["store"] == str(store)
