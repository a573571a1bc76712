"""How the toms of a kit are tuned to each other, and what would make a run of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

from catalog.features.descriptors import note_name
from catalog.kit.fill.coherence import BODY_APART, STEP_RANGE
from catalog.kit.fill.explain import interval_words, plain_slot
from catalog.kit.model import TUNING_RANGE, Kit
from catalog.kit.slots import TOMS
from catalog.models import Hit

GRID = 0.5  # semitones between what is tried: finer steps are not heard on a drum
ROUNDING = 0.5  # semitones: a step is called by the nearest one, and judged by that name
EFFORT = 0.05  # cost of a semitone of tuning beside one of a wrong step: no more than needed
KICK_WEIGHT = 0.5  # of a semitone too near to the kick, beside one of a wrong step


@dataclass(frozen=True)
class Interval:
    """Two neighbouring toms.

    Attributes
    ----------
    lower, upper : str, slots
    semitones : float, how far the upper one is above the lower one
    fits : bool, whether it is a third to a fifth
    text : str, such as "low tom a minor third under mid tom"
    """

    lower: str
    upper: str
    semitones: float
    fits: bool
    text: str


@dataclass(frozen=True)
class TuningProposal:
    """One slot to be tuned.

    Attributes
    ----------
    slot : str
    semitones : float, in all, as `Kit.with_tuning` takes it; 0 takes a tuning back
    body_hz : float, as it would be then
    text : str, what it is for
    """

    slot: str
    semitones: float
    body_hz: float
    text: str


def tom_intervals(kit: Kit, hits: Mapping[int, Hit]) -> tuple[Interval, ...]:
    """The steps between neighbouring toms, as the kit is tuned.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit

    Returns
    -------
    tuple of Interval, from low to high; toms without a body are passed over
    """
    bodies = {slot: body + kit.tuning_semitones.get(slot, 0.0)
              for slot, body in _bodies(kit, hits, TOMS).items()}  # fmt: skip
    return _intervals(bodies)


def propose_tuning(kit: Kit, hits: Mapping[int, Hit]) -> tuple[TuningProposal, ...]:
    """What to tune so that the toms run in thirds to fifths and keep off the kick.

    Thirds to fifths are common practice, no source. Every tuning within `TUNING_RANGE` in steps of
    `GRID` is tried; the least tuning that gives the best run is proposed.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit

    Returns
    -------
    tuple of TuningProposal, one a tom that changes; empty where the run is good as it is
    """
    bodies = _bodies(kit, hits, TOMS)
    kick = next(iter(_bodies(kit, hits, ("kick",)).values()), math.nan)
    kick += kit.tuning_semitones.get("kick", 0.0)
    now = {slot: kit.tuning_semitones.get(slot, 0.0) for slot in bodies}
    if len(bodies) < 2 or _cost(bodies, now, kick) == 0.0:
        return ()
    n = round(TUNING_RANGE / GRID)
    steps = [GRID * step for step in range(-n, n + 1)]
    tried = [dict(zip(bodies, way, strict=True)) for way in product(steps, repeat=len(bodies))]
    best = min(tried, key=lambda way: (
        round(_cost(bodies, way, kick) + EFFORT * sum(map(abs, way.values())), 6),
        [abs(step) for step in way.values()],
    ))  # fmt: skip
    if _cost(bodies, best, kick) >= _cost(bodies, now, kick):
        return ()
    after = _intervals({slot: body + best[slot] for slot, body in bodies.items()})
    return tuple(
        _proposal(slot, best[slot], bodies[slot], after)
        for slot in bodies
        if best[slot] != now[slot]
    )


def _proposal(
    slot: str, semitones: float, body: float, after: Sequence[Interval]
) -> TuningProposal:
    hz = 2.0 ** ((body + semitones) / 12.0)
    mine = [step.text for step in after if slot in (step.lower, step.upper)]
    text = f"{plain_slot(slot)} {semitones:+.1f} semitones to {note_name(hz)}: {', '.join(mine)}"
    return TuningProposal(slot, semitones, hz, text)


def _bodies(kit: Kit, hits: Mapping[int, Hit], slots: Sequence[str]) -> dict[str, float]:
    """Bodies of the main hits as recorded, in semitones above 1 Hz."""
    bodies = {}
    for slot in slots:
        ids = kit.slots.get(slot, ())
        hz = hits[ids[0]].descriptors.get("body_hz", math.nan) if ids else math.nan
        if math.isfinite(hz) and hz > 0:
            bodies[slot] = 12.0 * math.log2(hz)
    return bodies


def _intervals(bodies: Mapping[str, float]) -> tuple[Interval, ...]:
    found = []
    for lower, upper in pairwise(slot for slot in TOMS if slot in bodies):
        step, (low, high) = bodies[upper] - bodies[lower], _range(lower, upper)
        words = f"{plain_slot(lower)} {interval_words(step)} {plain_slot(upper)}"
        found.append(Interval(lower, upper, step, _outside(step, low, high) == 0.0, words))
    return tuple(found)


def _range(lower: str, upper: str) -> tuple[float, float]:
    """Least and largest step between two toms, more where one between them is missing."""
    places = TOMS.index(upper) - TOMS.index(lower)
    return STEP_RANGE[0] * places, STEP_RANGE[1] * places


def _outside(step: float, low: float, high: float) -> float:
    """Semitones outside a range, nothing where the nearest whole step is within."""
    off = max(low - step, step - high, 0.0)
    return off if off > ROUNDING else 0.0


def _cost(bodies: Mapping[str, float], tuning: Mapping[str, float], kick: float) -> float:
    tuned = {slot: body + tuning[slot] for slot, body in bodies.items()}
    order = [slot for slot in TOMS if slot in tuned]
    cost = 0.0
    for lower, upper in pairwise(order):
        cost += _outside(tuned[upper] - tuned[lower], *_range(lower, upper))
    if math.isfinite(kick):
        near = (BODY_APART - abs(body - kick) for body in tuned.values())
        cost += KICK_WEIGHT * sum(off for off in near if off > ROUNDING)
    return cost
