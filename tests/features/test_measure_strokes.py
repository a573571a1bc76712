"""Strokes measured together are measured as each of them is alone."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features import measure
from catalog.features.measure import measure_audio, measure_strokes
from catalog.models import Event
from tests.signals import SR, as_frames, decaying_sine


def as_audio(samples: np.ndarray) -> Audio:
    return Audio(as_frames(samples), SR, "WAV", "PCM_24")


def test_each_stroke_at_each_microphone_is_measured_as_alone():
    kick, tom = (
        [as_audio(decaying_sine(hz, t60_s, amplitude=a)) for hz, t60_s, a in microphones]
        for microphones in (((60.0, 0.4, 0.8), (61.0, 0.5, 0.2)), ((120.0, 0.6, 0.3),))
    )
    measured = measure_strokes([kick, tom])
    assert [len(of_stroke) for of_stroke in measured] == [2, 1]
    for audio, found in zip([*kick, *tom], [*measured[0], *measured[1]], strict=True):
        alone = measure_audio(audio)
        assert found.descriptors == pytest.approx(alone.descriptors, nan_ok=True, abs=0.0)
        assert np.array_equal(found.embedding, alone.embedding)
        assert np.array_equal(found.production, alone.production)
        assert (found.start, found.stop, found.faults) == (alone.start, alone.stop, alone.faults)


def test_a_microphone_without_sound_gives_its_error():
    heard = as_audio(decaying_sine(60.0, 0.4))
    ((silent, found),) = measure_strokes([[as_audio(np.zeros(SR)), heard]])
    assert isinstance(silent, ParameterError)
    assert found.start == measure_audio(heard).start


@pytest.mark.parametrize("n_microphones", [1, 2, 3, 4])
def test_the_vote_on_an_event_is_that_of_all_microphones(n_microphones, monkeypatch):
    kinds = (Event.STROKE, Event.ROLL, Event.VOICE)
    hits = [
        measure._find_hit(as_audio(decaying_sine(60.0, 0.4, amplitude=a)))
        for a in np.linspace(0.2, 0.8, n_microphones)
    ]
    by_peak = {}
    monkeypatch.setattr(measure, "judge_hit", lambda body, sr: by_peak[float(body.max())])
    for events in product(kinds, repeat=n_microphones):
        by_peak |= {float(hit.body.max()): e for hit, e in zip(hits, events, strict=True)}
        assert vote(measure._judge_microphones(hits)) == vote(list(events))


def vote(events: list[Event]) -> Event:
    """Return what more than half of the microphones hold, else a stroke."""
    return next((e for e in events if 2 * events.count(e) > len(events)), Event.STROKE)
