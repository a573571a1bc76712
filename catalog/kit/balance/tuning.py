"""Tuning of the toms of a kit: the intervals between them, and changes that improve these."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

from catalog.features.descriptors.note_names import note_name
from catalog.kit.fill.coherence import BODY_APART, STEP_RANGE
from catalog.kit.fill.explain import interval_words
from catalog.kit.model import TUNING_RANGE, Kit
from catalog.kit.slots import TOMS
from catalog.wording import plain_slot

GRID = 0.5  # semitones between the tunings tried: smaller changes of a drum are inaudible
ROUNDING = 0.5  # semitones: an interval is named by the nearest whole one, and judged by that name
EFFORT = (
    0.05  # cost of a semitone of tuning beside one of a wrong interval: tune no more than needed
)
KICK_WEIGHT = 0.5  # of a semitone too close to the kick, beside one of a wrong interval


@dataclass(frozen=True)
class Interval:
    """The interval between two neighboring toms."""

    lower: str
    upper: str
    semitones: float  # of the upper slot above the lower one
    fits: bool  # whether it is a third to a fifth
    text: str  # such as "low tom a minor third under mid tom"


@dataclass(frozen=True)
class TuningProposal:
    """A suggested tuning of one slot."""

    slot: str
    semitones: float  # in total, for `Kit.with_tuning`; 0 removes a tuning
    pitch_hz: float  # after tuning
    text: str  # the tuning and the intervals that it gives


def tom_intervals(kit: Kit, pitches: Mapping[str, float]) -> tuple[Interval, ...]:
    """Return the intervals between neighboring toms as the kit is tuned, from low to high.

    `pitches` are in Hz as recorded, see `catalog.kit.balance.pitch`; toms without one are left out.
    """
    recorded = _tom_semitones(pitches)
    return _intervals({t: recorded[t] + kit.tuning_semitones.get(t, 0.0) for t in recorded})


def propose_tuning(kit: Kit, pitches: Mapping[str, float]) -> tuple[TuningProposal, ...]:
    """Suggest tom tunings that give thirds to fifths and keep clear of the kick.

    Thirds to fifths are common practice, no source. Every tuning within `TUNING_RANGE` in steps of
    `GRID` is tried; of the best ones the one with the least total change is suggested.

    Returns
    -------
    tuple of TuningProposal, one for each tom that changes; empty if no tuning is better
    """
    recorded = _tom_semitones(pitches)
    kick = 12.0 * math.log2(pitches["kick"]) if "kick" in pitches else math.nan
    kick += kit.tuning_semitones.get("kick", 0.0)
    present = {slot: kit.tuning_semitones.get(slot, 0.0) for slot in recorded}
    if len(recorded) < 2 or _cost(recorded, present, kick) == 0.0:
        return ()
    best = _best_tuning(recorded, kick)
    if _cost(recorded, best, kick) >= _cost(recorded, present, kick):
        return ()
    after = _intervals({slot: pitch + best[slot] for slot, pitch in recorded.items()})
    return tuple(
        _proposal(slot, best[slot], recorded=recorded[slot], after=after)
        for slot in recorded
        if best[slot] != present[slot]
    )


def _best_tuning(recorded: Mapping[str, float], kick: float) -> dict[str, float]:
    n = round(TUNING_RANGE / GRID)
    steps = [GRID * step for step in range(-n, n + 1)]
    tunings = (
        dict(zip(recorded, values, strict=True)) for values in product(steps, repeat=len(recorded))
    )
    return min(tunings, key=lambda tuning: (
        round(_cost(recorded, tuning, kick) + EFFORT * sum(map(abs, tuning.values())), 6),
        [abs(step) for step in tuning.values()],
    ))  # fmt: skip


def _proposal(
    slot: str, semitones: float, *, recorded: float, after: Sequence[Interval]
) -> TuningProposal:
    hz = 2.0 ** ((recorded + semitones) / 12.0)
    intervals = [step.text for step in after if slot in (step.lower, step.upper)]
    tuning = f"{plain_slot(slot)} {semitones:+.1f} semitones to {note_name(hz)}"
    return TuningProposal(slot, semitones, hz, f"{tuning}: {', '.join(intervals)}")


def _tom_semitones(pitches: Mapping[str, float]) -> dict[str, float]:
    """Pitches of the toms in semitones above 1 Hz, from low to high slot."""
    return {slot: 12.0 * math.log2(pitches[slot]) for slot in TOMS if slot in pitches}


def _intervals(semitones: Mapping[str, float]) -> tuple[Interval, ...]:
    found = []
    for lower, upper in pairwise(slot for slot in TOMS if slot in semitones):
        step, (low, high) = semitones[upper] - semitones[lower], _range(lower, upper)
        words = f"{plain_slot(lower)} {interval_words(step)} {plain_slot(upper)}"
        found.append(Interval(lower, upper, step, _outside(step, low, high) == 0.0, words))
    return tuple(found)


def _range(lower: str, upper: str) -> tuple[float, float]:
    """Smallest and largest good interval, larger where a tom between the two is missing."""
    n_steps = TOMS.index(upper) - TOMS.index(lower)
    return STEP_RANGE[0] * n_steps, STEP_RANGE[1] * n_steps


def _outside(step: float, low: float, high: float) -> float:
    """Semitones outside a range, 0 where the nearest whole interval is within it."""
    outside = max(low - step, step - high, 0.0)
    return outside if outside > ROUNDING else 0.0


def _cost(recorded: Mapping[str, float], tuning: Mapping[str, float], kick: float) -> float:
    """Semitones outside the good intervals, and weighted ones too close to the kick."""
    tuned = {slot: pitch + tuning[slot] for slot, pitch in recorded.items()}
    cost = sum(
        _outside(tuned[upper] - tuned[lower], *_range(lower, upper))
        for lower, upper in pairwise(tuned)
    )
    if math.isfinite(kick):
        too_close = (BODY_APART - abs(pitch - kick) for pitch in tuned.values())
        cost += KICK_WEIGHT * sum(step for step in too_close if step > ROUNDING)
    return cost
