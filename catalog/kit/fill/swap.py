"""Replace the hit of one slot of a kit: by the next best, by a certain hit, or by a wish."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from catalog.errors import KitArgumentError, KitError
from catalog.features.descriptors.table import DESCRIPTORS
from catalog.kit.fill.fill import Pool
from catalog.kit.fill.reasons import MAX_REASONS, give_reasons
from catalog.kit.fill.solver import KitSearch, kit_cost, list_candidates, locate_locked
from catalog.kit.fill.together import FAMILIES
from catalog.kit.model import Kit
from catalog.kit.slots import find_slot
from catalog.kit.velocities import clear_slot
from catalog.models import Hit
from catalog.search.constraints import (
    CONSTRAINT_WORDS,
    ConstraintSpec,
    apply_constraints,
    parse_constraints,
)
from catalog.search.drums.drum_pitch import DrumPitch, pitched


@dataclass(frozen=True)
class Wish:
    """How the next hit of a slot must differ from the present one."""

    spec: ConstraintSpec  # see `catalog.search.constraints`
    pitches: Mapping[int, DrumPitch]  # of the drums, by hit id

    def words(self, start: Mapping[str, float]) -> str:
        """Return the wish in words for a hit with these descriptors: "brighter and shorter"."""
        spec = [self.spec] if isinstance(self.spec, str) else list(self.spec)
        if all(name in CONSTRAINT_WORDS for name in spec):
            return " and ".join(spec)
        words = {descriptor.name: descriptor for descriptor in DESCRIPTORS}
        return " and ".join(
            words[c.descriptor].more if c.step > 0 else words[c.descriptor].less
            for c in parse_constraints(self.spec, start)
        )


def swap_slot(pool: Pool, kit: Kit, slot: str, *, wish: Wish | None = None) -> Kit:
    """Replace the hit of one slot by the next best one and keep the others.

    With a wish, the next hit differs from the present one in that way, and this is its first
    reason.

    Each further call takes the hit after it; after the last one the first follows. The slot then
    holds its new main hit only, at its usual level and untuned.

    Raises
    ------
    KitError
        if the slot is unknown, locked or has no other hit
    """
    search = _search_for_slot(pool, kit, slot)
    passed = (*kit.passed.get(slot, ()), *kit.slots.get(slot, ())[:1])
    order = search.rank_candidates(slot)
    if wish is None:
        row, passed = _next_row(pool, order, slot=slot, passed=passed)
        return _with_row(pool, search, kit, slot=slot, row=row, passed=passed)
    before = next((hit for hit in pool.hits if hit.id in kit.slots.get(slot, ())[:1]), None)
    if before is None:
        raise KitError(f"slot {slot} is empty: a wish needs a hit to compare with", slot=slot)
    allowed, words = _rows_as_wished(pool, before, wish), wish.words(pitched(before, wish.pitches))
    order = [row for row in order if row in allowed]
    if not order:
        raise KitError(f"slot {slot} has no hit that is so much {words}", slot=slot)
    swapped = _with_row(pool, search, kit, slot=slot, row=order[0], passed=passed)
    reason = f"{words}, as you wished, than {before.name}"
    why = (reason, *swapped.why[slot][-(MAX_REASONS - 1) :])
    return replace(swapped, why={**swapped.why, slot: why})


def put_hit(pool: Pool, kit: Kit, slot: str, hit_id: int) -> Kit:
    """Put a certain hit into a slot, as `swap_slot` does with the next best.

    Raises
    ------
    KitError
        if the slot is unknown or locked, or the hit is not in the pool or is in another slot
    """
    search = _search_for_slot(pool, kit, slot, needs_others=False)
    if kit.slots.get(slot, ())[:1] == (hit_id,):
        return kit
    row = next((row for row, hit in enumerate(pool.hits) if hit.id == hit_id), None)
    if row is None or row in search.fixed.values():
        raise KitArgumentError(f"hit {hit_id} is not among the hits or in another slot", slot=slot)
    passed = (*kit.passed.get(slot, ()), *kit.slots.get(slot, ())[:1])
    return _with_row(pool, search, kit, slot=slot, row=row, passed=passed)


def swap_back(pool: Pool, kit: Kit, slot: str) -> Kit:
    """Restore the hit that the slot held before the last `swap_slot`.

    Raises
    ------
    KitError
        if the slot is unknown or locked, or its earlier hit is not in the pool
    """
    search = _search_for_slot(pool, kit, slot)
    passed = kit.passed.get(slot, ())
    row = next((r for r, hit in enumerate(pool.hits) if passed and hit.id == passed[-1]), None)
    if row is None:
        raise KitError(f"slot {slot} held no other hit before", slot=slot)
    return _with_row(pool, search, kit, slot=slot, row=row, passed=passed[:-1])


def spread_sessions(pool: Pool, kit: Kit, n_sessions: int) -> Kit:
    """Return a kit with hits of at least so many sessions where the pool has them.

    Slots that belong to no set are changed, one at a time, each to the hit of a further session
    that fits best.
    """
    hits = {hit.id: hit for hit in pool.hits}
    loose = [s for s in kit.slots if s not in kit.locked and not any(s in f for f in FAMILIES)]
    while True:
        held = {hits[ids[0]].session for ids in kit.slots.values() if ids}
        if len(held - {""}) >= n_sessions:
            return kit
        best: Kit | None = None
        for slot in loose:
            search = _search_for_slot(pool, kit, slot)
            order = search.rank_candidates(slot)
            row = next((r for r in order if pool.hits[r].session not in held | {""}), None)
            if row is not None:
                other = _with_row(pool, search, kit, slot=slot, row=row, passed=())
                best = other if best is None or other.score < best.score else best
        if best is None:
            return kit
        kit = best
        loose = [s for s in loose if kit.slots[s] and hits[kit.slots[s][0]].session in held]


def _rows_as_wished(pool: Pool, before: Hit, wish: Wish) -> set[int]:
    start = pitched(before, wish.pitches)
    meets, _ = apply_constraints(
        parse_constraints(wish.spec, start),
        start,
        pool.hits,
        distances=np.zeros(len(pool.hits)),
        pitches=wish.pitches,
    )
    return set(np.flatnonzero(meets).tolist())


def _search_for_slot(pool: Pool, kit: Kit, slot: str, *, needs_others: bool = True) -> KitSearch:
    """Return a search with this slot free and the others fixed."""
    find_slot(slot)
    if slot in kit.locked:
        raise KitError(f"slot {slot} is locked; unlock it to try another hit", slot=slot)
    fixed = locate_locked(
        pool.hits, {n: ids[0] for n, ids in kit.slots.items() if n != slot and ids}
    )
    free = list_candidates(pool.hits, fixed, [slot]) if needs_others else {}
    return KitSearch(pool.traits(), fixed, free)


def _with_row(
    pool: Pool, search: KitSearch, kit: Kit, *, slot: str, row: int, passed: tuple[int, ...]
) -> Kit:
    """Put a row into a slot and drop the settings of the hit that it replaces."""
    rows = search.fixed | {slot: row}
    return replace(
        clear_slot(kit, slot),
        slots={**kit.slots, slot: (pool.hits[row].id,)},
        passed={**kit.passed, slot: passed},
        why=give_reasons(pool.hits, search.traits, rows),
        score=kit_cost(search.traits, rows, fixed=kit.locked),
    )


def _next_row(
    pool: Pool, order: list[int], *, slot: str, passed: tuple[int, ...]
) -> tuple[int, tuple[int, ...]]:
    """Return the next untried row, of an untried drum if possible, and the hits tried so far."""
    tried = {_drum(hit) for hit in pool.hits if hit.id in passed} - {None}
    order = sorted(order, key=lambda row: _drum(pool.hits[row]) in tried)
    fresh = [row for row in order if pool.hits[row].id not in passed]
    if not fresh:
        passed = passed[-1:]
        fresh = [row for row in order if pool.hits[row].id not in passed]
    if not fresh:
        raise KitError(f"slot {slot} has no other hit; scan more or give hits its role", slot=slot)
    return fresh[0], passed


def _drum(hit: Hit) -> tuple[str, str] | None:
    return (hit.session, hit.drum) if hit.session and hit.drum else None
