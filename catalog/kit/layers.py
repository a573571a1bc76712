"""Velocity layers and round robins: the other strokes of a slot's drum, ordered by strength."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from catalog.errors import ParameterError
from catalog.kit.model import Kit
from catalog.library.metadata.given_names import damping_of
from catalog.models import Hit, Mark, State

LAYER_DB = 2.0  # LU between strokes of one layer; smaller differences hardly sound stronger
MAX_LAYERS = 16  # of a slot; more cannot be distinguished when playing
MAX_STROKES = 64  # added to one slot; more only makes the folder larger
TOP = 127  # highest MIDI velocity
MIN_SPAN = 3  # velocities of a layer, so that it can be played on purpose
VELOCITY_DB = 40.0  # per decade of velocity: the square law of SFZ players for amplitude
CURVE_SHARES = (1 / 8, 1 / 4, 1 / 2, 3 / 4, 1.0)  # linear interpolation errs by 1 dB at most
ONE_LEVEL = (
    "all strokes were normalized to one level: they are ordered by timbre, and velocity sets the "
    "level; check the order by ear"
)
JUMP_DB = 9.0  # LU between neighboring layers that sounds like a step; common practice


@dataclass(frozen=True)
class Layer:
    """Strokes of one strength, in LKFS, and the MIDI velocities from 1 to 127 that play them."""

    hits: tuple[Hit, ...]  # the round robins in playing order
    lowest: int
    highest: int
    strength: float  # mean of its strokes


def strokes_of_drum(
    hit: Hit, hits: Sequence[Hit], *, leave_out: Collection[int] = ()
) -> tuple[Hit, ...]:
    """List the strokes of the drum of a hit through the same microphone, weakest first.

    Damped strokes are not listed with open ones, nor those marked no good. Copies in `leave_out`
    are left out; `hit` itself always stays, alone if its drum is unknown.
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
        and math.isfinite(other.strength_lkfs)
        and (other.drum, other.session, other.microphone, other.role)
        == (hit.drum, hit.session, hit.microphone, hit.role)
        and damping_of(other) == damping
    ]
    return tuple(sorted([hit, *same], key=lambda h: (h.strength_lkfs, h.id)))


def add_layers(kit: Kit, hits: Sequence[Hit], *, leave_out: Collection[int] = ()) -> Kit:
    """Add the other strokes of its drum to each slot, from weak to strong after the main hit.

    Copies in `leave_out` are not added and no hit gets into two slots. Slots with manually arranged
    layers stay unchanged.
    """
    by_id = {hit.id: hit for hit in hits}
    taken = {ids[0] for ids in kit.slots.values() if ids}
    taken.update(i for name in kit.arranged for i in kit.slots.get(name, ()))
    slots: dict[str, tuple[int, ...]] = {}
    for name, ids in kit.slots.items():
        if not ids or ids[0] not in by_id or name in kit.arranged:
            slots[name] = ids
            continue
        strokes = strokes_of_drum(by_id[ids[0]], hits, leave_out=leave_out)
        others = [s.id for s in strokes if s.id != ids[0] and s.id not in taken]
        kept = _evenly(others, MAX_STROKES - 1)
        taken.update(kept)
        slots[name] = (ids[0], *kept)
    return replace(kit, slots=slots)


def _evenly(ids: list[int], most: int) -> list[int]:
    """At most `most` of a list, evenly spaced, with both ends."""
    if len(ids) <= most:
        return ids
    return [ids[round(i * (len(ids) - 1) / (most - 1))] for i in range(most)]


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


def _apart(a: float, b: float) -> float:
    return abs(a - b) if math.isfinite(a) and math.isfinite(b) else math.inf


def _share_velocities(groups: Sequence[Sequence[Hit]]) -> tuple[Layer, ...]:
    """Divide the velocities between the groups, the lowest for the first."""
    levels = [_mean_strength(group) for group in groups]
    edges = _velocity_edges(levels)
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
    known = [hit.strength_lkfs for hit in group if math.isfinite(hit.strength_lkfs)]
    return sum(known) / len(known) if known else -math.inf


def _velocity_edges(levels: Sequence[float]) -> list[int]:
    """Highest velocity below each layer, then 127: midway in dB, each layer `MIN_SPAN` wide."""
    n = len(levels)
    edges = [0]
    for index, (level, above) in enumerate(pairwise(levels)):
        middle = 0.5 * (level + above) - levels[-1]
        velocity = round(TOP * 10.0 ** (middle / VELOCITY_DB)) if math.isfinite(middle) else 0
        lowest = edges[-1] + MIN_SPAN
        highest = TOP - MIN_SPAN * (n - 1 - index)
        edges.append(min(max(velocity, lowest), highest))
    return [*edges, TOP]


def layer_warnings(layers: Sequence[Layer]) -> tuple[str, ...]:
    """Warn of jumps in strength between neighboring layers and of normalized strokes."""
    jumps = [
        f"{above.strength - below.strength:.0f} LU between velocity {below.highest} and "
        f"{above.lowest}: a stroke between them is missing"
        for below, above in pairwise(layers)
        if above.strength - below.strength > JUMP_DB
    ]
    return (ONE_LEVEL, *jumps) if _is_normalized(layers) else tuple(jumps)


def _is_normalized(layers: Sequence[Layer]) -> bool:
    return any(hit.heard_lkfs is not None for layer in layers for hit in layer.hits)


def velocity_curve(layers: Sequence[Layer]) -> dict[int, float]:
    """Gain that a player applies by velocity, at a few velocities.

    The recordings hold the strength of each layer; a velocity curve on top would make soft strokes
    vanish. Velocity therefore has no effect except below the strength of the weakest layer, where
    there is no recording and the square law continues. Where all recordings were normalized to one
    level, the law provides the dynamics over the whole range. Between the points the gain is
    interpolated linearly, from 0 at velocity 0.

    Returns
    -------
    dict of velocity to amplitude, 1 at the top of the weakest layer; for one layer the whole law
    """
    top = TOP if _is_normalized(layers) else layers[0].highest
    points = sorted({max(1, round(top * share)) for share in CURVE_SHARES})
    return {velocity: (velocity / top) ** 2 for velocity in points}


def velocity_gain(layers: Sequence[Layer], velocity: int) -> float:
    """Amplitude that a player applies at a velocity from 1 to 127, 0 to 1."""
    curve = {0: 0.0} | velocity_curve(layers)
    return float(np.interp(velocity, list(curve), list(curve.values())))
