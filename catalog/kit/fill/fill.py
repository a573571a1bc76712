"""Fill kits from a pool of hits: all free slots together, or one slot again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.errors import KitError, ParameterError
from catalog.kit.fill.coherence import compute_traits
from catalog.kit.fill.explain import explain_kit
from catalog.kit.fill.solver import KitSearch, kit_cost, list_candidates, locate_locked
from catalog.kit.model import Kit
from catalog.kit.slots import find_slot
from catalog.kit.velocities import clear_slot
from catalog.models import Hit


@dataclass(frozen=True, eq=False)
class Pool:
    """Hits to choose from, with their production descriptors of shape (n, p)."""

    hits: tuple[Hit, ...]
    production: np.ndarray

    def __post_init__(self) -> None:
        if self.production.ndim != 2 or len(self.production) != len(self.hits):
            raise ParameterError(
                f"production has shape {self.production.shape}: it must hold one row for each of "
                f"the {len(self.hits)} hits"
            )


def fill_kit(
    pool: Pool,
    locked: Mapping[str, int],
    *,
    slots: Sequence[str] | None = None,
    seed: int = 0,
    n_best: int = 1,
) -> list[Kit]:
    """Fill the free slots so that all hits together sound like one kit.

    Parameters
    ----------
    pool : Pool
    locked : mapping of slot name to hit id; these stay
    slots : sequence of str, the slots to fill beside the locked ones; None takes the default
        slots that the pool has hits for
    seed : int
    n_best : int, 1 or more, how many kits, each different from those before it

    Returns
    -------
    list of Kit
        best first, each chosen among what the earlier ones leave, one hit a slot; fewer than
        `n_best` where the pool holds no other kit

    Raises
    ------
    KitError
        if a slot is unknown or has no hit left, or a locked hit is not in the pool
    ParameterError
        if `n_best` is below 1
    """
    if n_best < 1:
        raise ParameterError(f"n_best={n_best} must be 1 or more")
    fixed = locate_locked(pool.hits, locked)
    free = list_candidates(pool.hits, fixed, slots)
    search = KitSearch(compute_traits(pool.hits, pool.production), fixed, free)
    used: set[int] = set()
    kits: list[Kit] = []
    for number in range(n_best):
        rows = search.search(np.random.default_rng([seed, number]), used)
        used |= search.strokes_of_drums(rows)
        kit = Kit(
            slots={name: (pool.hits[row].id,) for name, row in rows.items()},
            locked=frozenset(locked),
            why=explain_kit(pool.hits, search.traits, rows),
            score=kit_cost(search.traits, rows, fixed=locked),
        )
        if all(kit.slots != earlier.slots for earlier in kits):
            kits.append(kit)
    return kits


def swap_slot(pool: Pool, kit: Kit, slot: str) -> Kit:
    """Replace the hit of one slot by the next best one and keep the others.

    Each further call takes the hit after it; after the last one the first follows. The slot then
    holds its new main hit only, at its usual level and untuned.

    Raises
    ------
    KitError
        if the slot is unknown, locked or has no other hit
    """
    search = _search_for_slot(pool, kit, slot)
    passed = (*kit.passed.get(slot, ()), *kit.slots.get(slot, ())[:1])
    row, passed = _next_row(pool, search.rank_candidates(slot), slot=slot, passed=passed)
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


def _search_for_slot(pool: Pool, kit: Kit, slot: str) -> KitSearch:
    """Return a search with this slot free and the others fixed."""
    find_slot(slot)
    if slot in kit.locked:
        raise KitError(f"slot {slot} is locked; unlock it to try another hit", slot=slot)
    fixed = locate_locked(
        pool.hits, {n: ids[0] for n, ids in kit.slots.items() if n != slot and ids}
    )
    free = list_candidates(pool.hits, fixed, [slot])
    return KitSearch(compute_traits(pool.hits, pool.production), fixed, free)


def _with_row(
    pool: Pool, search: KitSearch, kit: Kit, *, slot: str, row: int, passed: tuple[int, ...]
) -> Kit:
    """Put a row into a slot and drop the settings of the hit that it replaces."""
    rows = search.fixed | {slot: row}
    return replace(
        clear_slot(kit, slot),
        slots={**kit.slots, slot: (pool.hits[row].id,)},
        passed={**kit.passed, slot: passed},
        why=explain_kit(pool.hits, search.traits, rows),
        score=kit_cost(search.traits, rows, fixed=kit.locked),
    )


def score_kit(pool: Pool, kit: Kit) -> Kit:
    """Return the kit with its score and explanations computed for its present tuning.

    Raises
    ------
    KitError
        if a main hit is not in the pool
    """
    rows = locate_locked(pool.hits, {name: ids[0] for name, ids in kit.slots.items() if ids})
    traits = compute_traits(pool.hits, pool.production)
    pitch = traits.pitch.copy()
    for name, semitones in kit.tuning_semitones.items():
        if name in rows:
            pitch[rows[name]] += semitones
    tuned = replace(traits, pitch=pitch)
    return replace(
        kit,
        why=explain_kit(pool.hits, tuned, rows),
        score=kit_cost(tuned, rows, fixed=kit.locked & set(rows)),
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
