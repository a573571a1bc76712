"""Manual changes of the velocity layers of a slot: add, remove and move strokes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from catalog.errors import KitError
from catalog.kit.layers import MAX_LAYERS, layers_of
from catalog.kit.model import Kit, without_slot
from catalog.models import Hit


def add_stroke(kit: Kit, slot: str, hit_id: int) -> Kit:
    """Add a stroke to a filled slot; it joins the layer nearest to it in strength.

    Raises
    ------
    KitError
        if the slot is empty, or the hit is in the kit already
    """
    ids = _strokes(kit, slot)
    for name, others in kit.slots.items():
        if hit_id in others:
            raise KitError(f"this hit is in the kit already, in slot {name}", slot=slot)
    return replace(kit, slots={**kit.slots, slot: (*ids, hit_id)})


def drop_stroke(kit: Kit, slot: str, hit_id: int) -> Kit:
    """Remove a stroke from a slot; if it was the main one, the next becomes the main one.

    Raises
    ------
    KitError
        if the slot does not hold the hit
    """
    ids = tuple(i for i in _strokes(kit, slot, hit_id) if i != hit_id)
    if not ids:
        return clear_slot(kit, slot)
    arranged = dict(kit.arranged)
    if slot in arranged:
        layers = (tuple(i for i in layer if i != hit_id) for layer in arranged[slot])
        arranged[slot] = tuple(layer for layer in layers if layer)
    return replace(kit, slots={**kit.slots, slot: ids}, arranged=arranged)


def clear_slot(kit: Kit, slot: str) -> Kit:
    """Empty a slot and remove its settings; may be a no-op."""
    return replace(
        kit,
        slots=without_slot(kit.slots, slot),
        arranged=without_slot(kit.arranged, slot),
        why=without_slot(kit.why, slot),
        level_db=without_slot(kit.level_db, slot),
        tuning_semitones=without_slot(kit.tuning_semitones, slot),
        locked=kit.locked - {slot},
    )


def choose_main(kit: Kit, slot: str, hit_id: int) -> Kit:
    """Make one of a slot's strokes its main hit, by which the kit is scored.

    Raises
    ------
    KitError
        if the slot does not hold the hit
    """
    ids = _strokes(kit, slot, hit_id)
    return replace(kit, slots={**kit.slots, slot: (hit_id, *(i for i in ids if i != hit_id))})


def move_stroke(
    kit: Kit, slot: str, hit_id: int, *, layer: int, hits: Mapping[int, Hit], apart: bool = False
) -> Kit:
    """Move a stroke to another layer; from then on the layers of the slot are fixed.

    `layer` is 0 for the weakest one, counted before the stroke is removed; the number of layers
    makes a new one above all others, and `apart` a new one below `layer`.

    Raises
    ------
    KitError
        if the slot does not hold the hit, there is no such layer, or there are too many
    """
    _strokes(kit, slot, hit_id)
    groups = [[hit.id for hit in found.hits] for found in layers_of(kit, slot, hits)]
    if not 0 <= layer <= len(groups):
        raise KitError(f"layer={layer} must be between 0 and {len(groups)}", slot=slot)
    for group in groups:
        if hit_id in group:
            group.remove(hit_id)
    if apart or layer == len(groups):
        groups.insert(layer, [hit_id])
    else:
        groups[layer].append(hit_id)
    left = tuple(tuple(group) for group in groups if group)
    if len(left) > MAX_LAYERS:
        raise KitError(f"{len(left)} layers: a slot has {MAX_LAYERS} at most", slot=slot)
    return replace(kit, arranged={**kit.arranged, slot: left})


def keep_layers(kit: Kit, slot: str, *, hits: Mapping[int, Hit]) -> Kit:
    """Fix the layers of a slot as they are now.

    Raises
    ------
    KitError
        if the slot is empty
    """
    _strokes(kit, slot)
    layers = tuple(tuple(hit.id for hit in found.hits) for found in layers_of(kit, slot, hits))
    return replace(kit, arranged={**kit.arranged, slot: layers})


def sort_by_strength(kit: Kit, slot: str) -> Kit:
    """Cut the layers of a slot by strength again."""
    return replace(kit, arranged=without_slot(kit.arranged, slot))


def _strokes(kit: Kit, slot: str, hit_id: int | None = None) -> tuple[int, ...]:
    ids = kit.slots.get(slot, ())
    if not ids:
        raise KitError(f"slot {slot} is empty", slot=slot)
    if hit_id is not None and hit_id not in ids:
        raise KitError(f"slot {slot} does not hold hit {hit_id}", slot=slot)
    return ids
