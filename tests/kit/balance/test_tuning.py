"""Tuning of toms: intervals are named, and the least tuning that makes them good is proposed."""

import numpy as np
import pytest

from catalog.kit.balance import propose_tuning, tom_intervals
from catalog.kit.model import Kit

TOM_SLOTS = ("tom_low", "tom_mid", "tom_high")


def kit_of_toms(*steps: float, **kick: float) -> tuple[Kit, dict[str, float]]:
    """A kit whose toms and kick are so many semitones above 90 Hz, and their pitches in Hz."""
    steps_of = dict(zip(TOM_SLOTS, steps, strict=False)) | kick
    kit = Kit(slots={slot: (i,) for i, slot in enumerate(steps_of)})
    return kit, {slot: 90.0 * 2 ** (step / 12) for slot, step in steps_of.items()}


def after(kit: Kit, pitches: dict[str, float]) -> tuple[Kit, list[float]]:
    for proposal in propose_tuning(kit, pitches):
        kit = kit.with_tuning(proposal.slot, proposal.semitones)
    return kit, [step.semitones for step in tom_intervals(kit, pitches)]


@pytest.mark.parametrize("steps", [(0, 4, 9), (0, 7, 14), (0, 3, 6), (0, 12)])
def test_good_intervals_are_named_and_left_unchanged(steps):
    kit, pitches = kit_of_toms(*steps)
    assert propose_tuning(kit, pitches) == () or steps == (0, 12)
    words = {3: "a minor third", 4: "a major third", 5: "a fourth", 7: "a fifth", 12: "an octave"}
    first = tom_intervals(kit, pitches)[0]
    assert first.text == f"low tom {words[steps[1]]} under mid tom"
    assert first.fits == (steps != (0, 12))


@pytest.mark.parametrize("steps", [(0, 1, 9), (0, 2, 3), (0, 10, 14), (3, 0, 6), (0, 5, 5)])
def test_bad_intervals_get_the_least_tuning_that_makes_them_good(steps):
    kit, pitches = kit_of_toms(*steps)
    tuned, intervals = after(kit, pitches)
    assert all(2.4 < step < 7.6 for step in intervals)
    assert all(abs(by) <= 3.0 for by in tuned.tuning_semitones.values())
    assert propose_tuning(tuned, pitches) == ()
    moved = sum(map(abs, tuned.tuning_semitones.values()))
    gaps = [max(2.5 - s, s - 7.5, 0.0) for s in np.diff(steps)]
    assert moved <= sum(gaps) + 1.0


def test_a_tom_moves_away_from_the_kick():
    kit, pitches = kit_of_toms(0, 5, kick=0)
    tuned, _ = after(kit, pitches)
    body = tuned.tuning_semitones.get("tom_low", 0.0)
    assert abs(body) >= 2.5


def test_toms_without_a_pitch_are_left_out():
    kit, pitches = kit_of_toms(0, 1)
    del pitches["tom_low"]
    assert propose_tuning(kit, pitches) == ()
    assert tom_intervals(kit, pitches) == ()
