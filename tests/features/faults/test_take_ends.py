"""A tail in a take counts as cut only where neither the next stroke nor the noise explains its end.

The takes are decaying tones, so that the level at any moment is arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.features.faults.take_ends import trace_end
from catalog.features.measure import measure_segments
from tests.signals import SR

ONSETS_S = (0.2, 0.8, 1.4)
LENGTH_S = 3.0
DECAY_S = 0.12  # falls by 60 dB in 0.83 s
NOISE = 10 ** (-75 / 20)
EDGE_S = 0.005
SHOWN_S = 0.020  # the position of the fault is that of the last 20 ms


def ringing_take(noise: float = NOISE) -> np.ndarray:
    """Return three strokes, each of which rings until the next, and then the noise."""
    y = np.random.default_rng(5).normal(size=round(LENGTH_S * SR)) * noise
    for onset_s in ONSETS_S:
        t = np.arange(round((LENGTH_S - onset_s) * SR)) / SR
        tone = 0.4 * np.sin(2 * np.pi * 190 * t) * np.minimum(t / 0.001, 1) * np.exp(-t / DECAY_S)
        y[-len(t) :] += tone
    return y


def cut_tails(y: np.ndarray, ends_s: tuple[float, ...]) -> list[float]:
    """Return the times of cut tails; a segment starts 1 ms before each onset."""
    audio = Audio(y.astype(np.float32)[:, None], SR, "WAV", "PCM_24")
    starts = [onset - 0.001 for onset in ONSETS_S]
    segments = [(round(a * SR), round(b * SR)) for a, b in zip(starts, ends_s, strict=True)]
    first = measure_segments(audio, segments)
    return [f.at_s for m in (first, *first.others) for f in m.faults if f.kind == "tail_cut"]


def test_a_ring_that_the_next_stroke_ends_is_not_cut():
    assert cut_tails(ringing_take(), (0.799, 1.399, 2.4)) == []


def test_a_ring_that_reaches_loud_noise_is_not_cut():
    assert cut_tails(ringing_take(10 ** (-45 / 20)), (0.65, 1.25, 1.85)) == []


def test_a_ring_that_ends_with_the_file_is_cut():
    y = ringing_take()[: round(1.8 * SR)]
    assert cut_tails(y, (0.799, 1.399, 1.8)) == [pytest.approx(1.8 - SHOWN_S, abs=EDGE_S)]


@pytest.mark.parametrize("stop_s", [1.08, 1.1, 1.14])
def test_a_ring_that_an_edit_ends_is_cut_where_the_edit_is(stop_s):
    y = ringing_take()
    quiet = slice(round(1.1 * SR), round(1.39 * SR))
    y[quiet] = np.random.default_rng(6).normal(size=quiet.stop - quiet.start) * NOISE
    assert cut_tails(y, (0.799, stop_s, 2.4)) == [pytest.approx(1.1 - SHOWN_S, abs=EDGE_S)]


def test_a_ring_that_is_faded_out_is_not_cut():
    y = ringing_take()
    quiet = slice(round(1.1 * SR), round(1.39 * SR))
    y[quiet] = np.random.default_rng(6).normal(size=quiet.stop - quiet.start) * NOISE
    n = round(0.03 * SR)
    y[quiet.start - n : quiet.start] *= np.linspace(1, 0, n)
    assert cut_tails(y, (0.799, 1.11, 2.4)) == []


def test_a_voice_that_stops_after_the_stroke_has_decayed_is_not_its_tail():
    y = np.random.default_rng(5).normal(size=round(LENGTH_S * SR)) * NOISE
    for onset_s in ONSETS_S:
        t = np.arange(round(0.5 * SR)) / SR
        stroke = 0.4 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.03)
        y[round(onset_s * SR) :][: len(t)] += stroke
    voice = slice(round(1.2 * SR), round(1.36 * SR))
    t = np.arange(voice.stop - voice.start) / SR
    y[voice] += 0.03 * np.sin(2 * np.pi * 310 * t) * np.minimum(t / 0.03, 1)
    assert cut_tails(y, (0.799, 1.399, 2.4)) == []


def test_a_region_that_ends_long_before_its_ring_does_is_cut():
    assert cut_tails(ringing_take(), (0.799, 1.0, 2.4)) == [
        pytest.approx(1.0 - SHOWN_S, abs=EDGE_S)
    ]


def test_an_edge_within_the_first_20_ms_has_no_swell_before_it():
    y = np.random.default_rng(5).normal(size=round(0.3 * SR)) * 1e-4
    y[: round(0.010 * SR)] = 0.3
    end = trace_end(y.astype(np.float32), sr=SR, n_segment=round(0.010 * SR), n_gap=8000, faults=())
    assert end.edge is None  # shorter than the blocks of which the level of an end is measured
