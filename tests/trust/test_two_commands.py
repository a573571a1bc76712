"""Two commands started at one moment on one store: no change is lost, and no traceback is shown.

Each round starts two processes of the command line together. Whatever their order was, the end must
be what one of the two orders gives, both must end with a documented exit code, and each recording
must exist.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from dataclasses import dataclass

import pytest

from catalog import Catalog
from tests.library.files.conftest import snapshot
from tests.trust.scenarios import Place, prepare

pytestmark = [pytest.mark.slow, pytest.mark.timeout(5400)]
N_ROUNDS, N_ROUNDS_IN_FULL = 12, 500
EXIT_CODES = (0, 1, 2)  # done, done in part or not at all, wrong arguments
MAX_S = 120  # for two commands


@dataclass(frozen=True)
class Done:
    """A command that has ended."""

    arguments: tuple[str, ...]
    code: int
    out: str
    err: str


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    place = Place(tmp_path_factory.mktemp("together") / "drums")
    prepare(place)
    return place


def run_together(place: Place, *commands: tuple[str, ...]) -> list[Done]:
    """Start all commands at once, wait for them, and check exit codes and messages."""
    start = [sys.executable, "-m", "catalog", "--store", str(place.store)]
    runs = [
        subprocess.Popen(
            [*start, *command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for command in commands
    ]
    ended = []
    for run, command in zip(runs, commands, strict=True):
        out, err = run.communicate(timeout=MAX_S)
        assert run.returncode in EXIT_CODES, (command, out, err)
        assert "Traceback" not in out + err, (command, err)
        ended.append(Done(command, run.returncode, out, err))
    return ended


def random_command(rng: random.Random, ids: dict[str, int], *, n: int) -> tuple[str, ...]:
    """Return one command that changes something, or lists it."""
    hit = str(rng.choice(sorted(ids.values())))
    commands = {
        "set-aside": (hit, "--yes", "--even-in-kits"),
        "restore": (hit,),
        "hide": (hit,),
        "unhide": (hit,),
        "mark": ("master", hit),
        "tag": (hit, "--add", f"t{n}"),
        "role": (hit, rng.choice(("snare", "tom", "kick"))),
        "adjust": ("barn", rng.choice(("kick", "snare")), "--level", str(rng.randrange(-6, 7))),
        "undo": ("--all", "--yes"),
        "history": (),
        "hits": (),
        "kits": (),
    }
    name = rng.choice(sorted(commands))
    return (name, *commands[name])


def test_random_pairs_of_commands_keep_the_store_valid_and_every_recording(full, place):
    rng = random.Random(5)
    with Catalog.open(place.store) as cat:
        ids = {hit.name: hit.id for hit in cat.hits(states=("here", "aside"))}
        cat.files.undo(everything=True)
        recordings = snapshot(place.library)
    for n in range(N_ROUNDS_IN_FULL // 2 if full else N_ROUNDS // 2):
        pair = [random_command(rng, ids, n=n) for _ in range(2)]
        if rng.random() < 0.3:
            pair[0] = ("scan", str(place.library))
        run_together(place, *pair)
        with Catalog.open(place.store) as cat:
            hits = cat.hits(states=("here", "aside", "hidden"))
            assert len(hits) == len(ids)
            assert all(hit.path.exists() for hit in hits), pair
    with Catalog.open(place.store) as cat:
        cat.restore([hit.id for hit in cat.hits(states=("aside",))])
    assert snapshot(place.library) == recordings


def test_two_changes_of_one_kit_are_both_kept_or_the_second_is_refused(full, place):
    rng = random.Random(6)
    with Catalog.open(place.store) as cat:
        (kit,) = cat.kits.saved()
    for n in range(N_ROUNDS_IN_FULL // 2 if full else N_ROUNDS // 2):
        level = {slot: float(n % 5 + 1 + (slot == "kick")) for slot in ("kick", "snare")}
        first, second = (("adjust", "barn", s, "--level", str(level[s])) for s in level)
        if rng.random() < 0.3:
            second = ("delete-kit", "barn", "--yes")
        done = run_together(place, first, second)
        with Catalog.open(place.store) as cat:
            saved = cat.kits.saved()
            if done[1].code == 0 and second[0] == "delete-kit":
                assert not saved, done  # a forgotten kit does not return
                cat.kits.save(kit, "barn")
                continue
            kept = saved[0].level_db
        for command, slot in zip(done, level, strict=True):
            if command.code == 0:
                assert kept.get(slot) == level[slot], done


def test_a_scan_beside_changes_loses_no_tag(full, place):
    n_rounds = N_ROUNDS_IN_FULL // 10 if full else 2
    with Catalog.open(place.store) as cat:
        hit = next(hit for hit in cat.hits() if hit.path.stem == "hat_closed_1")
    for n in range(n_rounds):
        hit.path.touch()
        tag = ("tag", str(hit.id), "--add", f"round {n}")
        assert [done.code for done in run_together(place, ("scan", str(place.library)), tag)] == [
            0,
            0,
        ]
    (shown,) = run_together(place, ("--json", "show", str(hit.id)))
    assert {f"round {n}" for n in range(n_rounds)} <= set(json.loads(shown.out)["tags"])
