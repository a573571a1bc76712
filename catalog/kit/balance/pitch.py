"""Pitch of the kick and the toms of a kit, as it is tuned."""

from __future__ import annotations

from collections.abc import Mapping

from catalog.kit.model import Kit
from catalog.kit.slots import TOMS
from catalog.search.drums.drum_pitch import DrumPitch


def measure_pitches(kit: Kit, pitches: Mapping[int, DrumPitch]) -> dict[str, float]:
    """Return the pitch of the kick and the toms of a kit as they were recorded.

    Parameters
    ----------
    kit : Kit
    pitches : mapping of hit id to DrumPitch
        see `catalog.search.drums.drum_pitch.estimate_drum_pitches`

    Returns
    -------
    dict of slot name to Hz
        that of the main hit of each slot; slots whose drum has no clear pitch are left out
    """
    mains = {slot: kit.slots[slot][0] for slot in ("kick", *TOMS) if kit.slots.get(slot)}
    return {slot: pitches[main].hz for slot, main in mains.items() if main in pitches}
