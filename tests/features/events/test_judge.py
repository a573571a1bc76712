"""Rolls, swells, loops, voices, bumps and dropped sticks are told from single strokes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from catalog.audio.model import Audio
from catalog.features.events import judge_hit, merge_events
from catalog.features.measure import measure_take
from catalog.features.onset import StrokeSpan
from catalog.models import Event
from tests.signals import (
    SR,
    as_frames,
    decaying_noise,
    decaying_sine,
    drum_stroke,
    mix_take,
    strokes_at,
)

# Frequencies of the formants of three vowels, Hz: G. E. Peterson, H. L. Barney,
# "Control methods used in a study of the vowels", J. Acoust. Soc. Am. 24, 175-184, 1952 (men).
VOWELS = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240))
TEMPO_OFF = 0.02


def measure(mono, sr=SR):
    audio = Audio(as_frames(mono), sr, container="WAV", subtype="PCM_24")
    found = measure_take(audio)
    return [found, *found.others]


def click(seed=0):
    """Return a stick on a rim: a few ms of high frequencies."""
    return decaying_noise(0.03, seed=seed, length_s=0.05)


def bounce(*, ratio=0.75, gap_s=0.25, n=9):
    """Return a dropped stick, by the physics of a bouncing body: gaps and speeds shrink alike."""
    at_s, level, laid = 0.3, 1.0, []
    for i in range(n):
        laid.append((at_s, level * click(i)))
        at_s, gap_s, level = at_s + gap_s, gap_s * ratio, level * ratio
    return mix_take(laid, length_s=2.5)


def speak(length_s=1.2, f0_hz=110.0):
    """Return a buzz through formants that glide from vowel to vowel, in syllables."""
    n = round(length_s * SR)
    t = np.arange(n) / SR
    pitch = f0_hz * 2 ** (0.4 * np.sin(2 * np.pi * 1.1 * t))
    phase = np.cumsum(pitch) / SR
    buzz = np.diff(np.floor(phase), prepend=0.0)
    part, out = round(0.18 * SR), np.zeros(n)
    for number, at in enumerate(range(0, n - part, part)):
        y = buzz[at : at + part]
        for hz in VOWELS[number % len(VOWELS)]:
            r = np.exp(-np.pi * 90 / SR)
            y = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * hz / SR), r * r], y)
        out[at : at + part] = y / np.abs(y).max() * np.hanning(part)
    return mix_take([(0.2, 0.3 * out)], length_s=length_s + 0.6)


def beat(bpm, n, *, several=True):
    """Return eighths of a low drum and a high one in turn."""
    gap_s = 30.0 / bpm
    low, high = drum_stroke(70), decaying_noise(0.2, seed=4, length_s=0.25, amplitude=0.3)
    laid = [(0.3 + i * gap_s, high if several and i % 2 else low) for i in range(n)]
    return mix_take(laid, length_s=1.0 + n * gap_s)


@pytest.mark.parametrize("seed", range(6))
def test_a_stroke_is_a_stroke(seed):
    assert judge_hit(drum_stroke(60 + 40 * seed, seed=seed), sr=SR) == Event.STROKE


@pytest.mark.parametrize("t60_s", [0.05, 0.5, 4.0, 15.0])
def test_a_body_that_rings_for_any_time_is_a_stroke(t60_s):
    assert judge_hit(decaying_sine(200, t60_s, length_s=6.0), sr=SR) == Event.STROKE
    assert judge_hit(decaying_noise(t60_s, seed=1, length_s=6.0), sr=SR) == Event.STROKE


@pytest.mark.parametrize("rate", [20, 30, 40])
def test_a_roll_is_one_hit(rate):
    laid = [(0.2 + i / rate, drum_stroke(180, seed=i)) for i in range(2 * rate)]
    assert [m.event for m in measure(mix_take(laid))] == [Event.ROLL]


def test_a_roll_that_grows_is_a_roll():
    laid = [
        (0.2 + i / 18, 10 ** (-0.6 * (1 - i / 36)) * drum_stroke(180, seed=i)) for i in range(36)
    ]
    assert [m.event for m in measure(mix_take(laid))] == [Event.ROLL]


def test_a_sound_that_begins_inaudibly_is_a_swell():
    n = round(1.5 * SR)
    grows = np.random.default_rng(3).normal(size=n) * 10 ** (1.6 * (np.arange(n) / n - 1))
    rings = decaying_noise(2.0, seed=4, length_s=1.5, amplitude=2.0)
    mono = mix_take([(0.2, 0.1 * np.concatenate([grows, rings]))], length_s=4.0)
    assert [m.event for m in measure(mono)] == [Event.SWELL]


def test_bristles_that_rub_irregularly_are_a_swell():
    rng, n = np.random.default_rng(5), round(1.2 * SR)
    grain = np.repeat(rng.uniform(0.3, 1.7, size=n // 400 + 1), 400)[:n]
    hand = np.sin(np.pi * np.arange(n) / n)
    swirl = 0.1 * rng.normal(size=n) * grain * hand
    assert [m.event for m in measure(mix_take([(0.2, swirl)], length_s=1.8))] == [Event.SWELL]


def test_a_brush_that_is_drawn_over_a_head_is_a_swell():
    n = round(1.2 * SR)
    swirl = np.random.default_rng(2).normal(size=n) * np.hanning(n)
    assert [m.event for m in measure(mix_take([(0.2, 0.1 * swirl)], length_s=1.8))] == [Event.SWELL]


@pytest.mark.parametrize("bpm", [90, 120, 150])
def test_a_performance_is_one_hit_with_its_tempo_and_its_strokes(bpm):
    (loop,) = measure(beat(bpm, 24))
    assert loop.event == Event.LOOP
    assert loop.n_strokes == 24
    ratio = loop.tempo_bpm / bpm
    assert min(abs(ratio - r) for r in (0.5, 1, 2)) < TEMPO_OFF  # octaves are a matter of taste


def test_a_performance_is_cut_on_request():
    audio = Audio(as_frames(beat(120, 24)), SR, container="WAV", subtype="PCM_24")
    assert len(measure_take(audio, cut_loops=True).others) == 23


def test_single_strokes_to_a_click_are_no_performance():
    found = measure(mix_take(strokes_at(np.arange(12) * 0.75 + 0.3), length_s=10))
    assert [m.event for m in found] == [Event.STROKE] * 12


@pytest.mark.parametrize(("ratio", "gap_s"), [(0.62, 0.30), (0.75, 0.25), (0.86, 0.12)])
def test_a_dropped_stick_is_one_hit_that_is_no_stroke(ratio, gap_s):
    found = measure(bounce(ratio=ratio, gap_s=gap_s, n=12))
    assert [m.event for m in found] == [Event.STICK_DROP]


def test_a_stroke_after_a_dropped_stick_is_a_hit_of_its_own():
    mono = bounce(n=6) + mix_take([(2.0, 2.0 * drum_stroke(180))], length_s=2.5)
    assert [m.event for m in measure(mono)] == [Event.STICK_DROP, Event.STROKE]


def test_clicks_at_even_distances_are_no_dropped_stick():
    events = {m.event for m in measure(bounce(ratio=1.0, n=5))}
    assert Event.STICK_DROP not in events


def test_a_stand_that_is_touched_is_a_bump():
    t = np.arange(SR) / SR
    swing = np.sin(2 * np.pi * 40 * t) * np.minimum(t / 0.04, 1) * np.exp(-t / 0.08)
    assert [m.event for m in measure(mix_take([(0.2, 0.2 * swing)], length_s=1.6))] == [Event.BUMP]


def test_a_soft_bump_in_a_room_is_a_bump():
    t = np.arange(SR) / SR
    swing = np.sin(2 * np.pi * 20 * t) * np.minimum(t / 0.04, 1) * np.exp(-t / 0.08)
    room = 0.0002 * np.random.default_rng(6).normal(size=round(1.6 * SR))
    mono = mix_take([(0.2, 0.06 * swing)], length_s=1.6) + room
    assert [m.event for m in measure(mono)] == [Event.BUMP]


@pytest.mark.parametrize(("next_sound", "n_hits"), [(speak(0.6), 1), (drum_stroke(60), 2)])
def test_a_voice_goes_on_with_words_but_not_with_a_stroke(next_sound, n_hits):
    mono = mix_take([(0.1, speak(0.9)), (1.4, 0.5 * next_sound)], length_s=2.6)
    starts = [round(0.1 * SR), round(1.4 * SR)]
    stops = [round(1.1 * SR), round(2.1 * SR)]
    spans = [StrokeSpan(a, a, b) for a, b in zip(starts, stops, strict=True)]
    assert len(merge_events(mono, spans, sr=SR)) == n_hits


@pytest.mark.parametrize(("after_s", "n_hits"), [(0.05, 1), (0.5, 2)])
def test_a_short_soft_sound_belongs_to_the_voice_beside_it(after_s, n_hits):
    at_s = 1.1 + after_s
    consonant = decaying_noise(0.08, seed=4, length_s=0.1)
    mono = mix_take([(0.1, speak(0.9)), (at_s, 0.05 * consonant)], length_s=2.6)
    ends = [(0.1, 1.1), (at_s, at_s + 0.1)]
    spans = [StrokeSpan(round(a * SR), round(a * SR), round(b * SR)) for a, b in ends]
    assert len(merge_events(mono, spans, sr=SR)) == n_hits


def test_speech_is_a_voice():
    assert {m.event for m in measure(speak())} == {Event.VOICE}


@pytest.mark.parametrize("gain", [0.05, -0.8])
def test_level_and_polarity_change_nothing(gain):
    for mono in (bounce(), speak(), beat(110, 16)):
        assert [m.event for m in measure(mono)] == [m.event for m in measure(gain * mono)]
