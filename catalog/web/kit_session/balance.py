"""Levels, pitches and masking of the slots of a kit, and suggested tunings, as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from catalog.catalog import Catalog
from catalog.kit.model import Kit
from catalog.web.labels import plain, slot_word

MASKS_FROM = 0.3  # share of energy in the same bands worth mentioning; a judgement, no source


def describe_balance(catalog: Catalog, kit: Kit) -> dict[str, Any]:
    """Return the level, pitch and masking of each slot, the overlap in percent, and tunings.

    Raises
    ------
    KitError
        if the kit is empty or a hit cannot be read
    """
    found = catalog.kit_sound.masking(kit)
    others = found.overlap - 2 * np.eye(len(found.slots))  # a slot does not mask itself
    slots = [
        {
            "slot": slot,
            "label": slot_word(slot),
            "level_lkfs": round(level, 1),
            "note": note,
            "pitch_hz": round(hz, 1) if note else None,
            "masked_by": slot_word(found.slots[most]) if row[most] >= MASKS_FROM else "",
        }
        for slot, level, note, hz, row, most in zip(
            found.slots, found.level_lkfs, found.notes, found.pitch_hz, others,
            others.argmax(axis=1), strict=True,
        )
    ]  # fmt: skip
    return {
        "slots": slots,
        "overlap": np.round(100 * found.overlap).astype(int).tolist(),
        "lines": [plain(line) for line in found.lines],
        "tunings": [
            {"slot": p.slot, "semitones": p.semitones, "text": plain(p.text)}
            for p in catalog.kit_sound.propose_tuning(kit)
        ],
    }
