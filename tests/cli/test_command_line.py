from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace

import mido
import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.cli.output import escape, to_json_value
from catalog.features.descriptors.table import DESCRIPTORS
from catalog.library.files import atomic
from catalog.services.demo import copy_demo, place_demo

SR = 16_000  # Hz; low, so that measuring is quick


def decaying_hit(hz: float, seed: int) -> bytes:
    t = np.arange(SR // 4) / SR
    noise = np.random.default_rng(seed).normal(scale=0.1, size=t.size)
    samples = (np.sin(2 * np.pi * hz * t) + noise) * np.exp(-t / 0.04) * 0.5
    return encode_wav(samples.astype(np.float32), sr=SR)


@pytest.fixture
def library(tmp_path):
    folder = tmp_path / "recordings" / "Attic"
    folder.mkdir(parents=True)
    for at, name in enumerate(["kick_01", "kick_02", "snare_01", "snare_02", "tom_01"]):
        (folder / f"{name}.wav").write_bytes(decaying_hit(80 + 60 * at, at))
    return folder


@pytest.fixture
def call(tmp_path, capsys):
    """Run a command on a new store; return its exit code, standard output and error output."""

    def run(*arguments):
        code = main([str(a) for a in arguments] + ["--store", str(tmp_path / "drums.sqlite")])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.fixture
def scanned(call, library):
    assert call("scan", library, "--jobs", 1)[0] == 0
    return call


def read(call, *arguments):
    code, out, _ = call(*arguments, "--json")
    assert code == 0
    return json.loads(out)


def test_help_does_not_import_the_slow_libraries():
    code = (
        "import sys\nfrom catalog.cli.parser import make_parser\nmake_parser().format_help()\n"
        "heavy = {'numpy', 'scipy', 'librosa', 'sklearn', 'umap', 'streamlit', 'joblib'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_scan_prints_the_store_and_the_counts_last(call, library, tmp_path):
    code, out, err = call("scan", library, "--jobs", 1)
    assert code == 0
    assert out.splitlines() == [
        f"store: {tmp_path / 'drums.sqlite'}",
        "files: 5 added, 0 changed, 0 unchanged, 0 moved, 0 missing, 0 skipped",
    ]
    assert "measuring" not in err  # progress is shown on a terminal only
    (library / "tom_01.wav").unlink()
    out = call("scan", library, "--jobs", 1)[1]
    assert out.endswith("files: 0 added, 0 changed, 4 unchanged, 0 moved, 1 missing, 0 skipped\n")


def test_skipped_files_are_named_with_reason_and_a_scan_is_done(call, library):
    (library / "list.wav").write_text("milk, bread")
    code, out, err = call("scan", library, "--jobs", 1)
    assert code == 0
    assert "1 files could not be used; `catalog skipped` lists them" in err
    assert out.splitlines()[0].startswith(f"skipped: {library / 'list.wav'}: cannot be decoded")
    assert out.endswith("1 skipped\n")
    code, out, _ = call("skipped")
    assert (code, out.count("\n")) == (0, 1)


def test_the_store_option_may_precede_or_follow_the_command(tmp_path, capsys, library):
    place = str(tmp_path / "other.sqlite")
    assert main(["--store", place, "scan", str(library), "--jobs", "1"]) == 0
    assert main(["hits", "--store", place]) == 0
    assert main(["--json", "--store", place, "hits"]) == 0
    assert '"role": "kick"' in capsys.readouterr().out


def test_scan_as_json_holds_the_whole_report(call, library, tmp_path):
    report = read(call, "scan", library, "--jobs", 1)
    assert report["store"] == str(tmp_path / "drums.sqlite")
    assert report["added"][0] == str(library / "kick_01.wav")
    assert (report["skipped"], report["missing"]) == ([], [])
    again = read(call, "scan", library, "--jobs", 1)
    assert again["unchanged"] == report["added"]


def test_hits_are_listed_by_role_and_session(scanned):
    assert [hit["role"] for hit in read(scanned, "hits", "--role", "snare")] == ["snare"] * 2
    assert len(read(scanned, "hits", "--session", "Attic")) == 5
    code, _, err = scanned("hits", "--role", "snair")
    assert code == 2
    assert "no role is named 'snair'; did you mean 'snare'? roles: kick, snare" in err
    assert scanned("hits", "--role", "ride") == (0, "", "no hit matches\n")


def test_show_prints_all_data_and_undefined_numbers_are_null(scanned):
    hit = read(scanned, "show", 1)
    assert (hit["id"], hit["role"], hit["sr"]) == (1, "kick", SR)
    assert set(hit["descriptors"]) >= {"length_s", "centroid_hz", "loudness_lkfs"}
    assert to_json_value({"a": float("nan"), "b": [float("inf"), 1.5]}) == {
        "a": None,
        "b": [None, 1.5],
    }
    out = scanned("show", 1)[1]
    assert "role: kick" in out
    assert "session: Attic" in out


def test_show_names_the_numbers_that_were_added_since_the_scan(scanned, monkeypatch):
    added = replace(DESCRIPTORS[0], name="added_s", word="added")
    assert "not measured yet" not in scanned("show", 1)[1]
    monkeypatch.setattr("catalog.cli.commands.library.DESCRIPTORS", (*DESCRIPTORS, added))
    assert "added_s: not measured yet; scan its folder again" in scanned("show", 1)[1]


def test_a_role_is_changed(scanned):
    assert scanned("role", "conga_bongo", 5)[0] == 0
    assert read(scanned, "show", 5)["role"] == "conga_bongo"
    assert read(scanned, "history")[-1]["reason"] == "tom -> conga_bongo"


def test_a_role_shows_which_other_hits_followed(call, library):
    for at in range(5, 9):  # the same stroke with other noise, under names without a role
        (library / f"x_{at}.wav").write_bytes(decaying_hit(320, at))
    assert call("scan", library, "--jobs", 1)[0] == 0
    other = next(hit for hit in read(call, "hits") if hit["path"].endswith("x_5.wav"))
    err = call("role", "cowbell", other["id"])[2]
    assert re.search(r"more hits? (is|are) now cowbell \(.*\); `catalog undo` takes", err)


def test_neighbours_are_listed_nearest_first_with_reasons(scanned):
    for verb in ("alternates", "similar"):
        found = read(scanned, verb, 1, "-n", 3)
        assert len(found) == 3
        assert [m["distance"] for m in found] == sorted(m["distance"] for m in found)
        assert 1 not in [m["hit_id"] for m in found]
    assert [m["path"][-12:] for m in read(scanned, "similar", 3, "--role", "snare")] == [
        "snare_02.wav"
    ]
    assert scanned("similar", 1, "--elsewhere") == (0, "", "no hit matches\n")  # one session only


def test_set_aside_moves_files_only_with_yes_and_restore_undoes_it(scanned, library):
    kick = library / "kick_01.wav"
    data = kick.read_bytes()
    code, out, _ = scanned("set-aside", 1, "--reason", "twice")
    assert (code, kick.exists()) == (0, True)
    lines = out.splitlines()
    assert lines[0] == f"would set aside: {kick}"
    assert lines[1].endswith("drums.sqlite.aside")
    assert lines[2] == "nothing was moved; add --yes to do it"
    assert read(scanned, "history") == []
    assert scanned("set-aside", 1, "--reason", "twice", "--yes")[0] == 0
    assert not kick.exists()
    assert [hit["id"] for hit in read(scanned, "hits", "--state", "aside")] == [1]
    assert scanned("restore", 1)[0] == 0
    assert kick.read_bytes() == data
    assert [event["action"] for event in read(scanned, "history")] == ["set aside", "restore"]


def test_copies_are_listed(scanned, library):
    (library / "kick_01 again.wav").write_bytes((library / "kick_01.wav").read_bytes())
    scanned("scan", library, "--jobs", 1)
    groups = read(scanned, "copies")
    assert [sorted([group["keep"], *group["others"]]) for group in groups] == [[1, 6]]
    assert scanned("copies")[1].splitlines()[-1] == "1 groups"


def test_a_kit_is_filled_kept_listed_and_exported(scanned, tmp_path):
    kit = read(scanned, "fill", "kick=1", "--slots", "snare,tom_mid", "--save", "dry")
    assert kit["slots"]["kick"] == [1]
    assert kit["slots"]["snare"][0] in (3, 4)
    assert [kept["name"] for kept in read(scanned, "kits")] == ["dry"]
    swapped = read(scanned, "swap", "dry", "snare")
    assert swapped["slots"]["snare"] != kit["slots"]["snare"]
    assert swapped["slots"]["kick"] == [1]
    assert read(scanned, "kits")[0]["slots"] == swapped["slots"]
    written = read(scanned, "export", "dry", tmp_path / "out")
    assert written
    assert all(os.path.exists(path) for path in written)
    code, _, err = scanned("export", "dry", tmp_path / "out")
    assert code == 2
    assert err.startswith("catalog: ")
    code, _, err = scanned("export", "wet", tmp_path / "out2")
    assert (code, err) == (2, "catalog: no kit is named 'wet'; saved kits: dry\n")


def test_a_kept_kit_is_set_weighed_played_and_planned(scanned, tmp_path):
    scanned("fill", "kick=1", "--slots", "snare,tom_mid", "--save", "dry")
    kit = read(scanned, "adjust", "dry", "snare", "--level", "-2", "--tune", "1")
    assert (kit["level_db"], kit["tuning_semitones"]) == ({"snare": -2.0}, {"snare": 1.0})
    assert read(scanned, "kits")[0]["tuning_semitones"] == {"snare": 1.0}
    assert scanned("adjust", "dry", "snare", "--tune", "5")[0] == 2
    assert read(scanned, "tune", "dry") == {"intervals": [], "proposals": []}
    assert np.diag(read(scanned, "masking", "dry")["overlap"]) == pytest.approx([1, 1, 1])
    assert len(read(scanned, "phrase", "dry")["strokes"]) > 5
    assert scanned("phrase", "dry", tmp_path / "p.wav", "--play", "ladder")[0] == 0
    assert decode_file(tmp_path / "p.wav").samples.shape[1] == 2
    assert "exists already" in scanned("phrase", "dry", tmp_path / "p.wav")[2]
    plan = read(scanned, "export", "dry", tmp_path / "out", "--container", "flac", "--plan")
    assert all(file["file"].endswith(".flac") for file in plan["audio"])
    assert not (tmp_path / "out").exists()
    scanned("fill", "kick=1", "--slots", "snare", "--save", "wet")
    assert "mid tom: only in dry" in read(scanned, "compare", "dry", "wet")["lines"]


def test_an_export_has_the_keys_of_the_users_note_map(scanned, tmp_path, monkeypatch):
    config = tmp_path / "config.toml"
    config.write_text("[notes]\nkick = [24, 26]\nsnare = 31\n")
    monkeypatch.setattr("catalog.config.config_path", lambda: config)
    scanned("fill", "kick=1", "--slots", "snare,tom_mid", "--save", "dry")
    assert scanned("export", "dry", tmp_path / "out")[0] == 0
    keys = re.findall(r"^key=(\d+)$", (tmp_path / "out" / "kit.sfz").read_text(), re.MULTILINE)
    assert keys == ["24", "26", "31", "47"]
    rows = list(csv.DictReader((tmp_path / "out" / "notes.csv").read_text().splitlines()))
    assert [(row["note"], row["slot"], row["general_midi_name"]) for row in rows] == [
        ("24", "kick", ""), ("26", "kick", ""), ("31", "snare", ""),
        ("47", "tom_mid", "Low-Mid Tom"),
    ]  # fmt: skip
    played = {m.note for m in mido.MidiFile(tmp_path / "out" / "phrase.mid") if m.type == "note_on"}
    assert played == {24, 31, 47}
    assert (
        "your note map; other slots by General MIDI"
        in (tmp_path / "out" / "README.txt").read_text()
    )
    strokes = read(scanned, "phrase", "dry", "--midi", tmp_path / "out" / "phrase.mid")["strokes"]
    assert {stroke["slot"] for stroke in strokes} == {"kick", "snare", "tom_mid"}
    config.write_text("[notes]\nkick = 38\n")
    code, _, err = scanned("export", "dry", tmp_path / "other")
    assert (code, "kick and snare are both on MIDI note 38" in err) == (2, True)


def test_a_saved_kit_is_replaced_only_when_that_is_meant(scanned):
    scanned("fill", "kick=1", "--slots", "snare", "--save", "dry")
    scanned("adjust", "dry", "snare", "--level", "-2")
    code, out, err = scanned("fill", "kick=2", "--slots", "snare", "--save", "dry")
    assert (code, out) == (2, "")
    assert "a kit is named 'dry' already; give another name, or add --yes" in err
    (kit,) = read(scanned, "kits")
    assert (kit["slots"]["kick"], kit["level_db"]) == ([1], {"snare": -2.0})
    assert scanned("fill", "kick=2", "--slots", "snare", "--save", "dry", "--yes")[0] == 0
    (kit,) = read(scanned, "kits")
    assert (kit["slots"]["kick"], kit["level_db"]) == ([2], {})


@pytest.mark.parametrize(("answer", "code", "kick"), [("y\n", 0, 2), ("\n", 1, 1), ("", 1, 1)])
def test_on_a_terminal_the_user_is_asked_before_a_saved_kit_is_replaced(
    scanned, monkeypatch, answer, code, kick
):
    scanned("fill", "kick=1", "--slots", "snare", "--save", "dry")
    terminal = io.StringIO(answer)
    monkeypatch.setattr("sys.stdin", terminal)
    monkeypatch.setattr("catalog.cli.fill.can_ask", lambda args: True)
    found, _, err = scanned("fill", "kick=2", "--slots", "snare", "--save", "dry")
    assert found == code
    assert "a kit is named 'dry' already; replace it" in err
    (kit,) = read(scanned, "kits")
    assert kit["slots"]["kick"] == [kick]
    if not code:
        assert read(scanned, "kits", "dry")[0]["kit"]["slots"]["kick"] == [1]


def test_a_kit_is_deleted_only_when_that_is_confirmed(scanned):
    scanned("fill", "kick=1", "--slots", "snare", "--save", "dry")
    code, out, _ = scanned("delete-kit", "dry")
    assert (code, out) == (
        0,
        "would delete the kit dry: kick, snare\nnothing was deleted; add --yes to do it, "
        "`catalog undo` brings it back\n",
    )
    assert read(scanned, "delete-kit", "dry")["dry_run"]
    assert [kit["name"] for kit in read(scanned, "kits")] == ["dry"]
    assert read(scanned, "delete-kit", "dry", "--yes") == []
    assert scanned("delete-kit", "dry")[0] == 2


def test_a_phrase_that_differs_on_the_disk_is_not_left_there(scanned, tmp_path, monkeypatch):
    scanned("fill", "kick=1", "--slots", "snare", "--save", "dry")
    write = atomic.write_synced
    monkeypatch.setattr(atomic, "write_synced", lambda path, data: write(path, data[:-1] + b"?"))
    before = sorted(tmp_path.iterdir())
    code, _, err = scanned("phrase", "dry", tmp_path / "p.wav")
    assert (code, sorted(tmp_path.iterdir())) == (1, before)
    assert "p.wav: cannot be written (differs when read back; the disk may be failing)" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["show", "404"], "hit 404 is not in this store"),
        (["role", "banjo", "1"], "no role is named 'banjo'"),
        (["fill", "--slots", "banjo"], "there is no slot 'banjo'; the slots are kick, kick_2"),
        (["scan", "/no such folder"], "does not exist"),
        (["open", "--port", "99999"], "must be between 0"),
    ],
)
def test_errors_are_one_line_without_a_traceback(scanned, arguments, words):
    code, out, err = scanned(*arguments)
    assert (code, out) == (2, "")
    assert err.startswith("catalog: ")
    assert words in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["dance"],
        ["show"],
        ["show", "x"],
        ["fill", "snare=x"],
        ["similar", "1", "-n", "0"],
        ["hits", "--limit", "0"],
        ["show", "1", "2"],
    ],
)
def test_wrong_usage_ends_with_two(arguments, capsys):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage: catalog" in capsys.readouterr().err


def test_control_characters_in_names_never_reach_the_terminal(call, library):
    odd = library / "tom \x1b[31m\nred\u202e.wav"
    (library / "tom_01.wav").rename(odd)
    assert call("scan", library, "--jobs", 1)[0] == 0
    out = call("hits", "--role", "tom")[1]
    assert r"tom \x1b[31m\nred\u202e" in out
    assert out.count("\n") == 2  # with the header
    assert [hit["path"] for hit in read(call, "hits", "--role", "tom")] == [str(odd)]


def test_escape_leaves_letters_of_all_scripts_alone():
    assert escape("Caisse claire é 太鼓 <b>") == "Caisse claire é 太鼓 <b>"
    assert escape("\udcff\t") == r"\udcff\t"


def test_a_closed_reader_is_no_error(scanned, tmp_path):
    run = subprocess.Popen(
        [sys.executable, "-m", "catalog", "hits", "--json", "--store", tmp_path / "drums.sqlite"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert run.stdout is not None
    run.stdout.close()
    assert run.stderr is not None
    assert run.stderr.read() == b""
    run.stderr.close()
    assert run.wait() == 0


def test_open_hands_store_port_and_browser_to_the_page(monkeypatch, tmp_path):
    seen = []
    monkeypatch.setattr(
        "catalog.web.server.start.open_page", lambda store, **options: seen.append((store, options))
    )
    assert main(["open", "--store", "x.sqlite", "--no-browser", "--port", "8123"]) == 0
    assert seen == [("x.sqlite", {"port": 8123, "browser": False})]


def test_ctrl_c_is_the_usual_end_of_the_page(monkeypatch, capsys):
    def run_until_ctrl_c(store, **_):
        raise KeyboardInterrupt

    monkeypatch.setattr("catalog.web.server.start.open_page", run_until_ctrl_c)
    assert main(["open", "--no-browser"]) == 0
    assert capsys.readouterr().err == "the page has ended\n"


@pytest.fixture
def demo(monkeypatch, tmp_path, library):
    """A small demo library, a data folder of the test's own, and a page that only notes calls."""
    pages: list[object] = []
    monkeypatch.setattr("catalog.services.demo.DEMO_FOLDERS", (library.parent,))
    monkeypatch.setattr("catalog.catalog.default_store", lambda: tmp_path / "data" / "c.sqlite")
    monkeypatch.setattr(
        "catalog.web.server.start.open_page", lambda store, **_: pages.append(store)
    )
    return pages


def test_demo_works_on_a_copy_and_opens_the_page(demo, tmp_path, library, capsys):
    (library / "make_it.py").write_text("generator")
    assert main(["demo", "--no-browser"]) == 0
    folder = tmp_path / "data" / "demo"
    assert demo == [folder / "demo.sqlite"]
    copied = sorted(path.name for path in (folder / "library").rglob("*") if path.is_file())
    assert copied == ["kick_01.wav", "kick_02.wav", "snare_01.wav", "snare_02.wav", "tom_01.wav"]
    assert "5 added" in capsys.readouterr().err
    (folder / "library" / "Attic" / "tom_01.wav").unlink()  # what the user does there stays done
    assert main(["demo", "--no-browser"]) == 0
    assert "1 missing" in capsys.readouterr().err
    assert sorted(path.name for path in library.glob("*.wav")) == copied


def test_the_shipped_map_places_each_hit_of_the_demo(tmp_path):
    library = copy_demo(tmp_path / "library")
    with Catalog.open(tmp_path / "demo.sqlite") as cat:
        cat.scan([library])
        n_hits = len(cat.hits())
        assert place_demo(cat.context, library) == n_hits > 200
        assert cat.map.layout().kind == "umap"
        assert np.ptp(cat.map.layout().xy, axis=0).min() > 1.5  # it fills its ground
        assert place_demo(cat.context, library) == 0  # a map that is stored stays


def test_a_missing_demo_library_is_an_error(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr("catalog.services.demo.DEMO_FOLDERS", (tmp_path / "none",))
    monkeypatch.setattr("catalog.catalog.default_store", lambda: tmp_path / "data" / "c.sqlite")
    assert main(["demo"]) == 1
    assert "holds no demo library" in capsys.readouterr().err
    assert not (tmp_path / "data" / "demo").exists()


def test_the_demo_library_is_copied_whole_with_its_times(demo, tmp_path, library):
    copied = copy_demo(tmp_path / "copy")
    for path in library.glob("*.wav"):
        twin = copied / "Attic" / path.name
        assert twin.read_bytes() == path.read_bytes()
        assert twin.stat().st_mtime_ns == path.stat().st_mtime_ns
    assert list(tmp_path.glob("*.part")) == []


def test_similar_accepts_constraints_and_files(scanned, library):
    code, out, err = scanned("similar", 1, "--but", "lower", "--json")  # it is the lowest
    assert (code, json.loads(out)) == (0, [])
    assert "only 0 of 10 found" in err
    assert len(read(scanned, "similar", 1, "--but", "body_hz=+20%")) == 4
    assert read(scanned, "similar", library / "kick_01.wav", "-n", 1)[0]["hit_id"] == 1
    code, _, err = scanned("similar", 1, "--but", "crunchier")
    assert code == 2
    assert "crunchier" in err


def test_a_missing_store_is_an_error_and_is_not_created(call, tmp_path):
    code, _, err = call("hits")
    assert code == 2
    assert "there is no store at" in err
    assert not (tmp_path / "drums.sqlite").exists()


def test_all_copies_are_set_aside_at_once_with_a_warning_if_none_would_remain(scanned, library):
    again = library / "kick_01 (1).wav"
    again.write_bytes((library / "kick_01.wav").read_bytes())
    scanned("scan", library, "--jobs", 1)
    _, out, _ = scanned("set-aside", 1, 6)
    assert "warning: hit 1 and all its copies would be set aside" in out
    assert scanned("set-aside", "--copies")[1].count("would set aside") == 1
    assert again.exists()
    assert scanned("set-aside", "--copies", "--yes")[0] == 0
    assert not again.exists()
    assert scanned("set-aside")[0] == 2


def test_marks_and_tags_are_set_found_and_removed(scanned):
    marked = read(scanned, "mark", "master", 1, 2)
    assert [row["mark"] for row in marked] == ["master", "master"]
    read(scanned, "tag", 2, "--add", "dry", "--add", "after  lunch")
    assert [row["id"] for row in read(scanned, "hits", "--mark", "master", "--tag", "dry")] == [2]
    assert read(scanned, "tag", 2, "--drop", "dry")[0]["tags"] == ["after lunch"]
    assert read(scanned, "tag", 2, "--remark", "loose wire")[0]["remark"] == "loose wire"
    assert read(scanned, "mark", "none", 2)[0]["mark"] == ""
    assert scanned("hits", "--tag", "dry")[:2] == (0, "")
    assert scanned("mark", "spare", 1, 99)[0] == 2  # nothing is half done
    assert read(scanned, "show", 1)["mark"] == "master"
