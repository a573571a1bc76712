"""An export follows its options and settings: width, container, rate, zip, tuning, levels."""

import itertools
import json
import zipfile
from dataclasses import replace

import numpy as np
import pytest

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, KitError
from catalog.kit.export import ExportOptions, export_kit, plan_export
from catalog.kit.export.audio import encode_stroke
from catalog.kit.model import Kit
from catalog.models import Hit
from tests.kit.drums import SR, kit_hits, make_hit, make_stroke, read_manifest

KIT = Kit(name="Probe", slots={"kick": (0,), "snare": (3, 1)})
RATES_HZ = (44_100, 48_000, 96_000)
PITCH_CENTS = 5.0  # tolerance: a tone of 0.4 s is measured more finely than that


def tone(hit: Hit) -> Audio:
    time_s = np.arange(round(0.4 * SR)) / SR
    wave = 0.4 * np.sin(2 * np.pi * 440.0 * time_s) * np.hanning(len(time_s))
    return Audio(wave[:, None].astype(np.float32), SR, "WAV", "FLOAT")


def pitch_hz(audio: Audio) -> float:
    power = np.abs(np.fft.rfft(audio.samples[:, 0] * np.hanning(len(audio.samples)), n=2**20))
    return float(np.argmax(power) * audio.sr / 2**20)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"subtype": "PCM_U8"}, "subtype='PCM_U8' must be one of"),
        ({"container": "OGG"}, "container='OGG' must be one of WAV, FLAC"),
        ({"container": "FLAC", "subtype": "FLOAT"}, "FLAC cannot hold FLOAT: choose PCM_16 or"),
        ({"sr": 32_000}, "sr=32000 must be one of 44100, 48000, 96000, or None"),
    ],
)
def test_impossible_options_are_refused(words, message):
    with pytest.raises(KitError, match=message):
        ExportOptions(**words)


@pytest.mark.parametrize(
    ("container", "subtype", "sr"),
    [
        *((*form, sr) for form in (("WAV", "PCM_16"), ("FLAC", "PCM_24")) for sr in RATES_HZ),
        *(("WAV", subtype, 48_000) for subtype in ("PCM_24", "PCM_32", "FLOAT")),
    ],
)
def test_exported_files_have_the_rate_container_and_subtype_of_the_options(
    tmp_path, container, subtype, sr
):
    options = ExportOptions(subtype, container, sr)
    files = export_kit(KIT, kit_hits(), tmp_path / "kit", read=tone, options=options)
    audio = [decode_file(f) for f in files if f.suffix == options.suffix]
    assert {(a.container, a.subtype, a.sr) for a in audio} == {(container, subtype, sr)}
    assert len(audio) == 4
    sfz = (tmp_path / "kit/kit.sfz").read_text(encoding="utf-8")
    assert f"sample=hits/036_kick_layer01_rr1{options.suffix}" in sfz
    for path in (tmp_path / "kit/hits").iterdir():
        assert abs(1200 * np.log2(pitch_hz(decode_file(path)) / 440.0)) < PITCH_CENTS


def test_sixteen_bits_carry_triangular_dither(tmp_path):
    """Below one step a plain rounding is silent; dithered, the tone is still there."""

    def faint(hit: Hit) -> Audio:
        return replace(tone(hit), samples=tone(hit).samples * np.float32(1e-6))

    quiet, kit = {0: make_hit(0, "kick", loudness=-np.inf)}, Kit(slots={"kick": (0,)})
    export_kit(kit, quiet, tmp_path / "kit", read=faint, options=ExportOptions("PCM_16"))
    (row,) = read_manifest(tmp_path / "kit")["files"]
    steps = decode_file(tmp_path / "kit" / row["file"]).samples[:, 0] * 2**15
    assert set(np.unique(steps)) <= {-1.0, 0.0, 1.0}
    # triangular noise two steps wide has variance 1/6, the rounding adds 1/12: 1/4 of a step²
    assert np.var(steps) == pytest.approx(0.25, abs=0.02)


def test_strokes_of_one_length_have_different_dither(tmp_path):
    errors = []
    for number in range(4):
        samples = tone(make_hit(0)).samples * np.float32(0.5 + 0.1 * number)
        data = encode_stroke(Audio(samples, SR, "WAV", "FLOAT"), ExportOptions("PCM_16"))
        (tmp_path / "stroke.wav").write_bytes(data)
        decoded = decode_file(tmp_path / "stroke.wav").samples
        errors.append(2.0**15 * (decoded - samples.astype(np.float64))[:, 0])
    for a, b in itertools.combinations(errors, 2):
        assert np.std(a) == pytest.approx(0.5, abs=0.02)  # of dither and rounding, in steps
        assert abs(np.corrcoef(a, b)[0, 1]) < 0.05  # six deviations of 17,640 samples


@pytest.mark.parametrize("semitones", [-3.0, 1.5])
def test_a_tuned_slot_has_the_new_pitch_and_its_tuning_in_the_manifest(tmp_path, semitones):
    kit = KIT.with_tuning("kick", semitones)
    export_kit(kit, kit_hits(), tmp_path / "kit", read=tone, options=ExportOptions(sr=48_000))
    for row in read_manifest(tmp_path / "kit")["files"]:
        wanted = semitones if row["slot"] == "kick" else 0.0
        assert row["tuning_semitones"] == wanted
        audio = decode_file(tmp_path / "kit" / row["file"])
        assert 12 * np.log2(pitch_hz(audio) / 440.0) == pytest.approx(wanted, abs=0.05)
        assert len(audio.samples) / 48_000 == pytest.approx(0.4 / 2 ** (wanted / 12), abs=0.001)
    assert f"kick: {semitones:+.1f} semitones" in (tmp_path / "kit/README.txt").read_text()


def test_a_manual_level_changes_one_slot_only(tmp_path):
    def snare_over_kick_db(kit: Kit) -> float:
        plan = plan_export(kit, kit_hits(), tmp_path / "kit", read=make_stroke)
        return plan.gain_db["snare"] - plan.gain_db["kick"]

    change_db = snare_over_kick_db(KIT.with_level("snare", -5.0)) - snare_over_kick_db(KIT)
    assert change_db == pytest.approx(-5.0)


def test_levels_and_tuning_are_saved_with_the_kit_and_zero_removes_them():
    kit = KIT.with_level("snare", -2.0).with_tuning("kick", 1.0)
    assert Kit.from_json(kit.to_json()) == kit
    assert kit.with_level("snare", 0.0).with_tuning("kick", 0.0) == KIT
    old = json.loads(KIT.to_json())
    del old["level_db"], old["tuning_semitones"]
    assert Kit.from_json(json.dumps(old)) == KIT


def test_settings_out_of_range_or_of_empty_slots_are_refused():
    with pytest.raises(KitError, match=r"semitones=4\.0 of kick must be -3 to 3"):
        KIT.with_tuning("kick", 4.0)
    with pytest.raises(KitError, match="level_db=nan of snare must be -24 to 12"):
        KIT.with_level("snare", float("nan"))
    with pytest.raises(KitError, match="slot ride is empty"):
        KIT.with_level("ride", 1.0)


def test_the_zip_beside_the_folder_holds_the_same_files(tmp_path):
    options = ExportOptions(as_zip=True)
    files = export_kit(KIT, kit_hits(), tmp_path / "kit", read=make_stroke, options=options)
    assert files[-1] == tmp_path / "kit.zip"
    with zipfile.ZipFile(files[-1]) as pack:
        assert pack.testzip() is None
        held = {name: pack.read(name) for name in pack.namelist()}
    assert held == {p.relative_to(tmp_path).as_posix(): p.read_bytes() for p in files[:-1]}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["kit", "kit.zip"]
    (tmp_path / "kit").rename(tmp_path / "other")
    with pytest.raises(KitError, match=r"kit\.zip exists already"):
        export_kit(KIT, kit_hits(), tmp_path / "kit", read=make_stroke, options=options)


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_the_plan_lists_the_files_of_the_export_and_writes_nothing(tmp_path, container):
    options = ExportOptions("PCM_24", container, 48_000, as_zip=True)
    kit, place = KIT.with_tuning("kick", -1.0), tmp_path / "new" / "kit"
    plan = plan_export(kit, kit_hits(), place, read=make_stroke, options=options)
    assert (plan.refusals, list(tmp_path.iterdir())) == ((), [])
    files = export_kit(kit, kit_hits(), place, read=make_stroke, options=options)
    planned = {place / name for name in (*plan.documents, *(file.file for file in plan.audio))}
    assert set(files) == {*planned, plan.zip_file}
    rows = {row["file"]: row for row in read_manifest(place)["files"]}
    for file in plan.audio:
        row = rows[file.file]
        assert row["gain_db"] == pytest.approx(file.gain_db, abs=0.001)
        assert (row["tuning_semitones"], row["sr"]) == (file.tuning_semitones, file.sr)
    assert sum((place / file.file).stat().st_size for file in plan.audio) <= plan.n_bytes


def test_the_plan_lists_refusals(tmp_path):
    def gone(hit: Hit) -> Audio:
        raise AudioError(hit.path, "is missing")

    (tmp_path / "kit").mkdir()
    plan = plan_export(KIT, kit_hits(), tmp_path / "kit", read=gone)
    assert len(plan.refusals) == 2
    assert "exists already" in plan.refusals[0]
    assert "cannot be read" in plan.refusals[1]
    assert all(file.gain_db is None for file in plan.audio)
    (tmp_path / "file").write_text("")
    plan = plan_export(KIT, kit_hits(), tmp_path / "file" / "kit", read=make_stroke)
    assert any("cannot be written" in line for line in plan.refusals)


def test_a_locked_hit_of_another_role_is_in_plan_readme_and_manifest(tmp_path):
    wrong = kit_hits() | {0: make_hit(0, "tom", body=60.0)}
    kit = replace(KIT, locked=frozenset({"kick"}))
    warning = "kick: the locked hit tom_0 is a tom by your word, not a kick"
    assert warning in plan_export(kit, wrong, tmp_path / "kit", read=make_stroke).warnings
    export_kit(kit, wrong, tmp_path / "kit", read=make_stroke)
    assert warning in (tmp_path / "kit/README.txt").read_text()
    assert warning in read_manifest(tmp_path / "kit")["warnings"]
    assert plan_export(KIT, kit_hits(), tmp_path / "new", read=make_stroke).warnings == ()


@pytest.mark.parametrize(("confidence", "is_warned"), [(0.59, True), (0.6, False)])
def test_a_role_below_60_percent_confidence_is_a_warning(tmp_path, confidence, is_warned):
    estimate = replace(kit_hits()[0], role_confidence=confidence, role_source="sound")
    plan = plan_export(KIT, kit_hits() | {0: estimate}, tmp_path / "kit", read=make_stroke)
    assert any("is an estimate" in line for line in plan.warnings) is is_warned
