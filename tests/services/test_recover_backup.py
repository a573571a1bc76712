"""A lost or damaged store gets what the user wrote back from a backup."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3

import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.errors import StoreError
from catalog.kit.model import Kit
from catalog.library.backup.backup_files import backup_folder, list_backups
from catalog.library.store import database
from catalog.library.takes.overrides import FileOverride, save_override
from tests.library.conftest import library, write_hit  # noqa: F401


def by_path(cat):
    """Return all that the user wrote, by paths of files in place of numbers of hits."""
    hits = cat.hits(states=("here", "aside", "hidden"))
    event_paths = {event.hit_id: event.source for event in cat.history()}
    paths = {hit.id: event_paths.get(hit.id, hit.path) for hit in hits}
    words = {
        paths[hit.id]: (
            hit.mark, hit.tags, hit.remark, hit.names, hit.state,
            hit.role if hit.role_source == "user" else "",
            hit.session if hit.session_source == "user" else "",
        )
        for hit in hits
    }  # fmt: skip
    kits = {
        kit.name: ({slot: [paths[i] for i in ids] for slot, ids in kit.slots.items()}, kit.level_db)
        for kit in cat.kits.saved()
    }
    history = [
        (e.time_utc, e.action, e.source, e.reason, e.step, paths[e.hit_id]) for e in cat.history()
    ]
    store = cat.context.store
    preferred = {paths[i] for i in store.pair_answers.read_preferred()}
    refused = [[paths[i] for i in ids] for ids in store.database.read_setting("drums_refused")]
    choices = store.database.read_setting("choices_forgotten")
    forgotten = [(kind, paths[a], paths.get(b)) for kind, a, b in choices]
    learned = refused, forgotten, cat.taste.report().n_choices
    return words, kits, history, dict(store.pair_answers.read()), preferred, learned


@pytest.fixture
def lost(tmp_path, library):  # noqa: F811
    """Return the path of a store with a backup, and what it held; its files are scanned anew."""
    place = tmp_path / "drums.sqlite"
    with Catalog.open(place) as cat:
        cat.scan([library], n_jobs=1)
        cat.set_role(6, "clap")
        cat.annotations.annotate([1, 2], mark="master", add=["bright"], remark="the good one")
        cat.takes.set_session([3], "spring")
        cat.kits.save(Kit("k", {"kick": (2, 1)}, level_db={"kick": -2.0}), "evening")
        cat.kits.save_draft('{"steps": [], "words": [], "at": 0, "choices": []}')
        cat.duplicates.set_verdict(1, 2, True)
        cat.context.store.pair_answers.prefer(5, over=[])
        cat.drums.refuse([2, 3])
        cat.taste.forget()
        cat.set_aside([4], reason="hum")
        cat.files.hide([5])
        before = by_path(cat)
    for path in backup_folder(place).glob("*"):
        path.unlink()
    with Catalog.open(place) as cat:
        cat.context.store.database.save_setting("any", 1)
    assert len(list_backups(place)) == 1
    return place, before


def break_store(place, how):
    for path in place.parent.glob(f"{place.name}-*"):
        path.unlink()
    if how == "deleted":
        place.unlink()
    elif how == "emptied":
        place.write_bytes(b"")
    else:
        size = place.stat().st_size
        with place.open("r+b") as file:
            file.seek(0 if how == "header" else 4096)
            file.write(bytes(range(256)) * ((100 if how == "header" else size - 4096) // 256 + 1))


@pytest.mark.parametrize("how", ["deleted", "emptied", "header", "pages"])
def test_all_that_the_user_wrote_is_back_after_one_command(lost, library, how, capsys):  # noqa: F811
    place, before = lost
    (library / "Attic" / "a new one.wav").write_bytes(  # numbers of hits differ from before
        (library / "Attic" / "mystery.wav").read_bytes() + b"\0\0"
    )
    break_store(place, how)
    assert main(["hits", "--store", str(place)]) == (1 if how in ("header", "pages") else 2)
    assert "`catalog recover --backup` restores it" in capsys.readouterr().err
    assert main(["recover", "--backup", "--store", str(place)]) == 0
    with Catalog.open(place) as cat:
        after = by_path(cat)
        words = {path: said for path, said in after[0].items() if path in before[0]}
        assert words == before[0]
        assert after[1] == before[1]
        assert [e for e in after[2] if "recovered" not in e[3]] == before[2]
        assert after[3:] == before[3:]
        assert cat.kits.draft()
        assert cat.files.undo(everything=True).left == ()
        assert {hit.state for hit in cat.hits(states=("aside", "hidden", "here"))} == {"here"}


def test_after_a_recovery_undo_brings_back_hidden_hits_and_takes_no_mark_away(lost, capsys):
    place, _ = lost
    with Catalog.open(place) as cat:
        assert {act.verb for act in cat.files.acts()} > {"role", "mark", "hide", "set aside"}
    place.unlink()
    assert main(["recover", "--backup", "--store", str(place)]) == 0
    assert "but no other act" in capsys.readouterr().out.splitlines()[-1]
    with Catalog.open(place) as cat:
        undoable = {act.verb for act in cat.files.acts() if act.n_changes}
        assert undoable == {"hide", "set aside", "recover"}
        marked = [hit.name for hit in cat.hits(states=("here", "aside", "hidden"), mark="master")]
        while cat.undo().acts:
            pass
        assert {hit.state for hit in cat.hits(states=("aside", "hidden", "here"))} == {"here"}
        assert [hit.name for hit in cat.hits(mark="master")] == marked != []
        assert [kit.name for kit in cat.kits.saved()] == ["evening"]


def test_recovery_can_be_repeated_and_keeps_what_was_written_since(lost, library):  # noqa: F811
    place, _ = lost
    place.unlink()
    hidden, away = library / "Attic" / "mystery.wav", library.parent / "mystery.wav"
    shutil.move(hidden, away)
    with Catalog.open(place, new_store=True) as cat:
        result = cat.scans.recover(n_jobs=1)
        assert result.kits == ()
        assert any("“evening” has hits that are not" in text for text in result.left)
        shutil.move(away, hidden)
        marked = next(hit for hit in cat.hits() if hit.mark == "master")
        cat.annotations.mark([marked.id], "spare")
        result = cat.scans.recover(n_jobs=1)
        assert (result.kits, result.left) == (("evening",), ())
        assert cat.hit(marked.id).mark == "spare"
        assert [hit.name for hit in cat.hits() if hit.mark == "master"] == ["mystery"]
        n_events = len(cat.history())
        assert cat.scans.recover(n_jobs=1).n_events == 0
        assert len(cat.history()) == n_events


def test_regions_of_the_user_are_back(tmp_path, library):  # noqa: F811
    place = tmp_path / "drums.sqlite"
    with Catalog.open(place) as cat:
        cat.scan([library], n_jobs=1)
        hit = cat.hit(1)
        regions = ((0, hit.stop // 2),)
        save_override(cat.context.store, FileOverride(hit.content_hash, regions))
    with Catalog.open(place) as cat:
        cat.context.store.database.save_setting("any", 1)
    place.unlink()
    with Catalog.open(place, new_store=True) as cat:
        cat.scan([library], n_jobs=1)
        cat.scans.recover(n_jobs=1)
        (again,) = [h for h in cat.hits() if h.content_hash == hit.content_hash]
        assert again.stop <= hit.stop // 2


def test_a_new_store_beside_a_backup_is_not_opened_in_silence(lost, library):  # noqa: F811
    place, _ = lost
    place.unlink()
    shutil.rmtree(f"{place}.aside")
    with pytest.raises(StoreError, match="recover --backup"):
        Catalog.open(place)
    assert main(["scan", str(library), "--store", str(place), "--jobs", "1", "--new-store"]) == 0
    assert main(["hits", "--store", str(place)]) == 0


def test_a_damaged_row_of_a_backup_is_not_restored(lost):
    place, _ = lost
    (backup,) = list_backups(place)
    with contextlib.closing(sqlite3.connect(backup.path)) as db, db:
        db.execute("UPDATE kit SET payload = replace(payload, '-2.0', '-3.0')")
    place.unlink()
    with Catalog.open(place, new_store=True) as cat:
        result = cat.scans.recover(n_jobs=1)
        assert cat.kits.saved() == []
        assert "1 rows of the backup are damaged" in result.left


def test_a_damaged_backup_is_left_out_and_named_if_it_is_chosen(lost, capsys):
    place, _ = lost
    (backup,) = list_backups(place)
    newer = backup.path.with_name("2099-01-01T00-00-00Z.sqlite")
    newer.write_bytes(backup.path.read_bytes()[:5000])
    assert main(["recover", "--backup", str(newer), "--store", str(place)]) == 2
    assert "is not a backup or is damaged" in capsys.readouterr().err
    place.unlink()
    assert main(["recover", "--backup", "--store", str(place)]) == 0


def test_the_pause_between_backups_is_an_hour():
    assert database.PAUSE.total_seconds() == 3600
