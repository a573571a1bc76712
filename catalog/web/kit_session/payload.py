"""The kit that is being built as JSON, so that the browser can show and play it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from catalog.audio.model import Audio
from catalog.catalog import Catalog
from catalog.errors import KitArgumentError
from catalog.features.descriptors.note_names import note_name
from catalog.kit.dynamics import layer_warnings, stroke_curve, stroke_curves
from catalog.kit.layers import Layer, layers_of
from catalog.kit.levels import balance_levels
from catalog.kit.model import Kit
from catalog.kit.slots import NO_NOTES, SLOTS, NoteMap, assign_notes
from catalog.models import Hit
from catalog.web.kit_session.session import KitSession, Step, sorted_slots
from catalog.web.labels import plain, slot_word
from catalog.web.payloads import pick_row

IMPULSE_AT, IMPULSE_N = 32, 64  # frames: one sample stands for the peak of a stroke


def describe_kit(session: KitSession, keys: NoteMap = NO_NOTES) -> dict[str, Any]:
    """Return the kit with its slots, layers, keys and levels; missing hits are left out."""
    with session.lock:
        kit, hits = _with_known_hits(session.catalog, session.kit)
        gains = play_levels(kit, hits)
        notes = _assign_keys(kit, keys)
        return {
            "revision": session.revision,
            "name": plain(kit.name),
            "undo": _label(session.last_change),
            "redo": _label(session.next_change),
            "choices": len(session.choices),
            "chosen": _chosen(session),
            "microphones": _microphone_names(hits),
            "slots": [
                _slot(kit, slot, hits, gains[slot], notes[slot])
                | {"body": _pitch_note(session.catalog, kit.slots[slot][0])}
                for slot in kit.slots
            ],
        }


def _microphone_names(hits: Mapping[int, Hit]) -> list[str]:
    """Return the microphones that an export can use instead of those that stand for strokes."""
    several = [hit.microphones for hit in hits.values() if len(hit.microphones) > 1]
    return sorted({plain(mic.name) for mics in several for mic in mics if mic.name})


def _label(change: Step | None) -> str:
    return change.label if change else ""


def _assign_keys(kit: Kit, keys: NoteMap) -> dict[str, tuple[int, ...]]:
    """Return the keys of the slots; the standard ones if those given are also of other slots."""
    try:
        return assign_notes(tuple(kit.slots), keys)
    except KitArgumentError:  # an export names the two slots
        return assign_notes(tuple(kit.slots))


def _pitch_note(catalog: Catalog, hit_id: int) -> str:
    """Return the note of the drum of a hit, "" without a clear pitch."""
    pitch = catalog.search.drum_pitch(hit_id)
    return note_name(pitch.hz) if pitch is not None else ""


def _with_known_hits(catalog: Catalog, kit: Kit) -> tuple[Kit, dict[int, Hit]]:
    wanted = {i for ids in kit.slots.values() for i in ids}
    hits = catalog.hits_by_id(wanted, skip_unknown=True)
    slots = {slot: tuple(i for i in ids if i in hits) for slot, ids in kit.slots.items()}
    return sorted_slots(replace(kit, slots=slots)), hits


def _chosen(session: KitSession) -> int | None:
    """Return which offered kit is the present one, by the main hit of each slot."""
    main_hits = [
        {slot: ids[0] for slot, ids in kit.slots.items() if ids}
        for kit in (session.kit, *session.choices)
    ]
    return next((k for k, other in enumerate(main_hits[1:]) if other == main_hits[0]), None)


def play_levels(kit: Kit, hits: Mapping[int, Hit]) -> dict[str, float]:
    """Return the gain of each slot for playing, dB.

    The differences between slots are those of the export. The common gain comes from the peaks
    measured by the scan, as if all strokes of a chord peaked at once: no stroke is decoded.
    """

    def read(hit: Hit) -> Audio:
        peak_db = hit.descriptors.get("peak_db", math.nan)
        samples = np.zeros((IMPULSE_N, 1), np.float32)
        samples[IMPULSE_AT] = 10.0 ** (peak_db / 20.0) if math.isfinite(peak_db) else 1.0
        return Audio(samples, 48000, "WAV", "FLOAT")

    return balance_levels(kit, hits, read=read).gain_db if kit.slots else {}


def _slot(
    kit: Kit, slot: str, hits: Mapping[int, Hit], gain_db: float, notes: Sequence[int]
) -> dict[str, Any]:
    layers = layers_of(kit, slot, hits)
    return {
        "slot": slot,
        "label": slot_word(slot),
        "choke": SLOTS[slot].choke,
        "notes": list(notes),
        "locked": slot in kit.locked,
        "arranged": slot in kit.arranged,
        "passed": len(kit.passed.get(slot, ())),
        "why": [plain(line) for line in kit.why.get(slot, ())],
        "warnings": list(layer_warnings(layers)),
        "gain_db": round(gain_db, 2),
        "level_db": kit.level_db.get(slot, 0.0),
        "semitones": kit.tuning_semitones.get(slot, 0.0),
        "curves": {
            hit.id: [[v, round(gain * 10.0 ** (curve.top_db / 20.0), 6)] for v, gain in points]
            for hit, curve in stroke_curves(layers)
            for points in [curve.points.items()]
        },
        "levels": _played_levels(layers, gain_db),
        "hits": [describe_stroke(hits[i]) for i in kit.slots[slot]],
        "layers": [
            {
                "lowest": layer.lowest,
                "highest": layer.highest,
                "strength": round(layer.strength, 1) if math.isfinite(layer.strength) else None,
                "ids": [hit.id for hit in layer.hits],
            }
            for layer in layers
        ],
    }


def _played_levels(layers: Sequence[Layer], gain_db: float) -> list[dict[str, Any]]:
    """Return the loudness of each stroke by velocity, and as recorded; unknown ones are left out.

    Points are (velocity, LKFS), as many as the curve of the stroke has.
    """
    return [
        {
            "layer": number,
            "recorded": round(hit.played_lkfs + gain_db, 2),
            "points": [
                [v, round(hit.played_lkfs + gain_db + curve.gain_db(v), 2)] for v in curve.points
            ],
        }
        for number, layer in enumerate(layers)
        for hit in layer.hits
        if math.isfinite(hit.played_lkfs)
        for curve in [stroke_curve(hit, layer, layers)]
    ]


def describe_stroke(hit: Hit) -> dict[str, Any]:
    """Return what is shown and played of one stroke; its playable file is `over_db` too soft."""
    peak_db = hit.descriptors.get("peak_db", math.nan)
    over_db = max(peak_db, 0.0) if math.isfinite(peak_db) else 0.0
    return pick_row(hit) | {"over_db": round(over_db, 2)}
