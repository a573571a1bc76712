"""Exit codes of all commands: 0 done or so already, 1 could not be done, 2 wrong call."""

from __future__ import annotations

import contextlib
import io
import os
import shlex
import shutil
from collections.abc import Callable

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.cli.groups import GROUPS
from catalog.cli.output import NOTHING_CHANGED
from tests.web.conftest import make_stroke

SR = 44_100
TAKE = "5"  # the first stroke of the take

# Calls of each command: one that is done, one that is wrong. Others have a test of their own.
CALLS = {
    "scan": ("scan attic", "scan nowhere"),
    "info": ("info", "info --port 1"),
    "skipped": ("skipped", "skipped 1"),
    "check": ("check", "check 1"),
    "recover": ("recover", "recover --backup nowhere.sqlite"),
    "map": (None, "map --seed -1"),
    "open": (None, "open --port 99999"),
    "demo": (None, "demo --port 99999"),
    "guide": ("guide kits", "guide drums"),
    "hits": ("hits role:ride", "hits 404"),
    "show": ("show 1", "show 404"),
    "play": (None, "play 404"),
    "alternates": ("alternates 1", "alternates 404"),
    "similar": ("similar 1", "similar 404"),
    "related": ("related 1", "related 404"),
    "align": ("align 1 2", "align 1 404"),
    "copy-out": ("copy-out copied 1", "copy-out attic 1"),
    "role": ("role clap 1", "role banjo 1"),
    "mark": ("mark master 1", "mark master 404"),
    "tag": ("tag --add dry 1", "tag --add dry 404"),
    "session": ("session loft 1", "session loft 404"),
    "name": ("name --drum oak 1", "name 1"),
    "unsure": ("unsure", "unsure -n 0"),
    "learned": ("learned", "learned --forget --again"),
    "copies": ("copies --all", "copies 404"),
    "keep": ("keep 4", "keep 1"),
    "doubts": ("doubts --all", "doubts 404"),
    "same": ("same 1 2", "same 1 1"),
    "set-aside": ("set-aside --yes 4", "set-aside --yes 404"),
    "restore": ("restore 4", "restore 404"),
    "hide": ("hide 1", "hide 404"),
    "unhide": ("unhide 1", "unhide 404"),
    "mixes": ("mixes 1", "mixes 404"),
    "fill": ("fill --slots kick --save day --yes", "fill --slots kick --save evening"),
    "swap": ("swap evening kick 2", "swap none kick"),
    "kits": ("kits evening", "kits none"),
    "adjust": ("adjust evening kick --level -2", "adjust evening kick"),
    "tune": ("tune evening", "tune none"),
    "masking": ("masking evening", "masking none"),
    "compare": ("compare evening evening", "compare evening none"),
    "phrase": ("phrase evening new.wav", "phrase evening --midi none.mid"),
    "export": ("export evening exported", "export evening attic"),
    "taste": ("taste", "taste 1"),
    "drums": ("drums --all", "drums 404"),
    "rename-kit": ("rename-kit evening evening", "rename-kit none day"),
    "delete-kit": ("delete-kit evening", "delete-kit none"),
    "takes": ("takes", "takes 1"),
    "regions": (f"regions {TAKE}", "regions 404"),
    "cut": (f"cut {TAKE} strokes --yes", "cut 404 other"),
    "microphones": ("microphones 1 --mix sum", "microphones 404"),
    "strokes": ("strokes", "strokes --main 404"),
    "sides": ("sides", "sides --separate 404"),
    "sessions": ("sessions", "sessions 1"),
    "faults": ("faults", "faults 404"),
    "dismiss": ("dismiss hum 1", "dismiss banjo 1"),
    "coverage": ("coverage", "coverage 404"),
    "undo": ("undo", "undo 404"),
    "redo": (None, "redo 1"),
    "history": ("history", "history 404"),
}
CHANGES = ("role", "mark", "tag", "session", "name", "keep", "same", "hide", "unhide", "swap",
           "adjust", "rename-kit", "microphones", "dismiss", "fill", "set-aside",
           "restore")  # fmt: skip
FAILURES = {
    "a scan that finds no audio file": "scan empty",
    "a change that was not confirmed": "tag --add dry role:kick",
    "a file that cannot be moved": f"set-aside --yes {TAKE}",
    "a machine without a player": "play 3",
    "nothing to do again": "redo",
    "a report into no folder": "set-aside --yes 1 --report none/report.txt",
}


Call = Callable[[str], tuple[int, str, str]]


def make_library() -> None:
    """Make a store of two kicks, a snare and its copy, a take, and a saved kit."""
    for folder in ("attic", "spare", "empty"):
        os.mkdir(folder)
    for name, role, seed in (("kick_1", "kick", 3), ("kick_2", "kick", 4), ("snare_1", "snare", 3)):
        data = encode_wav(make_stroke(role, seed), sr=SR, subtype="PCM_24")
        with open(f"attic/{name}.wav", "wb") as file:
            file.write(data)
    shutil.copy("attic/snare_1.wav", "spare/snare_1.wav")
    pause = np.zeros(SR // 2, np.float32)
    parts = [part for seed in (5, 6, 7) for part in (pause, make_stroke("tom", seed).ravel())]
    take = np.concatenate(parts).astype(np.float32)
    with open("take.wav", "wb") as file:
        file.write(encode_wav(take, sr=SR, subtype="PCM_24"))
    with Catalog.open("drums.sqlite") as cat:
        for place in ("attic", "spare", "."):
            cat.scan([place], n_jobs=1)
        cat.kits.save(cat.fill_kit({}, ["kick", "snare"]), "evening")
        assert cat.hit(int(TAKE)).region
        assert cat.copies()[0].others == (4,)


@pytest.fixture(scope="module")
def call(tmp_path_factory):
    """Run a command on one store for all tests; return its code, standard output and errors."""
    with contextlib.chdir(tmp_path_factory.mktemp("codes")):
        make_library()

        def run(line: str) -> tuple[int, str, str]:
            out, err = io.StringIO(), io.StringIO()
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                try:
                    code = main([*shlex.split(line), "--store", "drums.sqlite"])
                except SystemExit as stop:  # argparse
                    code = int(str(stop.code))
            return code, out.getvalue(), err.getvalue()

        yield run


def test_every_command_has_a_case():
    assert sorted(CALLS) == sorted(name for names in GROUPS.values() for name in names)


def state_of_the_store() -> object:
    with Catalog.open("drums.sqlite") as cat:
        return cat.revision(), cat.history(), cat.kits.saved(), cat.hits()


def test_a_wrong_call_ends_with_2_and_changes_nothing(call: Call):
    before = state_of_the_store()
    for _, wrong in CALLS.values():
        code, out, err = call(wrong)
        assert (wrong, code, out) == (wrong, 2, "")
        assert "catalog" in err, wrong
    assert state_of_the_store() == before


def test_a_call_that_is_done_ends_with_0(call: Call):
    for done, _ in CALLS.values():
        code, _, err = call(done) if done else (0, "", "")
        assert (done, code, "catalog: " in err) == (done, 0, False), err


def test_what_was_so_already_ends_with_0_and_a_message(call: Call):
    for command in CHANGES:
        line = CALLS[command][0]
        first, second = call(line)[0], call(line)
        assert (line, first, second[0]) == (line, 0, 0)
        assert NOTHING_CHANGED in second[2], line


def test_what_could_not_be_done_ends_with_1_and_a_reason(call: Call, monkeypatch):
    monkeypatch.setattr("catalog.cli.player.PLAYERS", ())
    for reason, line in FAILURES.items():
        code, out, err = call(line)
        assert (reason, code) == (reason, 1)
        assert (out + err).strip(), reason
