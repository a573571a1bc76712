"""Damaged words of the user are not used in silence, and a backup gives them back."""

from __future__ import annotations

import contextlib
import sqlite3

import pytest

from catalog.__main__ import main
from catalog.errors import StoreError
from catalog.library.files.journal import open_store
from catalog.library.store.store import Store

KIT = '{"name": "evening", "slots": {"kick": [1]}, "locked": [], "why": {}, "score": 0}'


@pytest.fixture
def backed_up(scanned):
    """Return the path of a store with words of the user and a backup of all of them."""
    scanned.annotations.set_remark([3], "the good one")
    scanned.annotations.set_mark([3], "master")
    scanned.hits.set_role(2, "clap")
    scanned.kits.save("evening", KIT)
    scanned.pair_answers.save(scanned.hits.get(1), scanned.hits.get(2), True)
    scanned.close()
    with Store.open(scanned.path) as store:
        store.database.save_setting("any", 1)
    return scanned.path


def tamper(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute(sql)


def test_a_damaged_kit_is_named_with_the_backup_that_has_it(backed_up, capsys):
    tamper(backed_up, "UPDATE kit SET payload = replace(payload, '[1]', '[3]')")
    with open_store(backed_up) as store:
        for read in (store.kits.read, lambda: store.kits.newest("evening")):
            with pytest.raises(StoreError, match="kit “evening” is damaged; the backup of 20"):
                read()
    store = ["--store", str(backed_up)]
    assert main(["kits", *store]) == 1
    assert main(["check", *store]) == 1
    assert "restore it with `catalog check --from-backup`" in capsys.readouterr().out
    assert main(["check", "--from-backup", *store]) == 1
    assert main(["check", *store]) == 0
    with open_store(backed_up) as opened:
        assert opened.kits.newest("evening").payload == KIT


def test_a_damaged_verdict_is_not_used(backed_up):
    tamper(backed_up, "UPDATE verdict SET same = 0")
    with open_store(backed_up) as store, pytest.raises(StoreError, match="verdict on two hits is"):
        store.pair_answers.read()
    assert main(["check", "--from-backup", "--store", str(backed_up)]) == 1
    with open_store(backed_up) as store:
        assert list(store.pair_answers.read().values()) == [True]


@pytest.mark.parametrize("change", ["remark = 'x'", "tags = '[\"x\"]'", "session_source = 'user'"])
def test_words_that_damage_gave_to_a_hit_without_any_are_reported(backed_up, change, caplog):
    tamper(backed_up, f"UPDATE hit SET {change} WHERE id = 2")
    with open_store(backed_up) as store:
        assert store.hits.damage() == []
        store.hits.read()
        store.hits.get(2)
        (text,) = store.hits.damage()
        assert "what you wrote about hit 2" in text
        assert caplog.text.count("what you wrote about hit 2") == 1
    assert main(["check", "--as-it-is", "--store", str(backed_up)]) == 1
    with open_store(backed_up) as store:
        store.hits.read()
        assert store.hits.damage() == []


@pytest.mark.parametrize(
    "change", ["remark = 'the food one'", "mark = ''", "mark = '', remark = ''", "hidden = 1"]
)
def test_damaged_words_of_a_hit_are_reported_when_read(backed_up, change, caplog):
    tamper(backed_up, f"UPDATE hit SET {change} WHERE id = 3")
    with open_store(backed_up) as store:
        store.hits.read()
        store.hits.read(states=("here", "hidden"))
        assert caplog.text.count("what you wrote about hit 3") == 1
        assert "UTC" in caplog.text
        caplog.clear()
        store.hits.get(3)
    with open_store(backed_up) as store:
        store.hits.get(3)
        assert caplog.text.count("what you wrote about hit 3") >= 1
    assert main(["check", "--from-backup", "--store", str(backed_up)]) == 1
    with open_store(backed_up) as store:
        hit = store.hits.get(3)
        assert (hit.remark, hit.mark, hit.state) == ("the good one", "master", "here")
    assert main(["check", "--store", str(backed_up)]) == 0


def test_a_damaged_role_of_the_user_is_taken_from_the_backup(backed_up):
    tamper(backed_up, "UPDATE hit SET role = 'clbp' WHERE id = 2")
    assert main(["show", "2", "--store", str(backed_up)]) == 1
    assert main(["check", "--from-backup", "--store", str(backed_up)]) == 1
    with open_store(backed_up) as store:
        assert store.hits.get(2).role == "clap"


def test_words_that_no_backup_has_can_be_accepted(scanned, capsys):
    scanned.kits.save("evening", KIT)
    scanned.close()
    tamper(scanned.path, "UPDATE kit SET payload = replace(payload, '[1]', '[3]')")
    store = ["--store", str(scanned.path)]
    assert main(["kits", *store]) == 1
    assert "no backup has it, `catalog check --as-it-is`" in capsys.readouterr().err
    assert main(["check", "--as-it-is", *store]) == 1
    assert main(["check", *store]) == 0
    assert main(["kits", *store]) == 0


def test_a_backup_of_another_store_is_not_taken(backed_up):
    tamper(backed_up, "UPDATE setting SET value = '\"x\"' WHERE key = 'store_id'")
    tamper(backed_up, "UPDATE kit SET payload = '{}'")
    with open_store(backed_up) as store, pytest.raises(StoreError, match="no backup has it"):
        store.kits.read()
