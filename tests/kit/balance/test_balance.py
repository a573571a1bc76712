"""A kit weighed: tuning of toms, overlap of slots, two kits side by side."""

from dataclasses import replace

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.balance import compare_kits, measure_masking, propose_tuning, tom_intervals
from catalog.kit.fill.fill import Pool, judge_kit
from catalog.kit.levels import Levels
from catalog.kit.model import Kit
from catalog.models import Hit
from tests.kit.drums import SR, make_hit

TOM_SLOTS = ("tom_low", "tom_mid", "tom_high")


def kit_of_toms(*steps: float, kick: float | None = None) -> tuple[Kit, dict[int, Hit]]:
    """Toms so many semitones over 90 Hz."""
    hits = {i: make_hit(i, "tom", body=90.0 * 2 ** (s / 12)) for i, s in enumerate(steps)}
    slots = {TOM_SLOTS[i]: (i,) for i in hits}
    if kick is not None:
        hits[9], slots["kick"] = make_hit(9, "kick", body=90.0 * 2 ** (kick / 12)), (9,)
    return Kit(slots=slots), hits


def after(kit: Kit, hits: dict[int, Hit]) -> tuple[Kit, list[float]]:
    for proposal in propose_tuning(kit, hits):
        kit = kit.with_tuning(proposal.slot, proposal.semitones)
    return kit, [step.semitones for step in tom_intervals(kit, hits)]


@pytest.mark.parametrize("steps", [(0, 4, 9), (0, 7, 14), (0, 3, 6), (0, 12)])
def test_a_good_run_is_left_alone_and_named(steps: tuple[float, ...]) -> None:
    kit, hits = kit_of_toms(*steps)
    assert propose_tuning(kit, hits) == () or steps == (0, 12)
    words = {3: "a minor third", 4: "a major third", 5: "a fourth", 7: "a fifth", 12: "an octave"}
    first = tom_intervals(kit, hits)[0]
    assert first.text == f"low tom {words[steps[1]]} under mid tom"
    assert first.fits == (steps != (0, 12))


@pytest.mark.parametrize("steps", [(0, 1, 9), (0, 2, 3), (0, 10, 14), (3, 0, 6), (0, 5, 5)])
def test_a_bad_run_gets_the_least_tuning_that_makes_it_good(steps: tuple[float, ...]) -> None:
    kit, hits = kit_of_toms(*steps)
    tuned, intervals = after(kit, hits)
    assert all(2.4 < step < 7.6 for step in intervals)
    assert all(abs(by) <= 3.0 for by in tuned.tuning_semitones.values())
    assert propose_tuning(tuned, hits) == ()
    moved = sum(map(abs, tuned.tuning_semitones.values()))
    gaps = [max(2.5 - s, s - 7.5, 0.0) for s in np.diff(steps)]
    assert moved <= sum(gaps) + 1.0


def test_a_tom_moves_away_from_the_kick() -> None:
    kit, hits = kit_of_toms(0, 5, kick=0)
    tuned, _ = after(kit, hits)
    body = tuned.tuning_semitones.get("tom_low", 0.0)
    assert abs(body) >= 2.5


def test_toms_without_a_body_are_passed_over() -> None:
    kit, hits = kit_of_toms(0, 1)
    hits[0] = replace(hits[0], descriptors={"body_hz": np.nan})
    assert propose_tuning(kit, hits) == ()
    assert tom_intervals(kit, hits) == ()


def tone(hz: float, level: float) -> Audio:
    time_s = np.arange(SR // 2) / SR
    wave = level * np.sin(2 * np.pi * hz * time_s) * np.exp(-time_s / 0.1)
    return Audio(wave[:, None].astype(np.float32), SR, "WAV", "FLOAT")


def test_overlap_is_one_for_like_spectra_and_none_for_tones_far_apart() -> None:
    sounds = {1: tone(80, 0.5), 2: tone(80, 0.1), 3: tone(4000, 0.3)}
    hits = {1: make_hit(1, "kick", body=80.0), 2: make_hit(2, "tom", body=80.0), 3: make_hit(3)}
    kit = Kit(slots={"kick": (1,), "tom_low": (2,), "snare": (3,)})
    levels = Levels({"kick": 0.0, "tom_low": 0.0, "snare": -6.0}, -1.0, ())
    found = measure_masking(kit, hits, levels, read=lambda hit: sounds[hit.id])
    assert np.allclose(found.overlap, found.overlap.T)
    assert np.allclose(np.diag(found.overlap), 1.0)
    assert found.overlap[0, 1] > 0.99
    assert found.overlap[0, 2] < 0.02
    assert found.level_lkfs[0] - found.level_lkfs[1] == pytest.approx(20 * np.log10(5), abs=0.01)
    assert found.notes[0] == "D#2 +49 c"  # 80 Hz by hand: 12·log2(80/440) = -29.51 from A4
    assert any(line.startswith("kick and low tom: bodies 0.0 semitones") for line in found.lines)
    assert any("of their energy in the same bands, kick 14 dB louder" in x for x in found.lines)


def test_tuning_moves_spectrum_and_pitch_in_the_picture() -> None:
    hits = {1: make_hit(1, "tom", body=500.0)}
    kit = Kit(slots={"tom_low": (1,)}).with_tuning("tom_low", 3.0)
    levels = Levels({"tom_low": 0.0}, -1.0, ())
    found = measure_masking(kit, hits, levels, read=lambda _: tone(500, 0.3))
    strongest = found.bands_hz[int(np.argmax(found.spectrum_db[0]))]
    assert strongest == pytest.approx(630, rel=0.01)  # 500 Hz a minor third up is 595 Hz
    assert found.pitch_hz[0] == pytest.approx(594.6, abs=0.1)


def test_silence_overlaps_nothing() -> None:
    hits = {1: make_hit(1), 2: make_hit(2, "kick")}
    kit, levels = Kit(slots={"snare": (1,), "kick": (2,)}), Levels({"snare": 0, "kick": 0}, -1, ())
    silent = Audio(np.zeros((100, 1), np.float32), SR, "WAV", "FLOAT")
    found = measure_masking(kit, hits, levels, read=lambda _: silent)
    assert found.overlap.max() == 0.0
    assert np.isfinite(found.spectrum_db).all()


def test_two_kits_are_told_apart_slot_by_slot() -> None:
    hits = (make_hit(1, session="barn"), make_hit(2, loudness=-12.0, session="barn"),
            make_hit(3, "kick", session="mill"), make_hit(4, "ride"))  # fmt: skip
    rng = np.random.default_rng(0)
    pool = Pool(hits, rng.normal(size=(4, len(PRODUCTION_NAMES))).astype(np.float32))
    a = judge_kit(pool, Kit(name="one", slots={"snare": (1,), "kick": (3,), "ride": (4,)}))
    b = judge_kit(pool, Kit(name="two", slots={"snare": (2,), "kick": (3,)}))
    flat = Levels({"snare": 0.0, "kick": 0.0, "ride": 0.0}, -1.0, ())
    found = compare_kits((a, b), {hit.id: hit for hit in hits}, (flat, flat))
    assert [(s.slot, s.same) for s in found.slots] == [
        ("kick", True), ("snare", False), ("ride", False)
    ]  # fmt: skip
    assert found.slots[1].differences == ("8 dB louder",)
    assert "the same in both: kick" in found.lines
    assert "ride: only in one" in found.lines
    assert "snare, two against one: 8 dB louder" in found.lines


def test_a_kit_judged_anew_tells_its_toms_as_they_are_tuned() -> None:
    kit, hits = kit_of_toms(0, 1, 6)
    pool = Pool(tuple(hits.values()), np.zeros((3, len(PRODUCTION_NAMES)), np.float32))
    before = judge_kit(pool, kit)
    tuned, _ = after(kit, hits)
    judged = judge_kit(pool, tuned)
    assert before.why["tom_low"][0] == "low tom a semitone under mid tom"
    assert judged.why["tom_low"][0] != before.why["tom_low"][0]
    assert judged.score < before.score
