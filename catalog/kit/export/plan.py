"""What an export will write: one row for each file, decided before anything touches the disk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from catalog.errors import KitError
from catalog.kit.assemble import Kit
from catalog.kit.layers import Layer, layers_of, velocity_curve
from catalog.kit.slots import SLOTS, assign_notes
from catalog.library.records import Hit


@dataclass(frozen=True)
class Region:
    """One file of the kit.

    Attributes
    ----------
    file : str, path within the folder, "/" between its parts
    hit : Hit
    layer, robin, n_robins : int, counted from 1
    lowest, highest : int, velocities
    """

    file: str
    hit: Hit
    layer: int
    robin: int
    n_robins: int
    lowest: int
    highest: int


@dataclass(frozen=True)
class SlotPlan:
    """One slot: keys, choke group, what velocity still turns in the weakest layer, and files."""

    slot: str
    notes: tuple[int, ...]
    choke: int
    curve: Mapping[int, float]
    regions: tuple[Region, ...]


def plan_export(kit: Kit, hits: Mapping[int, Hit], *, suffix: str = ".wav") -> tuple[SlotPlan, ...]:
    """Cut the layers of each slot and name the files.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit
    suffix : str, ending of the audio files

    Returns
    -------
    tuple of SlotPlan, in the order of the keys

    Raises
    ------
    KitError
        if the kit is empty, a slot is unknown, or a hit is not there
    """
    filled = {slot: ids for slot, ids in kit.slots.items() if ids}
    if not filled:
        raise KitError("the kit is empty: fill at least one slot")
    notes = assign_notes(tuple(filled))
    plans = []
    for slot, ids in filled.items():
        missing = [i for i in ids if i not in hits]
        if missing:
            raise KitError(f"hit {missing[0]} of slot {slot} is not in the catalog", slot=slot)
        layers = layers_of(kit, slot, hits)
        regions = _name_regions(f"{notes[slot][0]:03d}_{slot}", layers, suffix)
        plans.append(
            SlotPlan(slot, notes[slot], SLOTS[slot].choke, velocity_curve(layers), regions)
        )
    return tuple(sorted(plans, key=lambda plan: plan.notes))


def _name_regions(stem: str, layers: tuple[Layer, ...], suffix: str) -> tuple[Region, ...]:
    """Names that sort by key, layer and round robin and hold nothing of the source's name."""
    return tuple(
        Region(
            f"hits/{stem}_layer{number:02d}_rr{robin}{suffix}",
            hit, number, robin, len(layer.hits), layer.lowest, layer.highest,
        )
        for number, layer in enumerate(layers, start=1)
        for robin, hit in enumerate(layer.hits, start=1)
    )  # fmt: skip
