"""Comparison of two kits: slots that differ, and which kit is more coherent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from catalog.kit.fill.explain import explain_sessions
from catalog.kit.levels import Levels
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit
from catalog.search.drums.drum_pitch import DrumPitch
from catalog.search.matches import as_heard, audible_differences
from catalog.wording import plain_slot

CLOSE = 0.05  # of a score; a smaller difference is inaudible
AUDIBLE_DB = 1.0  # of gain; smaller differences are not listed


@dataclass(frozen=True)
class SlotComparison:
    """Comparison of one slot."""

    slot: str
    hit_a: int | None  # main hit
    hit_b: int | None
    n_a: int  # strokes
    n_b: int
    gain_db_a: float | None
    gain_db_b: float | None
    tuning_a: float  # semitones
    tuning_b: float
    same: bool  # whether main hit, level by hand and tuning are the same
    differences: tuple[str, ...]  # of the second kit's hit from the first's


@dataclass(frozen=True)
class KitComparison:
    """Comparison of two kits."""

    name_a: str
    name_b: str
    score_a: float  # mean cost of a slot in one pool; lower fits better
    score_b: float
    slots: tuple[SlotComparison, ...]  # in the order of a kit
    lines: tuple[str, ...]  # for the user


def compare_kits(
    kits: tuple[Kit, Kit],
    hits: Mapping[int, Hit],
    levels: tuple[Levels, Levels],
    *,
    pitches: Mapping[int, DrumPitch] | None = None,
) -> KitComparison:
    """Compare two kits slot by slot.

    Parameters
    ----------
    kits : two Kit, scored in the same pool
    hits : mapping of id to Hit
    levels : two Levels
    pitches : mapping of hit id to DrumPitch, optional
        of the drums of the hits; by default each stroke has its own
    """
    a, b = kits
    names = [n for n in SLOTS if a.slots.get(n) or b.slots.get(n)]
    slots = tuple(
        _compare_slot(name, kits, hits=hits, levels=levels, pitches=pitches) for name in names
    )
    return KitComparison(
        a.name, b.name, a.score, b.score, slots, _comparison_lines(kits, hits, slots)
    )


def _compare_slot(
    slot: str,
    kits: tuple[Kit, Kit],
    *,
    hits: Mapping[int, Hit],
    levels: tuple[Levels, Levels],
    pitches: Mapping[int, DrumPitch] | None,
) -> SlotComparison:
    strokes_a, strokes_b = (kit.slots.get(slot, ()) for kit in kits)
    first, second = ((ids[0] if ids else None) for ids in (strokes_a, strokes_b))
    gains = [level.gain_db.get(slot) for level in levels]
    tuning = [kit.tuning_semitones.get(slot, 0.0) for kit in kits]
    by_hand = [kit.level_db.get(slot, 0.0) for kit in kits]
    found: tuple[str, ...] = ()
    if first is not None and second is not None:
        if first != second:
            found = audible_differences(*(as_heard(hits[i], pitches) for i in (first, second)))
        if tuning[0] != tuning[1]:
            found += (f"tuned {tuning[1] - tuning[0]:+.1f} semitones",)
        if abs(by_hand[1] - by_hand[0]) >= AUDIBLE_DB:
            found += (f"{by_hand[1] - by_hand[0]:+.1f} dB by hand",)
    same = first == second and tuning[0] == tuning[1] and by_hand[0] == by_hand[1]
    return SlotComparison(
        slot, first, second, len(strokes_a), len(strokes_b), gains[0], gains[1], tuning[0],
        tuning[1], same, found,
    )  # fmt: skip


def _comparison_lines(
    kits: tuple[Kit, Kit], hits: Mapping[int, Hit], slots: tuple[SlotComparison, ...]
) -> tuple[str, ...]:
    a, b = (kit.name or "kit" for kit in kits)
    a, b = (a, b) if a != b else (f"{a} (first)", f"{b} (second)")
    lines = [_coherence_line((a, b), (kits[0].score, kits[1].score))]
    for name, kit in ((a, kits[0]), (b, kits[1])):
        mains = tuple(ids[0] for ids in kit.slots.values() if ids)
        lines.append(f"{name}: {len(mains)} slots, {explain_sessions(hits, mains)}")
    same = [plain_slot(slot.slot) for slot in slots if slot.same]
    lines += [f"the same in both: {', '.join(same)}"] if same else []
    for slot in slots:
        if slot.hit_a is None or slot.hit_b is None:
            lines.append(f"{plain_slot(slot.slot)}: only in {a if slot.hit_b is None else b}")
        elif not slot.same:
            differences = ", ".join(slot.differences) or "another hit that measures the same"
            lines.append(f"{plain_slot(slot.slot)}, {b} against {a}: {differences}")
    return tuple(lines)


def _coherence_line(names: tuple[str, str], scores: tuple[float, float]) -> str:
    a, b = names
    if not all(map(math.isfinite, scores)) or abs(scores[0] - scores[1]) < CLOSE:
        return f"{a} and {b} hold together equally well"
    first, second = (a, b) if scores[0] < scores[1] else (b, a)
    low, high = sorted(scores)
    return f"{first} holds together better than {second} ({low:.2f} against {high:.2f}, 0 is ideal)"
