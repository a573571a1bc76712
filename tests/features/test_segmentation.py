from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.onset import may_hold_multiple_onsets
from catalog.features.segmentation import _Rise, _sift, segment_take
from catalog.features.waveform import waveform_outline
from tests.signals import SR, decaying_sine, drum_stroke

LEAD = round(0.01 * SR)  # of silence at the start of `drum_stroke`
WITHIN = round(0.002 * SR)  # an onset further away is another
AT_S = (0.4, 1.5, 2.1, 3.6)


def lay(strokes, *, n_s=5.0, room=2e-4):
    """Lay strokes, each (seconds, samples), over the noise of a room."""
    take = np.random.default_rng(3).normal(scale=room, size=round(n_s * SR))
    for at_s, stroke in strokes:
        at = round(at_s * SR)
        take[at : at + len(stroke)] += stroke[: len(take) - at]
    return take.astype(np.float32)


def strokes_at(times_s, strengths=(1.0, 0.15, 0.6, 0.05)):
    return [
        (at_s, drum_stroke(150, seed=number, strength=strengths[number % len(strengths)])[LEAD:])
        for number, at_s in enumerate(times_s)
    ]


def onsets_s(take):
    return [region.onset / SR for region in segment_take(take, sr=SR)]


def test_soft_and_loud_strokes_are_found_where_they_were_laid():
    found = onsets_s(lay(strokes_at(AT_S)))
    assert found == pytest.approx(AT_S, abs=WITHIN / SR)


def test_regions_never_overlap_and_hold_the_decay_down_to_forty_db():
    take = lay(strokes_at(AT_S))
    regions = segment_take(take, sr=SR)
    assert all(a.stop <= b.start for a, b in itertools.pairwise(regions))
    for region, (at_s, stroke) in zip(regions, strokes_at(AT_S), strict=True):
        level = np.abs(stroke)
        last = int(np.flatnonzero(level > max(level.max() * 0.01, 1e-3))[-1])
        assert region.start <= round(at_s * SR) <= region.onset + WITHIN
        assert region.stop >= round(at_s * SR) + last


@pytest.mark.parametrize("length_s", [0.1, 0.7, 3.0])
def test_one_stroke_is_no_take(length_s):
    assert segment_take(lay(strokes_at([0.05]), n_s=length_s), sr=SR) == ()


@pytest.mark.parametrize("take", [np.zeros(2 * SR, np.float32), lay([], n_s=2.0)])
def test_silence_and_noise_hold_no_strokes(take):
    assert segment_take(take, sr=SR) == ()


def test_a_flam_counts_as_one_stroke():
    """Two strokes under 50 ms apart are one ornament: common practice, no source."""
    soft, loud = drum_stroke(150, seed=5, strength=0.3)[LEAD:], drum_stroke(150, seed=6)[LEAD:]
    take = lay([(0.4, soft), (0.43, loud), (1.8, soft), (3.2, loud)])
    assert onsets_s(take) == pytest.approx([0.4, 1.8, 3.2], abs=WITHIN / SR)


def test_a_roll_stays_in_one_piece():
    roll = [(1.5 + 0.07 * k, drum_stroke(180, seed=k, strength=0.5)[LEAD:]) for k in range(8)]
    take = lay([*strokes_at([0.4]), *roll, *strokes_at([3.6])])
    assert onsets_s(take) == pytest.approx([0.4, 1.5, 3.6], abs=WITHIN / SR)


@pytest.mark.parametrize(("strength", "n_more"), [(0.15, 0), (0.5, 1), (1.0, 1)])
def test_a_beater_that_bounced_belongs_to_its_stroke(strength, n_more):
    bounce = (1.5 + 0.08, strength * drum_stroke(150, seed=7)[LEAD:])
    take = lay([*strokes_at(AT_S, strengths=(1.0,)), bounce])
    regions = segment_take(take, sr=SR)
    assert len(regions) == len(AT_S) + n_more
    if not n_more:
        assert [r.onset / SR for r in regions] == pytest.approx(AT_S, abs=WITHIN / SR)
        level = np.abs(bounce[1])
        last = int(np.flatnonzero(level > level.max() * 0.01)[-1])
        assert regions[1].stop >= round(bounce[0] * SR) + last


@pytest.mark.parametrize(("amplitude", "is_stroke"), [(0.014, False), (0.04, True)])
def test_what_is_far_softer_and_hardly_stands_out_of_a_ring_is_no_stroke(amplitude, is_stroke):
    ring = decaying_sine(110, 6.0, length_s=4.0, amplitude=0.8)
    pedal = decaying_sine(6000, 0.3, length_s=0.3, amplitude=amplitude)
    take = lay([(0.4, ring), (2.6, pedal), *strokes_at([4.6, 5.6])], n_s=7.0, room=2e-3)
    expected = [0.4, *([2.6] if is_stroke else []), 4.6, 5.6]
    assert onsets_s(take) == pytest.approx(expected, abs=WITHIN / SR)


def test_what_was_left_out_of_a_ring_is_no_talk_that_hides_the_stroke_after_it():
    level = np.maximum(np.linspace(-5.0, -45.0, 4000), -25.0)  # a ring; the room is at -33 dB
    level[2600:2620] = -24.0
    level[2800:2900] = -8.0
    rises = [_Rise(0, 0, 28.0, 0.0, 28.0), _Rise(2600, 2, 11.0, 0.0, -2.0)]
    loud = _Rise(2800, 1, 25.0, 0.0, 8.0)
    assert _sift([*rises, loud], level, -33.0) == [rises[0], loud]


def test_sticks_that_touch_are_left_out():
    t = np.arange(round(0.006 * SR)) / SR
    click = 0.02 * np.sin(2 * np.pi * 3000 * t) * np.exp(-t / 0.001)
    take = lay([*strokes_at([0.4, 2.4, 3.6], (1.0, 0.8, 0.9)), (1.6, click)])
    assert onsets_s(take) == pytest.approx([0.4, 2.4, 3.6], abs=WITHIN / SR)


def test_something_that_swells_is_no_stroke():
    t = np.arange(round(0.5 * SR)) / SR
    hum = 0.05 * np.sin(2 * np.pi * 160 * t) * np.sin(np.pi * t / 0.5) ** 2
    take = lay([*strokes_at([0.4, 3.4]), (1.6, hum)])
    assert onsets_s(take) == pytest.approx([0.4, 3.4], abs=WITHIN / SR)


@settings(max_examples=8, deadline=None)
@given(gain=st.floats(0.02, 1.5), flip=st.sampled_from([-1.0, 1.0]))
def test_gain_and_polarity_move_no_stroke(gain, flip):
    take = lay(strokes_at([0.4, 1.5, 2.6]), n_s=3.5)
    louder = (take * gain * flip).astype(np.float32)
    assert [r.onset for r in segment_take(louder, sr=SR)] == [
        r.onset for r in segment_take(take, sr=SR)
    ]


@pytest.mark.parametrize("sr", [8_000, 96_000])
def test_strokes_are_found_at_other_rates(sr):
    take = np.zeros(3 * sr)
    for at_s in (0.3, 1.8):
        stroke = drum_stroke(150, sr=sr)[round(0.01 * sr) :]
        take[round(at_s * sr) :][: len(stroke)] += stroke
    found = [region.onset / sr for region in segment_take(take.astype(np.float32), sr=sr)]
    assert found == pytest.approx([0.3, 1.8], abs=0.002)


def two_tones(*, apart_hz):
    """A drum whose two tones beat: it fades to nothing and comes back."""
    t = np.arange(round(2.2 * SR)) / SR
    tones = np.sin(2 * np.pi * 190 * t) + 0.97 * np.sin(2 * np.pi * (190 + apart_hz) * t)
    drum = 0.3 * tones * np.exp(-t / 0.35)
    drum[: SR // 200] += 0.2 * np.random.default_rng(1).normal(size=SR // 200)
    return drum


def test_a_drum_that_beats_is_kept_until_it_has_rung_out():
    drum = two_tones(apart_hz=3.0)
    take = lay([(0.4, drum), (3.4, drum)], n_s=6.0, room=2e-5)
    first, second = segment_take(take, sr=SR)
    assert [first.onset / SR, second.onset / SR] == pytest.approx([0.4, 3.4], abs=WITHIN / SR)
    level = np.sqrt(np.convolve(drum**2, np.ones(SR // 50) / (SR // 50), "same"))
    last = int(np.flatnonzero(level > level.max() * 0.01)[-1])
    assert first.stop >= round(0.4 * SR) + last


def test_a_region_ends_where_talk_begins():
    t = np.arange(round(0.8 * SR)) / SR
    hum = 0.05 * np.sin(2 * np.pi * 160 * t) * np.sin(np.pi * t / 0.8) ** 2
    take = lay([*strokes_at([0.4, 3.8]), (2.0, hum)], room=2e-6)
    first, _ = segment_take(take, sr=SR)
    assert 1.0 * SR < first.stop < 2.2 * SR


def test_a_ring_that_is_cut_off_is_no_second_stroke():
    """The end of a file that stops while its drum rings holds a step, far under the ring."""
    t = np.arange(round(0.5 * SR)) / SR
    hit = 0.5 * np.sin(2 * np.pi * 70 * t) * np.exp(-t / 0.3)
    hit[: SR // 200] += 0.2 * np.random.default_rng(1).normal(size=SR // 200)
    hit[round(0.4 * SR) :] += 0.003
    assert segment_take(hit.astype(np.float32), sr=SR) == ()


def test_the_quick_look_passes_what_the_close_one_must_see():
    assert may_hold_multiple_onsets(lay(strokes_at(AT_S)), sr=SR)
    assert not may_hold_multiple_onsets(lay(strokes_at([0.05])), sr=SR)


def test_a_rate_of_nothing_is_refused():
    with pytest.raises(ParameterError, match="sr=0 must be above 0"):
        segment_take(np.zeros(10, np.float32), sr=0)


def test_the_outline_holds_the_highest_and_lowest_of_each_stretch():
    samples = np.array([[0.0, 0.5], [-0.25, 0.0], [1.0, 0.0], [0.0, -1.0]], np.float32)
    assert waveform_outline(samples, n_points=2).tolist() == [[-0.25, 0.5], [-1.0, 1.0]]
    assert len(waveform_outline(samples, n_points=100)) == 4
    with pytest.raises(ParameterError, match="n_points=0 must be at least 1"):
        waveform_outline(samples, n_points=0)
