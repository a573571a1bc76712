"""Velocity layers and round robins: the other strokes of a slot's drum, ordered by strength."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

from catalog.errors import ParameterError
from catalog.kit.model import Kit
from catalog.library.metadata.damping import damping_of
from catalog.models import Hit, Mark, State

LAYER_DB = 2.0  # LU between strokes of one layer; smaller differences hardly sound stronger
MAX_LAYERS = 16  # of a slot; more cannot be distinguished when playing
MAX_STROKES = 64  # added to one slot; more only makes the folder larger
TOP = 127  # highest MIDI velocity
MIN_SPAN = 3  # velocities of a layer, so that it can be played on purpose
VELOCITY_DB = 40.0  # per decade of velocity: the square law of SFZ players for amplitude
SOFT_VELOCITY = 12  # below it the square law falls by more than `SOFT_STEP_DB` a velocity
SOFT_STEP_DB = 1.5  # a velocity below `SOFT_VELOCITY`
MAX_BOOST_DB = 6.0  # of a stroke over its recorded level: more raises its noise, and an SFZ 1
# player limits `volume` to it; a stroke that is not boosted is lowered instead
MIN_SOUND_S = 0.020  # of a stroke that becomes a layer; a shorter file is a fragment
T = TypeVar("T")


@dataclass(frozen=True)
class Layer:
    """Strokes of one strength, in LKFS, and the MIDI velocities from 1 to 127 that play them."""

    hits: tuple[Hit, ...]  # the round robins in playing order
    lowest: int
    highest: int
    strength: float  # mean of its strokes


def law_db(velocity: float) -> float:
    """Return the level of a velocity from 1 to 127 under that of 127, dB, at most 0.

    It is the square law of SFZ players, which is limited to `SOFT_STEP_DB` a velocity where it is
    steeper.
    """
    square_db = VELOCITY_DB * math.log10(max(velocity, SOFT_VELOCITY) / TOP)
    return square_db - SOFT_STEP_DB * max(0.0, SOFT_VELOCITY - velocity)


def _velocity_at(level_db: float) -> float:
    """Return the velocity at which `law_db` is a level, at most 0; it may be below 1."""
    square = TOP * 10.0 ** (level_db / VELOCITY_DB)
    soft = SOFT_VELOCITY + (level_db - law_db(SOFT_VELOCITY)) / SOFT_STEP_DB
    return square if square >= SOFT_VELOCITY else soft


def is_fragment(hit: Hit) -> bool:
    """Return whether a hit is too short to be a layer."""
    return hit.stop - hit.start < MIN_SOUND_S * hit.sr


def drum_key(hit: Hit) -> tuple[str, ...]:
    """Return what the strokes of one drum through one microphone have in common."""
    return hit.drum, hit.session, hit.microphone, hit.role


def ids_of_drums(hit_ids: Collection[int], hits: Sequence[Hit]) -> set[int]:
    """Return the ids of all strokes of the drums of some hits."""
    drums = {drum_key(hit) for hit in hits if hit.id in hit_ids and hit.drum}
    return {hit.id for hit in hits if hit.id in hit_ids or drum_key(hit) in drums}


def strokes_of_drum(
    hit: Hit, hits: Sequence[Hit], *, leave_out: Collection[int] = ()
) -> tuple[Hit, ...]:
    """List the strokes of the drum of a hit through the same microphone, weakest first.

    Damped strokes are not listed with open ones, nor fragments, nor those marked no good. Copies in
    `leave_out` are left out; `hit` itself always stays, alone if its drum is unknown.
    """
    if not hit.drum:
        return (hit,)
    damping = damping_of(hit)
    same = [
        other
        for other in hits
        if other.id != hit.id
        and other.id not in leave_out
        and other.state == State.HERE
        and other.mark != Mark.NO_GOOD
        and not is_fragment(other)
        and math.isfinite(other.strength_lkfs)
        and drum_key(other) == drum_key(hit)
        and damping_of(other) == damping
    ]
    return tuple(sorted([hit, *same], key=lambda h: (h.strength_lkfs, h.id)))


def add_layers(
    kit: Kit,
    hits: Sequence[Hit],
    *,
    leave_out: Collection[int] = (),
    n_layers: int = MAX_LAYERS,
) -> Kit:
    """Add the other strokes of its drum to each slot, from weak to strong after the main hit.

    Copies in `leave_out` are not added and no hit gets into two slots. Slots with manually arranged
    layers stay unchanged. Of a drum with more than `n_layers` those are used that are evenly spaced
    from the weakest to the strongest, and that of the main hit. Raise `ParameterError` if
    `n_layers` is below 1.
    """
    if n_layers < 1:
        raise ParameterError(f"n_layers={n_layers} must be 1 or more")
    by_id = {hit.id: hit for hit in hits}
    taken = {ids[0] for ids in kit.slots.values() if ids}
    taken.update(i for name in kit.arranged for i in kit.slots.get(name, ()))
    slots: dict[str, tuple[int, ...]] = {}
    for name, ids in kit.slots.items():
        if not ids or ids[0] not in by_id or name in kit.arranged:
            slots[name] = ids
            continue
        strokes = strokes_of_drum(by_id[ids[0]], hits, leave_out=leave_out)
        free = [s for s in strokes if s.id == ids[0] or s.id not in taken]
        others = [s.id for s in _limit_layers(free, ids[0], n_layers) if s.id != ids[0]]
        kept = _evenly(others, MAX_STROKES - 1)
        taken.update(kept)
        slots[name] = (ids[0], *kept)
    return replace(kit, slots=slots)


def _evenly(items: Sequence[T], most: int) -> list[T]:
    """At most `most` of a sequence, evenly spaced, with both ends, or the last one."""
    if len(items) <= most:
        return list(items)
    last = len(items) - 1
    return [items[round(i * last / (most - 1))] for i in range(most)] if most > 1 else [items[last]]


def _limit_layers(strokes: Sequence[Hit], main_id: int, n_layers: int) -> list[Hit]:
    """Return the strokes of at most `n_layers` layers, one of them that of the main hit."""
    kept = list(strokes)
    while len(layers := cut_layers(kept)) > n_layers:
        chosen = _evenly(range(len(layers)), n_layers)
        (main,) = (k for k, layer in enumerate(layers) if main_id in {hit.id for hit in layer.hits})
        if main not in chosen:  # it takes the place of the nearest one between both ends
            nearest = min(chosen[1:-1] or chosen, key=lambda k: abs(k - main))
            chosen[chosen.index(nearest)] = main
        kept = [hit for k in sorted(chosen) for hit in layers[k].hits]
    return kept


def cut_layers(hits: Sequence[Hit]) -> tuple[Layer, ...]:
    """Cut the strokes of one drum into layers that divide the velocities 1 to 127.

    Strokes within `LAYER_DB` of the weakest of a layer are its round robins. The square law of
    velocity assigns velocities to the layers by strength, the strongest one at 127.

    Returns
    -------
    tuple of Layer
        weakest first; together they cover each velocity from 1 to 127 exactly once

    Raises
    ------
    ParameterError
        if there is no hit
    """
    if not hits:
        raise ParameterError("hits is empty: a layer needs at least one stroke")
    ordered = sorted(hits, key=lambda hit: (hit.strength_lkfs, hit.id))
    return _share_velocities(_group(ordered))


def layers_of(kit: Kit, slot: str, hits: Mapping[int, Hit]) -> tuple[Layer, ...]:
    """Return the layers of a slot: as arranged manually, else cut by strength.

    A stroke that is not arranged joins the layer nearest in strength; one not in `hits` is left
    out.

    Raises
    ------
    ParameterError
        if the slot holds no hit
    """
    ids = tuple(i for i in dict.fromkeys(kit.slots.get(slot, ())) if i in hits)
    groups = [[hits[i] for i in layer if i in ids] for layer in kit.arranged.get(slot, ())]
    groups = [group for group in groups if group]
    if not groups:
        return cut_layers([hits[i] for i in ids])
    placed = {hit.id for group in groups for hit in group}
    for hit_id in ids:
        if hit_id not in placed:
            nearest = min(
                groups, key=lambda g: _apart(_mean_strength(g), hits[hit_id].strength_lkfs)
            )
            nearest.append(hits[hit_id])
    return _share_velocities(groups)


def most_layers(kit: Kit, full: Kit, hits: Mapping[int, Hit]) -> int:
    """Return how many layers a slot of a kit may have, by those that its slots have.

    It is `MAX_LAYERS` if the kit equals `full`, the same kit with all layers.
    """
    if kit.slots == full.slots:
        return MAX_LAYERS
    slots = [name for name, ids in kit.slots.items() if any(i in hits for i in ids)]
    return max((len(layers_of(kit, name, hits)) for name in slots), default=1)


def _apart(a: float, b: float) -> float:
    return abs(a - b) if math.isfinite(a) and math.isfinite(b) else math.inf


def _share_velocities(groups: Sequence[Sequence[Hit]]) -> tuple[Layer, ...]:
    """Divide the velocities between the groups, the lowest for the first."""
    levels = [_mean_strength(group) for group in groups]
    edges = _velocity_edges(groups, levels)
    return tuple(
        Layer(tuple(group), low + 1, high, level)
        for group, level, (low, high) in zip(groups, levels, pairwise(edges), strict=True)
    )


def _group(ordered: Sequence[Hit]) -> list[list[Hit]]:
    """Group strokes of similar strength, widening the limit until `MAX_LAYERS` groups suffice."""
    width_db = LAYER_DB
    while len(groups := _group_within(ordered, width_db)) > MAX_LAYERS:
        width_db *= 1.25
    return groups


def _group_within(ordered: Sequence[Hit], width_db: float) -> list[list[Hit]]:
    groups: list[list[Hit]] = []
    for hit in ordered:
        above_db = hit.strength_lkfs - groups[-1][0].strength_lkfs if groups else math.inf
        if groups and (above_db < width_db or not math.isfinite(hit.strength_lkfs)):
            groups[-1].append(hit)
        else:
            groups.append([hit])
    return groups


def _mean_strength(group: Sequence[Hit]) -> float:
    known = _strengths(group)
    return sum(known) / len(known) if known else -math.inf


def _strengths(group: Sequence[Hit]) -> list[float]:
    return [hit.strength_lkfs for hit in group if math.isfinite(hit.strength_lkfs)]


def _velocity_edges(groups: Sequence[Sequence[Hit]], levels: Sequence[float]) -> list[int]:
    """Return the highest velocity below each layer, then 127; each layer is `MIN_SPAN` wide.

    Two layers meet midway in dB, or where the weakest stroke of the lower one is boosted by
    `MAX_BOOST_DB`. Levels are relative to the strongest stroke, which plays at velocity 127.
    """
    n, top = len(levels), max(_strengths(groups[-1]), default=-math.inf)
    edges = [0]
    for index, (level, above) in enumerate(pairwise(levels)):
        weakest = min(_strengths(groups[index]), default=-math.inf)
        under_top_db = min(0.5 * (level + above), weakest + MAX_BOOST_DB) - top
        velocity = round(_velocity_at(min(under_top_db, 0.0))) if math.isfinite(under_top_db) else 0
        lowest = edges[-1] + MIN_SPAN
        highest = TOP - MIN_SPAN * (n - 1 - index)
        edges.append(min(max(velocity, lowest), highest))
    return [*edges, TOP]
