"""Each stroke of a synthetic take is found in place, and nothing else is."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.segmentation import segment_take
from tests.signals import (
    SR,
    STROKE_LEAD_S,
    decaying_noise,
    decaying_sine,
    drum_stroke,
    mix_take,
    strokes_at,
)

LEAD = round(STROKE_LEAD_S * SR)
TOLERANCE_S = 0.002  # an onset further away is a different one
AT_S = (0.4, 1.5, 2.1, 3.6)


def onsets_s(take):
    return [span.onset / SR for span in segment_take(take, sr=SR)]


def test_soft_and_loud_strokes_are_found_in_place():
    found = onsets_s(mix_take(strokes_at(AT_S)))
    assert found == pytest.approx(AT_S, abs=TOLERANCE_S)


def test_segments_never_overlap_and_hold_the_decay_down_to_40_db():
    take = mix_take(strokes_at(AT_S))
    spans = segment_take(take, sr=SR)
    assert all(a.stop <= b.start for a, b in itertools.pairwise(spans))
    for span, (at_s, stroke) in zip(spans, strokes_at(AT_S), strict=True):
        level = np.abs(stroke)
        last = int(np.flatnonzero(level > max(level.max() * 0.01, 1e-3))[-1])
        assert span.start <= round(at_s * SR) <= span.onset + TOLERANCE_S * SR
        assert span.stop >= round(at_s * SR) + last


@pytest.mark.parametrize("length_s", [0.1, 0.7, 3.0])
def test_a_file_with_one_stroke_is_not_divided(length_s):
    assert segment_take(mix_take(strokes_at([0.05]), length_s=length_s), sr=SR) == ()


@pytest.mark.parametrize("take", [np.zeros(2 * SR, np.float32), mix_take([], length_s=2.0)])
def test_silence_and_noise_hold_no_strokes(take):
    assert segment_take(take, sr=SR) == ()


def test_a_flam_counts_as_one_stroke():
    """Two strokes under 50 ms apart are one ornament: common practice, no source."""
    soft, loud = drum_stroke(150, seed=5, strength=0.3)[LEAD:], drum_stroke(150, seed=6)[LEAD:]
    take = mix_take([(0.4, soft), (0.43, loud), (1.8, soft), (3.2, loud)])
    assert onsets_s(take) == pytest.approx([0.4, 1.8, 3.2], abs=TOLERANCE_S)


def test_a_roll_counts_as_one_stroke():
    roll = [(1.5 + 0.07 * k, drum_stroke(180, seed=k, strength=0.5)[LEAD:]) for k in range(8)]
    take = mix_take([*strokes_at([0.4]), *roll, *strokes_at([3.6])])
    assert onsets_s(take) == pytest.approx([0.4, 1.5, 3.6], abs=TOLERANCE_S)


@pytest.mark.parametrize(("strength", "n_more"), [(0.15, 0), (0.5, 1), (1.0, 1)])
def test_a_bounce_of_the_beater_belongs_to_its_stroke(strength, n_more):
    bounce = (1.5 + 0.08, strength * drum_stroke(150, seed=7)[LEAD:])
    take = mix_take([*strokes_at(AT_S, strengths=(1.0,)), bounce])
    spans = segment_take(take, sr=SR)
    assert len(spans) == len(AT_S) + n_more
    if not n_more:
        assert [r.onset / SR for r in spans] == pytest.approx(AT_S, abs=TOLERANCE_S)
        level = np.abs(bounce[1])
        last = int(np.flatnonzero(level > level.max() * 0.01)[-1])
        assert spans[1].stop >= round(bounce[0] * SR) + last


@pytest.mark.parametrize(("amplitude", "is_stroke"), [(0.014, False), (0.04, True)])
def test_a_far_softer_rise_over_a_ring_must_stand_out_to_be_a_stroke(amplitude, is_stroke):
    ring = decaying_sine(110, 6.0, length_s=4.0, amplitude=0.8)
    pedal = decaying_sine(6000, 0.3, length_s=0.3, amplitude=amplitude)
    take = mix_take([(0.4, ring), (2.6, pedal), *strokes_at([4.6, 5.6])], length_s=7.0, noise=2e-3)
    expected = [0.4, *([2.6] if is_stroke else []), 4.6, 5.6]
    assert onsets_s(take) == pytest.approx(expected, abs=TOLERANCE_S)


def test_touching_sticks_are_left_out():
    t = np.arange(round(0.006 * SR)) / SR
    click = 0.02 * np.sin(2 * np.pi * 3000 * t) * np.exp(-t / 0.001)
    take = mix_take([*strokes_at([0.4, 2.4, 3.6], (1.0, 0.8, 0.9)), (1.6, click)])
    assert onsets_s(take) == pytest.approx([0.4, 2.4, 3.6], abs=TOLERANCE_S)


def test_a_swell_is_not_a_stroke():
    t = np.arange(round(0.5 * SR)) / SR
    hum = 0.05 * np.sin(2 * np.pi * 160 * t) * np.sin(np.pi * t / 0.5) ** 2
    take = mix_take([*strokes_at([0.4, 3.4]), (1.6, hum)])
    assert onsets_s(take) == pytest.approx([0.4, 3.4], abs=TOLERANCE_S)


@settings(max_examples=8, deadline=None)
@given(gain=st.floats(0.02, 1.5), flip=st.sampled_from([-1.0, 1.0]))
def test_gain_and_polarity_do_not_move_onsets(gain, flip):
    take = mix_take(strokes_at([0.4, 1.5, 2.6]), length_s=3.5)
    assert onsets_s((take * gain * flip).astype(np.float32)) == onsets_s(take)


@pytest.mark.parametrize("sr", [8_000, 96_000])
def test_strokes_are_found_at_other_sample_rates(sr):
    take = np.zeros(3 * sr)
    for at_s in (0.3, 1.8):
        stroke = drum_stroke(150, sr=sr)[round(0.01 * sr) :]
        take[round(at_s * sr) :][: len(stroke)] += stroke
    found = [span.onset / sr for span in segment_take(take.astype(np.float32), sr=sr)]
    assert found == pytest.approx([0.3, 1.8], abs=0.002)


def two_tones(*, apart_hz):
    """Return a drum whose two tones beat: it fades out and comes back."""
    t = np.arange(round(2.2 * SR)) / SR
    tones = np.sin(2 * np.pi * 190 * t) + 0.97 * np.sin(2 * np.pi * (190 + apart_hz) * t)
    drum = 0.3 * tones * np.exp(-t / 0.35)
    drum[: SR // 200] += 0.2 * np.random.default_rng(1).normal(size=SR // 200)
    return drum


@pytest.mark.parametrize("gap_s", [0.95, 1.0, 1.05])
def test_a_decay_is_not_ended_by_the_smoothed_rise_of_the_next_stroke(gap_s):
    drum = decaying_noise(1.2, seed=3, length_s=3.0)
    laid = [(0.4, 0.3 * drum), (0.4 + gap_s, 0.8 * drum), (3.4, 0.5 * drum)]
    first, second, _ = segment_take(mix_take(laid, length_s=6.0, noise=1e-5), sr=SR)
    assert first.stop == second.start


def test_a_drum_with_beating_tones_is_kept_until_it_has_rung_out():
    drum = two_tones(apart_hz=3.0)
    take = mix_take([(0.4, drum), (3.4, drum)], length_s=6.0, noise=2e-5)
    first, second = segment_take(take, sr=SR)
    assert [first.onset / SR, second.onset / SR] == pytest.approx([0.4, 3.4], abs=TOLERANCE_S)
    level = np.sqrt(np.convolve(drum**2, np.ones(SR // 50) / (SR // 50), "same"))
    last = int(np.flatnonzero(level > level.max() * 0.01)[-1])
    assert first.stop >= round(0.4 * SR) + last


def test_a_segment_ends_where_talk_begins():
    t = np.arange(round(0.8 * SR)) / SR
    hum = 0.05 * np.sin(2 * np.pi * 160 * t) * np.sin(np.pi * t / 0.8) ** 2
    take = mix_take([*strokes_at([0.4, 3.8]), (2.0, hum)], noise=2e-6)
    first, _ = segment_take(take, sr=SR)
    assert 1.0 * SR < first.stop < 2.2 * SR


def test_a_ring_that_is_cut_off_is_not_a_second_stroke():
    """A file that stops while its drum rings ends with a step far below the ring."""
    t = np.arange(round(0.5 * SR)) / SR
    hit = 0.5 * np.sin(2 * np.pi * 70 * t) * np.exp(-t / 0.3)
    hit[: SR // 200] += 0.2 * np.random.default_rng(1).normal(size=SR // 200)
    hit[round(0.4 * SR) :] += 0.003
    assert segment_take(hit.astype(np.float32), sr=SR) == ()


def test_a_sample_rate_of_0_is_refused():
    with pytest.raises(ParameterError, match="sr=0 must be above 0"):
        segment_take(np.zeros(10, np.float32), sr=0)


@pytest.mark.parametrize("under_db", [10, 14, 20])
@pytest.mark.parametrize("gap_s", [0.12, 0.24])
def test_a_softer_stroke_shortly_before_a_louder_one_is_found(under_db, gap_s):
    soft, loud = (drum_stroke(150, seed=i)[LEAD:] for i in (1, 2))
    starts_s = (0.4, 1.9, 3.4)
    strokes = [(at_s, soft * 10 ** (-under_db / 20)) for at_s in starts_s]
    strokes += [(at_s + gap_s, loud) for at_s in starts_s]
    expected = sorted(at_s for at_s, _ in strokes)
    assert onsets_s(mix_take(strokes)) == pytest.approx(expected, abs=TOLERANCE_S)


def test_a_flam_keeps_its_main_stroke_after_a_far_softer_grace_note():
    soft, loud = (drum_stroke(150, seed=i)[LEAD:] for i in (1, 2))
    starts_s = (0.4, 1.9, 3.4)
    strokes = [(at_s, soft * 10 ** (-24 / 20)) for at_s in starts_s]
    strokes += [(at_s + 0.03, loud) for at_s in starts_s]
    found = onsets_s(mix_take(strokes))
    assert len(found) == len(starts_s)
    assert found == pytest.approx([at_s + 0.015 for at_s in starts_s], abs=0.02)


@pytest.mark.parametrize(
    ("falls_db", "gaps_s", "n"),
    [
        ((9,), (0.15,), 1),  # a stick that bounces
        ((9, 8), (0.16, 0.15), 1),
        ((4,), (0.15,), 2),  # a double stroke
        ((9,), (0.25,), 2),
        ((9, 0, 9), (0.15, 0.15, 0.15), 4),  # part of a pattern
    ],
)
def test_softer_strokes_alone_soon_after_a_stroke_are_bounces(falls_db, gaps_s, n):
    at_s = [1.0, *(1.0 + np.cumsum(gaps_s))]
    gains = [1.0, *10 ** (-np.cumsum(falls_db) / 20)]
    drum = drum_stroke(200, seed=4)[LEAD:]
    tapped = [(at, drum[: SR // 10] * gain) for at, gain in zip(at_s, gains, strict=True)]
    found = onsets_s(mix_take([*tapped, (3.0, drum), (4.5, drum)]))
    assert len(found) == n + 2


def test_cymbals_struck_while_they_ring_are_found():
    """The wash hides each new stroke in the total level, but not in narrow bands."""
    at_s = [0.4, 0.9, 1.3, 1.9, 2.4]
    wash = [decaying_noise(3.0, seed=i, length_s=1.5, amplitude=0.4) for i in range(len(at_s))]
    found = onsets_s(mix_take(list(zip(at_s, wash, strict=True))))
    assert found == pytest.approx(at_s, abs=0.005)
