"""The phrase: only filled slots, right layers in turn, hats that stop each other, no clipping."""

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.errors import KitError
from catalog.features.loudness import true_peak
from catalog.kit.model import Kit
from catalog.kit.phrase.phrases import PHRASES, TEMPO_BPM, Event, Phrase, select_phrase
from catalog.kit.phrase.play import CHOKE_S, render_phrase
from catalog.kit.slots import DEFAULT_SLOTS, SLOTS
from catalog.models import Hit
from tests.kit.drums import SR, make_hit, make_stroke

BEAT_S = 60 / TEMPO_BPM


def flat(hit: Hit) -> Audio:
    """Two seconds of a constant that is the hit's id, so that each sample names its hit."""
    return Audio(np.full((2 * SR, 1), hit.id / 100, dtype=np.float32), SR, "WAV", "FLOAT")


def half_wave(hit: Hit) -> Audio:
    """Half a wave of 100 Hz as high as the hundredth of the hit's id."""
    n = SR // 200
    wave = hit.id / 100 * np.sin(np.pi * np.arange(n) / n)
    return Audio(wave[:, None].astype(np.float32), SR, "WAV", "FLOAT")


def render(kit: Kit, hits: list[Hit], events: list[Event]) -> np.ndarray:
    gains = dict.fromkeys(kit.slots, 0.0)
    by_id = {hit.id: hit for hit in hits}
    phrase = Phrase("test", tuple(events))
    return render_phrase(kit, by_id, phrase, gain_db=gains, read=flat, sr=SR)[:, 0]


def at(sound: np.ndarray, time_s: float) -> float:
    return float(sound[round(time_s * SR)])


WHOLE_KIT = ("two bars", "ladder")  # phrases that strike every filled slot


@pytest.mark.parametrize("name", PHRASES)
def test_a_phrase_strikes_filled_slots_in_order_of_time(name):
    others = (("kick",), ("cowbell", "shaker"), tuple(SLOTS)) if name in WHOLE_KIT else ()
    for slots in (DEFAULT_SLOTS, *others):
        events = select_phrase(name, slots).events
        played = {event.slot for event in events}
        assert played == set(slots) if name in WHOLE_KIT else played <= set(slots)
        assert [e.beat for e in events] == sorted(e.beat for e in events)
        assert all(1 <= e.velocity <= 127 for e in events)


@pytest.mark.parametrize(
    ("name", "slots", "words"),
    [
        ("waltz", DEFAULT_SLOTS, "phrase='waltz' is not one of two bars"),
        ("hats", ("cowbell",), "none of the slots that 'hats' is played on"),
        ("two bars", (), "the kit is empty"),
    ],
)
def test_a_phrase_that_cannot_be_played_is_refused(name, slots, words):
    with pytest.raises(KitError, match=words):
        select_phrase(name, slots)


def test_velocity_selects_the_layer_and_round_robins_alternate():
    hits = [make_hit(1, loudness=-40.0), make_hit(2, loudness=-20.0), make_hit(3, loudness=-20.0)]
    recorded_at = 40  # where the law is 20 dB down
    events = [Event(4.0 * i, "snare", v) for i, v in enumerate((127, 127, 127, recorded_at))]
    sound = render(Kit(slots={"snare": (2, 1, 3)}), hits, events)
    levels = np.array([at(sound, 4 * i * BEAT_S + 0.5) for i in range(4)])
    assert levels / levels[0] == pytest.approx([1.0, 1.5, 1.0, 0.5], rel=0.01)


def test_a_closed_hat_stops_the_open_one_and_a_kick_does_not():
    hits = [make_hit(8, "hat_open"), make_hit(1, "hat_closed"), make_hit(2, "kick")]
    kit = Kit(slots={"hat_open": (8,), "hat_closed": (1,), "kick": (2,)})
    opened = Event(0.0, "hat_open", 127)
    for slot, expected in (("hat_closed", 0.01), ("kick", 0.10)):
        sound = render(kit, hits, [opened, Event(1.0, slot, 127)])
        gain = at(sound, BEAT_S - 0.01) / 0.08
        assert at(sound, BEAT_S + CHOKE_S + 0.01) / gain == pytest.approx(expected)


def test_many_overlapping_tails_stay_below_the_ceiling():
    events = [Event(i / 4, "snare", 127) for i in range(12)]
    sound = render(Kit(slots={"snare": (90,)}), [make_hit(90)], events)
    assert true_peak(sound) < -1.0


@pytest.mark.parametrize(("level", "peak_db"), [(90, -1.1), (40, -1.1), (9, -8.9), (0, -np.inf)])
def test_a_phrase_is_brought_to_the_ceiling_but_boosted_by_12_db_at_most(level, peak_db):
    events = [Event(0.0, "snare", 127)]
    hits = {level: make_hit(level)}
    kit, phrase = Kit(slots={"snare": (level,)}), Phrase("test", tuple(events))
    sound = render_phrase(kit, hits, phrase, gain_db={"snare": 0.0}, read=half_wave, sr=SR)
    assert true_peak(sound) == pytest.approx(peak_db, abs=0.05)


def never(hit: Hit) -> Audio:
    raise AssertionError("nothing is decoded for a phrase that is refused")


@pytest.mark.parametrize(
    ("events", "sr", "words"),
    [
        ([Event(300 / BEAT_S, "snare", 127)], 768_000, "302 s at 768000 Hz are too long"),
        # 20,000 strokes of a recording of ten seconds
        ([Event(i / 1000, "snare", 127) for i in range(20_000)], SR, "20000 strokes last"),
    ],
)
def test_a_phrase_of_too_much_work_is_refused_before_it_is_rendered(events, sr, words):
    kit, hits = Kit(slots={"snare": (1,)}), {1: make_hit(1, stop=10 * SR)}
    phrase = Phrase("test", tuple(events))
    with pytest.raises(KitError, match=words):
        render_phrase(kit, hits, phrase, gain_db={"snare": 0.0}, read=never, sr=sr)


def test_strokes_are_resampled_to_the_rate_of_the_phrase():
    kit, hits = Kit(slots={"snare": (1,)}), {1: make_hit(1, sr=22_050)}
    phrase = Phrase("test", (Event(0.0, "snare", 127),))
    out = render_phrase(kit, hits, phrase, gain_db={"snare": 0.0}, read=make_stroke, sr=48_000)
    loud = np.flatnonzero(np.abs(out[:, 0]) > 1e-4 * np.abs(out).max())
    assert loud[-1] / 48_000 == pytest.approx(0.3, abs=0.03)
