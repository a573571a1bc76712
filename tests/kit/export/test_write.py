"""Check that an export is complete and verified, overwrites nothing and removes a failed folder."""

import csv
import hashlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, KitError
from catalog.kit.export import ExportOptions, export_kit, plan_export
from catalog.kit.export import write as writer
from catalog.kit.export.documents import escape_formula
from catalog.kit.model import Kit
from catalog.library.files.atomic import write_synced
from catalog.models import Hit
from tests.kit.drums import NAMES_THAT_HURT, SR, kit_hits, make_hit, make_stroke, read_manifest

KIT = Kit(name="Probe", slots={"kick": (0,), "snare": (3, 1, 2), "hat_open": (4,)})
STEP_24 = 2.0**-23
ROOT = Path(__file__).parents[3]


def test_the_folder_holds_audio_and_documents_and_lists_the_audio(tmp_path):
    files = export_kit(KIT, kit_hits(), tmp_path / "kit", read=make_stroke)
    names = {f.relative_to(tmp_path / "kit").as_posix() for f in files}
    documents = {"kit.sfz", "notes.csv", "manifest.csv", "manifest.json", "README.txt"}
    documents |= {"phrase.mid", "phrase.wav", "velocities.svg"}
    assert documents < names
    assert names - documents == {row["file"] for row in read_manifest(tmp_path / "kit")["files"]}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["kit"]
    readme = (tmp_path / "kit" / "README.txt").read_text(encoding="utf-8")
    for words in ("people who made them", "not every hit has a known session", "dBTP"):
        assert words in readme
    contents = [
        line.split()[0] for line in readme.split("Keys\n")[0].splitlines() if line[:2] == "  "
    ]
    assert documents - {"README.txt"} <= set(contents)


def test_the_audio_is_the_stroke_times_the_gain_of_the_manifest(tmp_path):
    export_kit(KIT, kit_hits(), tmp_path / "kit", read=make_stroke)
    for row in read_manifest(tmp_path / "kit")["files"]:
        path = tmp_path / "kit" / row["file"]
        source = next(h for h in kit_hits().values() if str(h.path) == row["source_file"])
        audio = decode_file(path)
        wanted = make_stroke(source).samples * 10 ** (row["gain_db"] / 20)
        assert np.abs(audio.samples - wanted).max() < 0.001 * np.abs(wanted).max() + STEP_24
        assert hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]
        assert (row["n_frames"], row["sr"], row["n_channels"]) == (len(wanted), SR, 1)
        assert row["source_sha256"] == source.content_hash


def test_two_exports_are_equal_byte_for_byte(tmp_path):
    options = ExportOptions("PCM_16")
    for name in ("a", "b"):
        export_kit(KIT, kit_hits(), tmp_path / name / "kit", read=make_stroke, options=options)
    for path in (tmp_path / "a" / "kit").rglob("*.*"):
        twin = tmp_path / "b" / path.relative_to(tmp_path / "a")
        assert twin.read_bytes() == path.read_bytes()


@pytest.mark.parametrize("what", ["folder", "empty folder", "file", "dangling link"])
def test_nothing_that_exists_is_overwritten(tmp_path, what):
    target = tmp_path / "kit"
    make = {
        "file": target.touch, "empty folder": target.mkdir,
        "folder": lambda: (target / "mine").mkdir(parents=True),
        "dangling link": lambda: target.symlink_to(tmp_path / "nowhere"),
    }  # fmt: skip
    make[what]()
    before = sorted(str(p) for p in tmp_path.rglob("*"))
    with pytest.raises(KitError, match="exists already; choose a new name"):
        export_kit(KIT, kit_hits(), target, read=make_stroke)
    assert sorted(str(p) for p in tmp_path.rglob("*")) == before


def test_a_folder_that_appears_meanwhile_is_not_touched(tmp_path):
    def slow_read(hit: Hit) -> Audio:
        (tmp_path / "kit").mkdir(exist_ok=True)
        return make_stroke(hit)

    with pytest.raises(KitError, match="appeared meanwhile"):
        export_kit(KIT, kit_hits(), tmp_path / "kit", read=slow_read)
    assert [p.name for p in tmp_path.rglob("*")] == ["kit"]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            AudioError(Path("a.wav"), "plug the disk in"),
            "hit hat_open_4 cannot be read: .*plug the",
        ),
        (KeyboardInterrupt("stop"), "stop"),
    ],
)
def test_a_hit_that_cannot_be_read_or_a_stop_leaves_nothing(tmp_path, error, words):
    def read(hit: Hit) -> Audio:
        if hit.id == 4:
            raise error
        return make_stroke(hit)

    with pytest.raises((KitError, KeyboardInterrupt), match=words):
        export_kit(KIT, kit_hits(), tmp_path / "kit", read=read)
    assert list(tmp_path.iterdir()) == []


def test_a_killed_export_leaves_nothing_that_looks_finished(tmp_path):
    code = (
        "import os, sys; from pathlib import Path\n"
        "from tests.kit.export.test_write import KIT, export_kit, kit_hits, make_stroke, writer\n"
        "turns, write_synced = iter(range(99)), writer.write_synced\n"
        "def write(path, data):\n"
        "    if next(turns) == 2: os._exit(9)\n"  # two files are written
        "    write_synced(path, data)\n"
        "writer.write_synced = write\n"
        "export_kit(KIT, kit_hits(), Path(sys.argv[1]), read=make_stroke)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, tmp_path / "kit"], check=False, cwd=ROOT)
    assert done.returncode == 9
    (left,) = tmp_path.iterdir()
    assert left.name.startswith(".kit.unfinished-")
    assert not list(left.rglob("*.sfz"))
    assert len(list(left.rglob("*.wav"))) == 2


def write_to_full_disk(path: Path, data: bytes) -> None:
    if path.name == "manifest.json":
        raise OSError(28, "No space left on device")
    write_synced(path, data)


def write_with_a_flipped_bit(path: Path, data: bytes) -> None:
    at = len(data) // 2 if path.suffix == ".wav" else 0
    write_synced(path, data[:at] + bytes([data[at] ^ 64]) + data[at + 1 :])


@pytest.mark.parametrize(
    ("write", "words"),
    [
        (write_to_full_disk, r"could not be written \(No space left on device\)"),
        (write_with_a_flipped_bit, "differs when read back"),
    ],
)
def test_a_full_or_faulty_disk_is_noticed_and_leaves_nothing(tmp_path, monkeypatch, write, words):
    monkeypatch.setattr(writer, "write_synced", write)
    with pytest.raises(KitError, match=words):
        export_kit(KIT, kit_hits(), tmp_path / "kit", read=make_stroke)
    assert list(tmp_path.iterdir()) == []


def test_bad_kits_are_refused_with_their_slot(tmp_path):
    with pytest.raises(KitError, match="the kit is empty"):
        export_kit(Kit(slots={"kick": ()}), kit_hits(), tmp_path / "kit", read=make_stroke)
    with pytest.raises(KitError, match="hit 77 of slot snare is not in the catalog") as caught:
        export_kit(Kit(slots={"snare": (77,)}), kit_hits(), tmp_path / "kit", read=make_stroke)
    assert caught.value.slot == "snare"
    assert list(tmp_path.iterdir()) == []


def test_cells_that_look_like_formulas_are_escaped(tmp_path):
    named = {
        i: replace(hit, session=name, microphone=name)
        for (i, hit), name in zip(kit_hits().items(), NAMES_THAT_HURT, strict=False)
    }
    export_kit(replace(KIT, name="=1+1\nx"), named, tmp_path / "kit", read=make_stroke)
    with (tmp_path / "kit" / "manifest.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        assert float(row.pop("gain_db")) < 99
        assert float(row.pop("peak_dbfs")) < 0
        assert not any(cell.startswith(("=", "+", "-", "@")) for cell in row.values())
    sessions = {row["session"] for row in read_manifest(tmp_path / "kit")["files"]}
    assert sessions == {hit.session for hit in named.values()}


@pytest.mark.parametrize("cell", ["=1", "+1", "-1", "@a", "\t=1", "\r=1", " =1"])
def test_a_formula_gets_an_apostrophe_and_a_number_stays(cell):
    assert escape_formula(cell) == "'" + cell
    assert escape_formula(-3.5) == -3.5
    assert escape_formula("snare") == "snare"


def test_mono_stays_mono_and_eight_channels_become_one(tmp_path):
    def read(hit: Hit) -> Audio:
        return make_stroke(hit, n_channels={0: 1, 4: 2}.get(hit.id, 8))

    export_kit(KIT, kit_hits(), tmp_path / "kit", read=read)
    n = {row["slot"]: row["n_channels"] for row in read_manifest(tmp_path / "kit")["files"]}
    assert n == {"kick": 1, "snare": 1, "hat_open": 2}


def test_round_robins_of_a_layer_are_numbered_from_one_to_n():
    many = {i: make_hit(i, loudness=-20.0 - i // 3 * 5) for i in range(9)}
    plan = plan_export(Kit(slots={"snare": tuple(many)}), many, "kit", read=make_stroke)
    for layer in (1, 2, 3):
        turns = [(f.robin, f.n_robins) for f in plan.audio if f.layer == layer]
        assert turns == [(1, 3), (2, 3), (3, 3)]
