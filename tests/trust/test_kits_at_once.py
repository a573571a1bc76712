"""Several processes change the same kits: no change is lost, and no deleted kit comes back."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.kit.model import Kit
from catalog.web.kit_session.session import KitSession
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
SLOTS = ("kick", "snare", "tom_mid", "clap")
ADJUST = """
import sys
from catalog.__main__ import main
for n in range(1, int(sys.argv[3]) + 1):
    if code := main(["adjust", "k", sys.argv[2], "--level", str(-n / 10), "--store", sys.argv[1]]):
        sys.exit(code)
"""
ACT = """
import sys
from catalog import Catalog
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.session import KitSession
with Catalog.open(sys.argv[1]) as cat:
    session = KitSession.load(cat)
    for n in range(1, int(sys.argv[3]) + 1):
        apply_action(session, {"op": "level", "slot": sys.argv[2], "level_db": -n / 10})
"""


@pytest.fixture
def store(tmp_path) -> Path:
    """Return a store with four strokes of two drums and the kit "k"."""
    folder = tmp_path / "Attic"
    folder.mkdir()
    for number, name in enumerate(("kick_01", "snare_01", "snare_02", "snare_03")):
        wave = as_frames(drum_stroke(60 + 45 * number, seed=number, sr=SR))
        (folder / f"{name}.wav").write_bytes(encode_wav(wave, sr=SR))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        cat.kits.save(Kit("k", {slot: (1 + n,) for n, slot in enumerate(SLOTS)}), "k")
        return cat.store_path


def start(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ends(runs: Sequence[subprocess.Popen[str]]) -> list[tuple[int, str]]:
    """Wait for all and return exit code and error output of each."""
    results = [run.communicate() for run in runs]
    return [(run.returncode, err) for run, (_, err) in zip(runs, results, strict=True)]


def test_commands_that_change_one_kit_at_once_lose_no_change(store, full):
    n = 200 if full else 25
    runs = [start("-c", ADJUST, store, slot, n) for slot in SLOTS]
    assert ends(runs) == [(0, "")] * len(SLOTS)
    with Catalog.open(store) as cat:
        rows = cat.context.store.database.read("SELECT payload FROM kit ORDER BY id")
        (kit,) = cat.kits.saved()
    assert dict(kit.level_db) == dict.fromkeys(SLOTS, -n / 10)
    levels = [json.loads(payload)["level_db"] for (payload,) in rows]
    assert len(levels) == 1 + n * len(SLOTS)  # each change was saved once
    for before, after in itertools.pairwise(levels):
        assert len(set(after.items()) - set(before.items())) == 1
        assert before.keys() <= after.keys()


def test_a_swap_beside_an_adjustment_keeps_both(store, full):
    for _ in range(25 if full else 4):
        with Catalog.open(store) as cat:
            cat.kits.save(Kit("k", {"kick": (1,), "snare": (2,)}), "k", replace_saved=True)
        swap = ["-m", "catalog", "swap", "k", "snare", "--store", store]
        adjust = ["-m", "catalog", "adjust", "k", "kick", "--level=-2", "--store", store]
        assert [code for code, _ in ends([start(*swap), start(*adjust)])] == [0, 0]
        with Catalog.open(store) as cat:
            (kit,) = cat.kits.saved()
        assert (dict(kit.level_db), kit.slots["snare"] != (2,)) == ({"kick": -2.0}, True)


def test_a_kit_that_is_deleted_while_others_change_it_stays_deleted(store, full):
    for _ in range(10 if full else 2):
        with Catalog.open(store) as cat:
            kit = Kit("k", {slot: (1 + n,) for n, slot in enumerate(SLOTS)})
            cat.kits.save(kit, "k", replace_saved=True)
            runs = [start("-c", ADJUST, store, slot, 10_000) for slot in SLOTS]
            first = cat.kits.version("k")
            while cat.kits.version("k") < first + 10:
                assert all(run.poll() is None for run in runs)
            cat.kits.delete("k")
            for code, err in ends(runs):
                assert code == (2 if "no kit is named" in err else 1)
                assert "was deleted or renamed by another" in err or "no kit is named 'k'" in err
                assert "Traceback" not in err
            assert cat.kits.saved() == []


def test_servers_of_the_page_that_change_one_draft_lose_no_change(store, full):
    n = 100 if full else 20
    with Catalog.open(store) as cat:
        session = KitSession.load(cat)
        (kit,) = cat.kits.saved()
        session.change(lambda: session.put(kit, "open"))
    runs = [start("-c", ACT, store, slot, n) for slot in SLOTS]
    assert ends(runs) == [(0, "")] * len(SLOTS)
    with Catalog.open(store) as cat:
        assert dict(KitSession.load(cat).kit.level_db) == dict.fromkeys(SLOTS, -n / 10)
