"""An exported kit as read by independent programs.

WAV: Python's own `wave`, and SoX. SFZ: the linter sfzlint 0.1 and the player sfizz by pysfizz 0.1,
all written without any knowledge of this project.
"""

import csv
import importlib
import itertools
import os
import shutil
import subprocess
import sys
import time
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.kit.dynamics import stroke_curve
from catalog.kit.export import ExportOptions, export_kit
from catalog.kit.export.microphones import use_microphones
from catalog.kit.layers import cut_layers
from catalog.kit.model import Kit
from catalog.models import Hit, Microphone
from tests.kit.drums import SR, make_hit

TONES_HZ = {10: 60.0, 11: 400.0, 12: 520.0} | {i: 700.0 + 130 * i for i in range(6)}
TONES_HZ |= {20 + i: 150.0 + 55 * i for i in range(4)}
LEVEL_DB = 0.5  # tolerance of our rendering against the player's
BLOCK = 64
BEGINNING, TOP = 8000, 127  # samples that the player holds ready from the start; a velocity
LOADING_S = 0.3  # the player reads the rest of a long file while its beginning sounds


def tool(name: str) -> Any:
    """Import a checking tool; it may be missing on a desk, never in CI."""
    return importlib.import_module(name) if os.environ.get("CI") else pytest.importorskip(name)


def read_tone(hit: Hit) -> Audio:
    """Decode each hit as its own tone, so that the output names the file."""
    time_s = np.arange(round((2.0 if hit.role == "hat_open" else 0.4) * SR)) / SR
    decay_s = 1.5 if hit.role == "hat_open" else 0.08
    wave_ = np.sin(2 * np.pi * TONES_HZ[hit.id] * time_s) * np.exp(-time_s / decay_s)
    scale = 0.5 * 10 ** ((hit.descriptors["loudness_lkfs"] + 20) / 20)
    return Audio((scale * wave_)[:, None].astype(np.float32), SR, "WAV", "FLOAT")


@pytest.fixture(scope="module")
def hits() -> dict[int, Hit]:
    snares = [make_hit(i, loudness=-20.0 - 6.0 * (i // 2)) for i in range(6)]
    toms = [make_hit(20 + i, "tom", loudness=-22.0 - 7.0 * (i // 2), body=90.0) for i in range(4)]
    rest = [make_hit(10, "kick"), make_hit(11, "hat_open"), make_hit(12, "hat_closed")]
    return {hit.id: hit for hit in [*snares, *toms, *rest]}


@pytest.fixture(scope="module")
def folder(hits: dict[int, Hit], tmp_path_factory: pytest.TempPathFactory) -> Path:
    slots = {"snare": tuple(range(6)), "kick": (10,), "hat_open": (11,), "hat_closed": (12,)}
    slots["tom_low"] = (20, 21, 22, 23)
    folder = tmp_path_factory.mktemp("kits") / "Müller & Söhne kit"
    export_kit(Kit(slots=slots), hits, folder, read=read_tone)
    return folder


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


IN_MEMORY = "<control>\nhint_ram_based=1\n"


def load(folder: Path) -> Any:
    """Load the kit into a new player, whose round robins begin with the first."""
    synth = tool("pysfizz").Synth(SR, BLOCK)
    loaded = folder / "in memory.sfz"  # else the player reads files while it renders them
    loaded.write_text(IN_MEMORY + (folder / "kit.sfz").read_text("utf-8"), "utf-8")
    assert synth.load_sfz_file(loaded)
    return synth


@pytest.fixture
def player(folder: Path) -> Any:
    return load(folder)


def play(player: Any, note: int, velocity: int) -> np.ndarray:
    """Left channel of one stroke, rendered until it is over."""
    return np.asarray(player.render_note(note, velocity, 0.1, 2.5)[0], dtype=np.float64)


def tone_of(sound: np.ndarray) -> int:
    """The hit whose tone is strongest."""
    time_s = np.arange(len(sound)) / SR
    power = {i: abs(np.exp(-2j * np.pi * hz * time_s) @ sound) for i, hz in TONES_HZ.items()}
    return max(power, key=power.__getitem__)


def energy_db(sound: np.ndarray) -> float:
    return 10 * float(np.log10(np.square(sound).sum()))


def test_wave_reads_every_file_with_the_size_of_the_manifest(folder):
    rows = read_csv(folder / "manifest.csv")
    assert len(rows) == 13
    for row in rows:
        with wave.open(str(folder / row["file"])) as file:
            assert (file.getsampwidth(), file.getframerate()) == (3, int(row["sr"]))
            assert (file.getnframes(), file.getnchannels()) == (int(row["n_frames"]), 1)
            raw = np.frombuffer(file.readframes(-1), np.uint8).reshape(-1, 3)
        values = (raw.astype(np.int32) << [8, 16, 24]).sum(axis=1, dtype=np.int32) / 2.0**31
        peak_db = 20 * np.log10(np.abs(values).max())
        assert peak_db == pytest.approx(float(row["peak_dbfs"]), abs=0.01)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_sox_reads_every_width_as_we_do(hits, tmp_path, subtype):
    """SoX (Debian) decodes to floats; its error output is empty if it accepts chunks and sizes."""
    if shutil.which("sox") is None and not os.environ.get("CI"):
        pytest.skip("sox is not installed")
    kit = Kit(slots={"kick": (10,), "hat_open": (11,)})
    options = ExportOptions(subtype)
    files = export_kit(kit, hits, tmp_path / "kit", read=read_tone, options=options)
    audio = [path for path in files if path.suffix == ".wav"]
    assert len(audio) == 3
    for path in audio:
        command = ["sox", str(path), "-t", "raw", "-e", "floating-point", "-b", "32", "-"]
        done = subprocess.run(command, capture_output=True, check=True)
        assert done.stderr == b""
        theirs = np.frombuffer(done.stdout, "<f4")
        assert np.abs(theirs - decode_file(path).samples.ravel()).max() < 2.0**-23


def lint(path: Path) -> str:
    tool("sfzlint")
    code = "import sys; from sfzlint.cli import sfzlint; sys.exit(sfzlint())"
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, "--no-pickle", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.stdout + done.stderr


def test_the_linter_finds_only_a_wrong_opcode_and_a_missing_file(folder, tmp_path):
    assert lint(folder / "kit.sfz") == ""
    (tmp_path / "bad.sfz").write_text("<region> key=36 lowvel=1 sample=gone.wav\n")
    report = lint(tmp_path / "bad.sfz")
    assert "lowvel" in report
    assert "gone.wav" in report


def test_exactly_the_keys_of_the_note_map_sound(folder, player):
    assert player.playable_keys == [int(row["note"]) for row in read_csv(folder / "notes.csv")]


@pytest.mark.parametrize(("note", "hit_id"), [(36, 10), (35, 10), (42, 12), (46, 11)])
def test_a_key_plays_the_file_of_its_slot(player, note, hit_id):
    assert tone_of(play(player, note, 100)) == hit_id


@pytest.mark.parametrize(("note", "ids"), [(38, range(6)), (45, range(20, 24))])
def test_every_velocity_plays_its_layer_and_the_round_robins_alternate(player, hits, note, ids):
    for layer in cut_layers([hits[i] for i in ids]):
        for velocity in (layer.lowest, layer.highest):
            played = [tone_of(play(player, note, velocity)) for _ in range(4)]
            assert played[:2] == played[2:]
            assert set(played) == {hit.id for hit in layer.hits}


@pytest.mark.parametrize("velocity", [1, 20, 45, 80, 100, 110, 120, 127])
@pytest.mark.parametrize("slot", ["snare", "kick", "tom_low", "hat_open", "hat_closed"])
def test_levels_agree_with_ours(folder, player, hits, slot, velocity):
    """The player has a volume of its own, so all levels are compared with one loud snare."""
    rows = [row for row in read_csv(folder / "manifest.csv") if row["round_robin"] == "1"]
    by_path = {str(hit.path): hit for hit in hits.values()}

    def ours(slot: str, v: int) -> float:
        own = [row for row in rows if row["slot"] == slot]
        row = next(r for r in own if v <= int(r["highest_velocity"]))  # layers go up
        hit = by_path[row["source_file"]]
        layers = cut_layers([other for other in hits.values() if other.role == hit.role])
        layer = next(layer for layer in layers if hit in layer.hits)
        audio = decode_file(folder / row["file"])
        gain_db = stroke_curve(hit, layer, layers).gain_db(v)
        return energy_db(audio.samples[:BEGINNING, 0]) + gain_db

    def theirs(slot: str, v: int) -> float:
        note = next(int(row["notes"].split()[0]) for row in rows if row["slot"] == slot)
        return energy_db(play(load(folder), note, v)[:BEGINNING])

    wanted = ours(slot, velocity) - ours("snare", TOP)
    assert theirs(slot, velocity) - theirs("snare", TOP) == pytest.approx(wanted, abs=LEVEL_DB)


@pytest.mark.parametrize("note", [36, 38, 45])
def test_the_level_rises_smoothly_over_all_velocities(player, note):
    """Layers 6 and 7 dB apart, and round robins: no step of the player's output over 2 dB."""
    levels = [energy_db(play(player, note, velocity)) for velocity in range(1, 128)]
    steps = np.diff(levels)
    assert steps.max() < 2.0
    assert steps.min() > -0.5


def hat_tail(player: Any, *, second_note: int | None) -> float:
    """Level from 0.5 to 1 s of an open hat that another note may stop at 0.3 s."""
    synth = player._synth
    blocks = []
    synth.note_on(0, 46, 100)
    for block in range(SR // BLOCK):
        if block == round(0.3 * SR / BLOCK) and second_note is not None:
            synth.note_on(0, second_note, 100)
        blocks.append(np.array(synth.render_block()[0]))
        if block == 0:
            time.sleep(LOADING_S)
    return energy_db(np.concatenate(blocks)[SR // 2 :] + 1e-9)


def test_a_closed_hat_stops_the_open_one_and_a_kick_does_not(folder):
    levels = {note: hat_tail(load(folder), second_note=note) for note in (None, 36, 42)}
    assert levels[36] == pytest.approx(levels[None], abs=0.5)
    assert levels[42] < levels[None] - 20.0


def test_mido_reads_the_phrase_on_the_percussion_channel(folder):
    """MIDI by mido; key names and channel 10 of General MIDI Level 1 (from memory)."""
    file = tool("mido").MidiFile(folder / "phrase.mid")
    strokes = [m for m in file if m.type == "note_on" and m.velocity > 0]
    assert {m.channel for m in strokes} == {9}
    assert {m.note for m in strokes} == {36, 38, 42, 45, 46}
    assert file.length == pytest.approx(8.125 * 60 / 96, abs=0.01)


def test_the_player_plays_the_phrase_as_rendered(folder, player):
    """The same strokes at the same moments: the envelopes of both renderings agree."""
    sound = decode_file(folder / "phrase.wav").samples[:, 0].astype(np.float64)
    events = list(tool("mido").MidiFile(folder / "phrase.mid"))
    blocks, time_s, now = [], 0.0, 0
    for message in events:
        time_s += message.time
        while (now + 0.5) * BLOCK / SR < time_s:
            blocks.append(np.array(player._synth.render_block()[0]))
            now += 1
        if message.type == "note_on":
            player._synth.note_on(0, message.note, message.velocity)
    theirs = np.concatenate(blocks).astype(np.float64)
    n, step = min(len(sound), len(theirs)) // 1000 * 1000, 1000
    levels = [np.sqrt(np.square(x[:n]).reshape(-1, step).mean(axis=1)) for x in (sound, theirs)]
    assert np.corrcoef(*levels)[0, 1] > 0.98


@pytest.mark.skipif(sys.version_info >= (3, 13), reason="pyebur128 is not built for Python 3.13")
def test_the_loudest_chord_stays_under_the_ceiling_by_another_meter(folder, hits):
    """True peak by libebur128 (pyebur128 0.1), after Recommendation ITU-R BS.1770-4, Annex 2."""
    meter = tool("pyebur128")
    rows = read_csv(folder / "manifest.csv")
    strongest = {row["slot"]: row["file"] for row in rows}  # layers go from weak to strong
    strokes = {slot: decode_file(folder / file).samples[:, 0] for slot, file in strongest.items()}
    peaks = []
    for hands in itertools.combinations(set(strokes) - {"kick"}, 2):
        if set(hands) == {"hat_open", "hat_closed"}:  # one hat cannot be both
            continue
        mix = np.zeros(2 * SR)
        for slot in ("kick", *hands):
            mix[: len(strokes[slot])] += strokes[slot]
        state = meter.R128State(1, SR, meter.MeasurementMode.MODE_TRUE_PEAK)
        state.add_frames(mix, len(mix))
        peaks.append(20 * np.log10(meter.get_true_peak(state, 0)))
    assert -1.3 < max(peaks) < -1.0


MICROPHONE_HZ = {"close": 400.0, "OH": 900.0}


def read_microphone(hit: Hit) -> Audio:
    """Decode each microphone as its own tone, so that the output names it."""
    time_s = np.arange(BEGINNING - BLOCK) / SR
    wave_ = np.sin(2 * np.pi * MICROPHONE_HZ[hit.microphone] * time_s) * np.exp(-time_s / 0.03)
    return Audio((0.3 * wave_)[:, None].astype(np.float32), SR, "WAV", "FLOAT")


def tone_db(sound: np.ndarray, hz: float) -> float:
    time_s = np.arange(len(sound)) / SR
    return 20 * float(np.log10(abs(np.exp(-2j * np.pi * hz * time_s) @ sound) + 1e-12))


@pytest.mark.parametrize("slot", ["snare", "hat_open"])  # with and without a choke group
def test_the_player_plays_all_microphones_and_controls_each(tmp_path, slot):
    tied = tuple(
        Microphone(i, name, Path(f"/r/{name}.wav")) for i, name in enumerate(MICROPHONE_HZ, start=1)
    )
    found = {
        mic.hit_id: make_hit(mic.hit_id, slot, microphone=mic.name, path=mic.path, tied=tied)
        for mic in tied
    }
    options = ExportOptions(microphone="all")
    used = use_microphones({1: found[1]}, found, options, read=read_microphone)
    kit = Kit(slots={slot: (1,)})
    export_kit(kit, used.hits, tmp_path / "kit", read=used.read, options=options, microphones=used)
    (note,) = {int(row["notes"].split()[0]) for row in read_csv(tmp_path / "kit" / "manifest.csv")}
    levels = []
    sfz = tmp_path / "kit" / "kit.sfz"
    text = sfz.read_text()
    for value in (0, 127):  # of the overhead's controller, which the player is started with
        sfz.write_text(f"<control>\nset_cc21={value}\n{text}")
        sound = play(load(tmp_path / "kit"), note, 127)
        levels.append([tone_db(sound, hz) for hz in MICROPHONE_HZ.values()])
    (close, oh), (close_after, oh_after) = levels
    assert abs(close - oh) < 1.0
    assert abs(close_after - close) < LEVEL_DB
    assert oh_after < oh - 40.0
