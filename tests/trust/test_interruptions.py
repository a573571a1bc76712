"""Kill a process, or let the disk fail, at every single call that changes the disk.

Each time the same must hold: every recording exists with all its bytes at exactly one path, its
original one or one in the folder of files set aside; the store is valid and states where each file
is; what exists of an export is complete; what the program reported is what it did.
"""

from __future__ import annotations

import errno
import itertools
import json
import random
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.library.scan.walk import hash_file
from tests.library.files.conftest import snapshot
from tests.trust.disk_calls import DiskCalls, Fate
from tests.trust.scenarios import Ending, Place, prepare, run

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
N_SHARE = 24  # interruptions of each test unless it runs in full
MOVES = ("set_aside", "restore", "undo")
EXPORTS = ("export", "cut")
ERRORS = (errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS)
KILLS = (Fate.KILL_BEFORE, Fate.KILL_AFTER)


@dataclass(frozen=True)
class Library:
    """A prepared place, a copy of it, and the recordings before anything was set aside."""

    place: Place
    copy: Path
    recordings: dict[Path, tuple[bytes, int]]

    def reset(self) -> None:
        """Return everything to its prepared state, under the same paths and with the same times."""
        shutil.rmtree(self.place.folder)
        shutil.copytree(self.copy, self.place.folder)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Library:
    folder = tmp_path_factory.mktemp("interrupted")
    place, spare = Place(folder / "drums"), Place(folder / "spare")
    prepare(place)
    shutil.copytree(place.folder, spare.folder)
    with Catalog.open(place.store) as cat:
        cat.files.undo(everything=True)
    library = Library(place, spare.folder, snapshot(place.library))
    library.reset()
    return library


def interruptions(
    prepared: Library, names: tuple[str, ...], fates: tuple[Fate, ...], *, links: tuple[bool, ...]
) -> Iterator[tuple[str, DiskCalls]]:
    """Yield each scenario with each of its calls interrupted in each way."""
    for name, can_link in itertools.product(names, links):
        prepared.reset()
        ending = run(name, prepared.place, DiskCalls(can_link=can_link))
        assert (ending.was_killed, ending.error, ending.trace) == (False, "", "")
        for at, fate in itertools.product(range(ending.n_calls), fates):
            yield name, DiskCalls(fate, at, ERRORS[at % len(ERRORS)], can_link)


def share(cases: Iterator[tuple[str, DiskCalls]], *, full: bool) -> list[tuple[str, DiskCalls]]:
    """Return all cases, or the same random share of them each time."""
    everything = list(cases)
    n = len(everything) if full else min(N_SHARE, len(everything))
    return random.Random(1).sample(everything, n)


def check_files(prepared: Library) -> None:
    """Check that each recording is whole at exactly one path, where the store states that it is."""
    place = prepared.place
    with sqlite3.connect(place.store) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with Catalog.open(place.store) as cat:
        hits = cat.hits(states=("here", "aside"))
        found = snapshot(place.library)
        assert {path: found[path] for path in found} == {
            path: prepared.recordings[path] for path in found
        }
        aside = {hit.path for hit in hits if hit.state == "aside"}
        assert {hit.path for hit in hits if hit.state == "here"} == set(found)
        assert len(aside) + len(found) == len(prepared.recordings)
        assert not list(place.store.parent.rglob("*.part"))
        cat.restore([hit.id for hit in hits if hit.state == "aside"])
    assert snapshot(place.library) == prepared.recordings


def check_exports(prepared: Library) -> None:
    """Check that every folder or zip that is not hidden is complete."""
    for path in prepared.place.out.iterdir():
        if path.name.startswith("."):
            continue
        if path.name == "barn":
            rows = json.loads((path / "manifest.json").read_text("utf-8"))["files"]
            assert all(hash_file(path / row["file"]) == row["sha256"] for row in rows)
            assert (path / "kit.sfz").read_text("utf-8").count("<region>") >= len(rows) == 2
        elif path.is_dir():
            assert len([decode_file(part) for part in sorted(path.iterdir())]) == 3
        else:
            shutil.unpack_archive(path, prepared.place.folder / "unpacked", "zip")
    before = prepared.recordings
    found = snapshot(prepared.place.library)
    assert found == {path: before[path] for path in found}


def check_report(name: str, ending: Ending, prepared: Library) -> None:
    """Check that a scenario that was not killed reported exactly what it did."""
    assert ending.trace == ""
    with Catalog.open(prepared.place.store) as cat:
        aside = {hit.path.stem for hit in cat.hits(states=("aside",))}
    expected = {
        "set_aside": {"kick_3", "crash_2", "tom_1", "tom_2"},
        "restore": set(),
        "undo": set(),
    }
    if name in MOVES and not ending.error:
        assert aside == expected[name]
    if name in EXPORTS:
        there = {"export": ("barn", "barn.zip"), "cut": ("strokes",)}[name]
        exists = [(prepared.place.out / path).exists() for path in there]
        assert exists == [not ending.error] * len(there)


def test_a_process_killed_at_any_call_of_a_move_leaves_each_file_whole_at_one_path(full, prepared):
    cases = interruptions(prepared, MOVES, KILLS, links=(True, False))
    for name, calls in share(cases, full=full):
        prepared.reset()
        assert run(name, prepared.place, calls).was_killed, (name, calls)
        check_files(prepared)


def test_a_process_killed_again_while_it_recovers_leaves_each_file_whole(full, prepared):
    rng = random.Random(2)
    cases = share(interruptions(prepared, MOVES, KILLS, links=(True, False)), full=full)
    for name, calls in rng.sample(cases, len(cases) // 2):
        prepared.reset()
        run(name, prepared.place, calls)
        run("open_only", prepared.place, DiskCalls(rng.choice(KILLS), rng.randrange(6)))
        check_files(prepared)


def test_a_process_killed_at_any_call_of_an_export_leaves_nothing_that_looks_finished(
    full, prepared
):
    for name, calls in share(interruptions(prepared, EXPORTS, KILLS, links=(True,)), full=full):
        prepared.reset()
        assert run(name, prepared.place, calls).was_killed, (name, calls)
        check_exports(prepared)


def test_a_scan_killed_at_any_call_is_completed_by_the_next_one(full, prepared):
    for name, calls in share(interruptions(prepared, ("scan",), KILLS, links=(True,)), full=full):
        prepared.reset()
        assert run(name, prepared.place, calls).was_killed, (name, calls)
        ending = run(name, prepared.place, DiskCalls())
        assert (ending.error, ending.trace) == ("", "")
        with Catalog.open(prepared.place.store) as cat:
            there = set(prepared.place.library.iterdir())
            assert {hit.path for hit in cat.hits()} == there
            assert len(cat.hits()) == ending.result == len(there) + 2  # a take of three strokes
            assert not cat.hits(states=("missing",))  # the renamed file is the same hit


def test_a_disk_that_fails_at_any_call_is_reported_and_loses_nothing(full, prepared):
    fates = (Fate.FAIL, Fate.FAIL_AFTER)
    for name, calls in share(
        interruptions(prepared, (*MOVES, *EXPORTS), fates, links=(True, False)), full=full
    ):
        prepared.reset()
        ending = run(name, prepared.place, calls)
        try:
            check_report(name, ending, prepared)
            check_exports(prepared) if name in EXPORTS else check_files(prepared)
        except AssertionError as err:
            raise AssertionError(f"{name} {calls} ended with {ending}: {err}") from err
