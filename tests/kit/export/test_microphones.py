"""A kit exported with one microphone, a mix of them, or all, and read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.features.loudness import hit_loudness
from catalog.kit.export import ExportOptions, export_kit
from catalog.kit.export.microphones import use_microphones
from catalog.kit.model import Kit
from catalog.models import Hit, Microphone
from tests.kit.drums import SR, make_hit, make_stroke, read_manifest

DELAY = 90  # frames
GAINS = {"close": 1.0, "OH": -0.4}  # the overhead has the opposite polarity
STEP_24 = 2.0**-23
KIT = Kit(name="Probe", slots={"snare": (1, 2), "kick": (3,)})


def dry(stroke: int) -> np.ndarray:
    hit = make_hit(stroke, loudness=-20.0 - 6.0 * (stroke == 2))
    return make_stroke(hit, length_s=0.3).samples[:, 0].astype(np.float64)


def read(hit: Hit) -> Audio:
    """Return the close microphone, or the overhead: later, softer, turned, and in stereo."""
    stroke = dry(int(hit.remark))
    if hit.microphone != "OH":
        return Audio(stroke[:, None].astype(np.float32), SR, "WAV", "PCM_24")
    late = np.concatenate([np.zeros(DELAY), GAINS["OH"] * stroke])
    return Audio(np.stack([late, late], axis=1).astype(np.float32), SR, "WAV", "PCM_24")


@pytest.fixture
def microphones() -> dict[int, Hit]:
    """Return two strokes of a snare, each through two microphones, and a kick through one."""
    found = {}
    for stroke in (1, 2):
        level = hit_loudness(read(make_hit(0, remark=str(stroke))).samples, sr=SR)
        tied = (
            Microphone(stroke, "close", Path(f"/r/{stroke} close.wav"), (), 0.0, 1, 0.0),
            Microphone(10 + stroke, "OH", Path(f"/r/{stroke} OH.wav"), (), float(DELAY), -1, -8.0),
        )
        for mic in tied:
            loudness = level if mic.name == "close" else level + 20 * np.log10(0.4)
            found[mic.hit_id] = make_hit(
                mic.hit_id, path=mic.path, microphone=mic.name, tied=tied, remark=str(stroke),
                drum="a", session="barn", loudness=loudness, n_channels=1 + (mic.name == "OH"),
                stop=round(0.3 * SR),
            )  # fmt: skip
    found[3] = make_hit(3, "kick", remark="3", body=60.0, microphone="in", stop=round(0.3 * SR))
    return found


def export(folder: Path, microphones: dict[int, Hit], options: ExportOptions) -> list[dict]:
    hits = {hit_id: microphones[hit_id] for hit_id in (1, 2, 3)}
    used = use_microphones(hits, microphones, options, read=read)
    export_kit(KIT, used.hits, folder, read=used.read, options=options, microphones=used)
    return read_manifest(folder)["files"]


def test_one_microphone_is_used_for_all_that_have_it(tmp_path, microphones):
    rows = export(tmp_path / "kit", microphones, ExportOptions(microphone="oh"))
    assert [(r["slot"], r["microphone"]) for r in rows] == [
        ("kick", "in"), ("snare", "OH"), ("snare", "OH")
    ]  # fmt: skip
    assert read_manifest(tmp_path / "kit")["warnings"] == [
        "1 of 3 strokes have no microphone 'oh' and keep the one that stands for them: 1 kick"
    ]
    row = rows[1]
    written = decode_file(tmp_path / "kit" / row["file"]).samples
    source = read(microphones[12]).samples * 10 ** (row["gain_db"] / 20)
    assert row["source_file"].endswith("2 OH.wav")
    np.testing.assert_allclose(written, source, atol=0.001 * np.abs(source).max() + STEP_24)


def test_a_mix_is_the_aligned_sum_and_the_manifest_states_how_it_was_made(tmp_path, microphones):
    options = ExportOptions(microphone="mix", mix_levels=(("OH", -6.0),))
    rows = [r for r in export(tmp_path / "kit", microphones, options) if r["slot"] == "snare"]
    assert len(rows) == 2
    for row, stroke in zip(rows, (2, 1), strict=True):  # the weaker layer first
        text = f"close +0.0 dB, 0 frames earlier; OH -6.0 dB, {DELAY} frames earlier"
        assert row["microphone_mix"] == f"{text}, polarity turned"
        wanted = dry(stroke) * (1 + 0.4 * 10 ** (-6 / 20)) * 10 ** (row["gain_db"] / 20)
        written = decode_file(tmp_path / "kit" / row["file"]).samples
        for side in written.T:
            np.testing.assert_allclose(
                side[: len(wanted)], wanted, atol=0.001 * np.abs(wanted).max() + STEP_24
            )


def test_all_microphones_are_files_with_the_same_layers_and_one_gain(tmp_path, microphones):
    rows = export(tmp_path / "kit", microphones, ExportOptions(microphone="all"))
    snare = [r for r in rows if r["slot"] == "snare"]
    assert [(r["layer"], r["round_robin"], r["microphone"]) for r in snare] == [
        (1, 1, "close"), (1, 1, "OH"), (2, 1, "close"), (2, 1, "OH")
    ]  # fmt: skip
    assert len({r["gain_db"] for r in snare}) == 1
    assert {(r["microphone"], r["lowest_velocity"]) for r in snare[:2]} == {
        ("close", snare[0]["lowest_velocity"]), ("OH", snare[0]["lowest_velocity"])
    }  # fmt: skip
    for row in snare:
        hit_id = (0 if row["microphone"] == "close" else 10) + (2 if row["layer"] == 1 else 1)
        source = read(microphones[hit_id]).samples * 10 ** (row["gain_db"] / 20)
        written = decode_file(tmp_path / "kit" / row["file"]).samples
        np.testing.assert_allclose(written, source, atol=0.001 * np.abs(source).max() + STEP_24)


def test_the_sfz_has_a_group_and_a_controller_for_each_microphone(tmp_path, microphones):
    export(tmp_path / "kit", microphones, ExportOptions(microphone="all"))
    text = (tmp_path / "kit" / "kit.sfz").read_text()
    found = {}
    for group in text.split("<group>")[1:]:
        control = next(line for line in group.splitlines() if line.startswith("gain_cc"))
        for line in group.splitlines():
            if line.startswith("<region>"):
                found.setdefault(line.split("_")[-1], set()).add(control)
    assert found == {
        "1-in.wav": {"gain_cc20=-60"},
        "1-close.wav": {"gain_cc21=-60"},
        "2-OH.wav".lower(): {"gain_cc22=-60"},
    }
    readme = (tmp_path / "kit" / "README.txt").read_text()
    assert "OH: MIDI controller 22 lowers its level" in readme
    assert "3 recorded strokes in 5 files, one for each microphone" in readme


def test_wrong_names_and_levels_are_refused(microphones):
    hits = {hit_id: microphones[hit_id] for hit_id in (1, 2, 3)}
    for options, words in (
        (ExportOptions(microphone="room"), "no stroke of the kit has a microphone 'room'"),
        (ExportOptions(microphone="mix", mix_levels=(("room", 0.0),)), "use OH, close, in"),
    ):
        with pytest.raises(KitError, match=words):
            use_microphones(hits, microphones, options, read=read)
    with pytest.raises(KitError, match="but microphone is not 'mix'"):
        ExportOptions(microphone="all", mix_levels=(("OH", 0.0),))
    with pytest.raises(KitError, match="must be -60 to 12 dB"):
        ExportOptions(microphone="mix", mix_levels=(("OH", 40.0),))


def test_microphones_of_several_rates_are_not_mixed(microphones):
    def other_rate(hit: Hit) -> Audio:
        audio = read(hit)
        return replace(audio, sr=96_000) if hit.microphone == "OH" else audio

    hits = {hit_id: microphones[hit_id] for hit_id in (1, 2, 3)}
    with pytest.raises(KitError, match="several sample rates"):
        use_microphones(hits, microphones, ExportOptions(microphone="mix"), read=other_rate)


@pytest.mark.parametrize("microphone", ["oh", "mix", "all"])
def test_strokes_of_other_levels_are_not_called_normalized(tmp_path, microphones, microphone):
    export(tmp_path / "kit", microphones, ExportOptions(microphone=microphone))
    lines = read_manifest(tmp_path / "kit")["warnings"]
    assert not any("normalized" in line for line in lines)
