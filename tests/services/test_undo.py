"""Every act of the user is undone and done again, and refused where something changed since."""

from __future__ import annotations

import threading
import time
from functools import partial

import numpy as np
import pytest

from catalog import Catalog, StoreError
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.kit.model import Kit
from catalog.library.store.acts import log
from catalog.library.store.store import Store
from tests.signals import SR, as_frames, drum_stroke

STATES = ("here", "aside", "hidden", "missing")
N_ROUNDS = 4  # of a measurement of time, of which the quickest counts: the machine may be busy
NAMES = ("kick_01", "kick_02", "snare_01", "tom_01")


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "barn"
    root.mkdir()
    for seed, name in enumerate(NAMES):
        sound = drum_stroke(60 + 40 * seed, seed=seed)
        (root / f"{name}.wav").write_bytes(encode_wav(as_frames(sound), sr=SR, subtype="PCM_16"))
    (root / "old kick.wav").write_bytes((root / "kick_01.wav").read_bytes())
    take = np.concatenate([drum_stroke(150 + 40 * n, seed=9 + n) for n in range(3)])
    (root / "take.wav").write_bytes(encode_wav(as_frames(take), sr=SR, subtype="PCM_16"))
    return root


def find(cat, name: str) -> int:
    return next(hit.id for hit in cat.hits(states=STATES) if hit.name == name)


def state_of(cat):
    """Return all that an act can change, as the program lists it."""
    database = cat.context.store.database
    tables = ("verdict", "fault_dismissed", "file_said", "kit")
    return (
        {hit.id: repr(hit) for hit in cat.hits(states=("here", "aside", "hidden"))},
        [sorted(database.read(f"SELECT * FROM {table}")) for table in tables],
        database.read_setting("kept"), database.read_setting("sides_said"),
        sorted(path.name for path in cat.hits()[0].path.parent.iterdir()),
    )  # fmt: skip


def save(cat, name="evening", **kit):
    return cat.kits.save(Kit(slots={"kick": (find(cat, "kick_01"),)}, **kit), name)


def change_kit(cat):
    save(cat)
    return lambda: cat.kits.change("evening", lambda kit: kit.with_level("kick", -3.0))


# By name, an act on the catalog; each returns the function that does it, after preparations.
ACTS = {
    "mark": lambda cat: lambda: cat.annotations.mark([1, 2], "master"),
    "tag": lambda cat: lambda: cat.annotations.tag([1, 2, 3], add=["dry"]),
    "remark": lambda cat: lambda: cat.annotations.annotate([1], remark="felt"),
    "role": lambda cat: lambda: cat.set_role(find(cat, "snare_01"), "clap"),
    "session": lambda cat: lambda: cat.takes.set_session([1, 2], "winter"),
    "name": lambda cat: lambda: cat.takes.set_names([1], drum="oak", damping="damped"),
    "verdict": lambda cat: lambda: cat.duplicates.set_verdict(1, 2, True),
    "keep": lambda cat: lambda: cat.duplicates.keep(cat.copies()[0].others[0]),
    "dismiss": lambda cat: lambda: cat.review.dismiss_fault([1], "hum"),
    "hide": lambda cat: lambda: cat.files.hide([find(cat, "tom_01")]),
    "set aside": lambda cat: lambda: cat.set_aside([1, 2], reason="test"),
    "mix": lambda cat: lambda: cat.takes.set_mix(find(cat, "tom_01"), "1"),
    "save kit": lambda cat: lambda: save(cat),
    "change kit": change_kit,
    "rename kit": lambda cat: save(cat) and (lambda: cat.kits.rename("evening", "night")),
    "delete kit": lambda cat: save(cat) and (lambda: cat.kits.delete("evening")),
}


@pytest.mark.parametrize("verb", ACTS)
def test_an_act_is_undone_and_done_again(cat, verb):
    act = ACTS[verb](cat)
    before = state_of(cat)
    act()
    after = state_of(cat)
    assert before != after
    assert cat.files.acts(1)[0].verb == verb
    assert [done.verb for done in cat.undo().acts] == [verb]
    assert state_of(cat) == before
    assert [done.verb for done in cat.redo().acts] == [verb]
    assert state_of(cat) == after
    assert cat.redo().acts == ()
    cat.undo()
    assert state_of(cat) == before
    assert cat.review.check_store().is_whole


def test_a_cut_is_undone_with_the_ids_and_annotations_of_its_strokes(cat):
    strokes = cat.takes.regions(find(cat, "take #1"))
    cat.annotations.mark([strokes[1].id], "master")
    before = [repr(hit) for hit in cat.takes.regions(strokes[0].id)]
    cat.takes.merge_regions([strokes[0].id, strokes[1].id])
    assert len(cat.takes.regions(strokes[0].id)) == len(strokes) - 1
    assert cat.undo().acts[0].verb == "cut"
    assert [repr(hit) for hit in cat.takes.regions(strokes[0].id)] == before
    assert cat.redo().acts[0].verb == "cut"
    assert len(cat.takes.regions(strokes[0].id)) == len(strokes) - 1


def test_what_one_press_does_to_files_and_hits_is_one_act(cat):
    before = state_of(cat)
    with cat.files.as_one_act("set aside", "2 hits: test"):
        cat.set_aside([1], reason="test")
        cat.files.hide([2])
    (act,) = cat.files.acts()
    assert (act.verb, act.summary, act.n_changes) == ("set aside", "2 hits: test", 2)
    assert len(cat.undo().events) == 2
    assert state_of(cat) == before


def test_the_last_act_is_undone_first_and_a_new_one_ends_redoing(cat):
    cat.annotations.mark([1], "master")
    cat.annotations.tag([1], add=["dry"])
    assert [cat.undo().acts[0].verb for _ in range(2)] == ["tag", "mark"]
    assert cat.undo().acts == ()
    assert cat.redo().acts[0].verb == "mark"
    cat.annotations.mark([2], "spare")
    assert cat.redo().acts == ()
    assert [act.verb for act in cat.files.acts() if not act.undone] == ["mark", "mark"]
    assert (cat.hit(1).mark, cat.hit(1).tags, cat.hit(2).mark) == ("master", (), "spare")


def test_an_act_below_a_newer_change_of_the_same_row_is_refused_in_one_sentence(cat):
    cat.annotations.tag([1, 2], add=["dry"])
    cat.annotations.tag([2], add=["wet"])
    cat.annotations.mark([1], "master")  # another column: no obstacle
    first = cat.files.acts()[0].id
    before = state_of(cat)
    text = r"^tag \(2 hits: \+dry\) cannot be undone: hit 2 was changed since; nothing was changed$"
    with pytest.raises(StoreError, match=text):
        cat.files.undo([first])
    assert state_of(cat) == before
    cat.files.undo([first + 1])
    cat.files.undo([first])
    assert (cat.hit(1).tags, cat.hit(2).tags, cat.hit(1).mark) == ((), (), "master")


def test_a_kit_saved_since_stays(cat):
    save(cat)
    cat.kits.change("evening", lambda kit: kit.with_level("kick", -3.0))
    first = cat.files.acts()[0].id
    with pytest.raises(StoreError, match="the kit “evening” was changed since"):
        cat.files.undo([first])
    cat.kits.delete("evening")
    save(cat)
    with pytest.raises(StoreError, match="another kit is named “evening” now"):
        cat.files.undo([cat.files.acts()[2].id])
    assert len(cat.kits.saved()) == 1


def test_roles_that_followed_an_example_follow_its_undo(cat, folder):
    snare = find(cat, "snare_01")
    mystery = folder / "mystery.wav"
    sound = drum_stroke(60 + 40 * 2, seed=2) * 0.9
    mystery.write_bytes(encode_wav(as_frames(sound), sr=SR, subtype="PCM_16"))
    cat.scan([folder], n_jobs=1)
    before = cat.hit(find(cat, "mystery"))
    answer = cat.set_role(snare, "clap")
    follower = cat.hit(before.id)
    assert (before.id, before.role, "clap") in answer.followed
    assert (follower.role, follower.role_source) == ("clap", "example")
    cat.undo()
    assert cat.hit(before.id) == before


def test_a_role_returns_to_the_automatic_one(cat, capsys):
    snare = find(cat, "snare_01")
    before = cat.hit(snare)
    cat.set_role(snare, "clap")
    cat.set_role(snare, "")
    assert cat.hit(snare) == before
    assert cat.files.acts(1)[0].summary == f"hit {snare}, snare_01: automatic"
    cat.undo()
    assert (cat.hit(snare).role, cat.hit(snare).role_source) == ("clap", "user")
    store = ["--store", str(cat.store_path)]
    assert main(["role", "auto", str(snare), *store]) == 0
    assert cat.hit(snare) == before
    capsys.readouterr()


def test_another_process_undoes_what_this_one_did(cat):
    cat.annotations.mark([1], "master")
    with Catalog.open(cat.store_path) as other:
        assert other.undo().acts[0].verb == "mark"
        other.annotations.mark([2], "spare")
    assert cat.hit(1).mark == ""
    assert [act.id for act in cat.files.acts()] == sorted({act.id for act in cat.files.acts()})
    assert cat.undo().acts[0].summary == "hit 2, kick_02: spare"


def test_a_change_without_effect_or_by_a_scan_is_no_act(cat, folder):
    cat.annotations.mark([1], "")
    cat.scan([folder], n_jobs=1, again=True)
    cat.duplicates.set_verdict(1, 2, None)
    assert cat.files.acts() == []
    assert cat.undo().acts == ()


def test_acts_of_several_threads_are_kept_apart(cat):
    def mark(hit_id: int) -> None:
        for word in ("master", "spare"):
            cat.annotations.mark([hit_id], word)

    threads = [threading.Thread(target=mark, args=(hit_id,)) for hit_id in (1, 2, 3, 4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [act.n_changes for act in cat.files.acts()] == [1] * 8
    for _ in range(8):
        cat.undo()
    assert {hit.mark for hit in cat.hits()} == {""}


def test_a_failed_act_is_not_in_the_history(cat):
    with pytest.raises(StoreError):
        cat.annotations.annotate([1, 9999], mark="master")
    store = cat.context.store

    def fail() -> None:
        with store.act("mark", "x"), store.writing():
            store.annotations.set_mark([1], "master")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert (cat.files.acts(), cat.hit(1).mark) == ([], "")
    cat.annotations.mark([1], "master")
    assert len(cat.files.acts()) == 1


def test_a_damaged_record_of_an_act_is_not_undone(cat):
    cat.annotations.mark([1], "master")
    with Store.open(cat.store_path) as store:
        store.database._connection.execute("DROP TRIGGER temp.act_change_update")
        store.database._connection.execute('UPDATE act_change SET before = \'{"mark": "spare"}\'')
    with pytest.raises(StoreError, match="what an act changed is damaged"):
        cat.undo()
    assert cat.hit(1).mark == "master"
    assert [row.part for row in cat.review.check_store().rows] == ["act_change"]


def test_the_oldest_acts_give_way(cat, monkeypatch):
    monkeypatch.setattr(log, "MAX_CHANGES", 6)
    for k in range(6):
        cat.annotations.tag([1, 2], add=[f"tag {k}"])
    Catalog.open(cat.store_path).close()
    acts = cat.files.acts()
    assert len(acts) == 6
    assert [act.n_changes for act in acts][-1] == 2
    assert acts[0].n_changes == 0
    with pytest.raises(StoreError, match="cannot be undone any more"):
        cat.files.undo([acts[0].id])


def test_a_tag_over_5000_hits_and_its_undo_take_a_second_each(cat):
    store = cat.context.store
    with store.writing() as db:  # rows as a scan of so many files leaves them
        columns = [row[1] for row in db.execute("PRAGMA table_info(hit)") if row[1] != "id"]
        listed = ", ".join(columns)
        values = listed.replace("path", "path || '-' || n", 1)
        db.execute(
            "WITH RECURSIVE count(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM count WHERE n < 5000)"
            f" INSERT INTO hit ({listed}) SELECT {values} FROM count, hit WHERE hit.id = 1"
        )
    ids = [row[0] for row in store.database.read("SELECT id FROM hit ORDER BY id")][-5000:]

    def seconds(work) -> float:
        began = time.process_time()  # of this process, so that others do not count
        work()
        return time.process_time() - began

    rounds = []
    while len(rounds) < N_ROUNDS and (not rounds or max(map(min, zip(*rounds, strict=True))) >= 1):
        if rounds:
            cat.undo()  # the redo of the round before
        add = partial(cat.annotations.annotate, ids, add=["dry"])
        rounds.append([seconds(work) for work in (add, cat.undo, cat.redo)])
    tagged = store.database.read("SELECT count(*) FROM hit WHERE tags = '[\"dry\"]'")
    assert tagged == [(5000,)]
    assert max(map(min, zip(*rounds, strict=True))) < 1.0, rounds


def test_the_command_line_undoes_and_lists_acts(cat, capsys):
    def call(*arguments):
        code = main([*map(str, arguments), "--store", str(cat.store_path)])
        captured = capsys.readouterr()
        return code, captured.out

    assert call("history") == (0, "nothing was done yet\n")
    call("tag", 1, 2, "--add", "dry")
    call("set-aside", find(cat, "tom_01"), "--yes")
    assert "tag         2 hits: +dry" in call("history")[1]
    code, out = call("undo")
    assert (code, "nothing was undone; add --yes to do it" in out) == (0, True)
    assert cat.hit(find(cat, "tom_01")).state == "aside"
    assert call("undo", "--yes")[0] == 0
    assert call("undo")[0] == 0
    assert cat.hit(1).tags == ()
    assert "(undone)" in call("history")[1]
    assert call("redo")[0] == 0
    assert cat.hit(1).tags == ("dry",)
    assert "would do again" in call("redo")[1]
    assert call("redo", "--yes")[0] == 0
    assert cat.hit(find(cat, "tom_01")).state == "aside"
    assert call("redo")[0] == 1
    assert call("undo", 999)[0] == 2
